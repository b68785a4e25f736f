//go:build !python

package integration

// withPython says that the blocks do not run that need Python with gRPC.
const withPython = false
