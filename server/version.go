package main

import (
	"fmt"
	"runtime"
	"runtime/debug"
)

// versionCommand prints the version. An operator needs it to report a problem.
type versionCommand struct{}

// Run prints the version that the Go toolchain recorded in the build. The
// revision is that of the version control system, if the build knew it; a build
// from a directory without history has none. It also has the version of Go and
// the platform.
func (versionCommand) Run(std streams) error {
	version, revision := "(devel)", ""
	if info, ok := debug.ReadBuildInfo(); ok {
		version = info.Main.Version
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				revision = " " + s.Value
			}
		}
	}
	_, err := fmt.Fprintf(std.out, "alkalog %s%s %s %s/%s\n", version, revision, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}
