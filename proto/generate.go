// Package proto is the contract's room. The contract itself is
// alkalog/v1/*.proto, one file per service and one per kind of record; it is
// also the domain model and the stored form. alkalogv1 holds the Go generated
// from it and nothing else, and is imported as pb. third_party holds other
// people's protos, unchanged; tools is a module of its own, so that the
// generators' dependencies stay out of the server.
//
// After editing a .proto file run
//
//	go generate ./proto
//
// and commit what changes in alkalogv1 with it.
package proto

//go:generate go tool -modfile=tools/go.mod buf format -w --path alkalog
//go:generate go tool -modfile=tools/go.mod buf generate
//go:generate go tool -modfile=tools/go.mod buf lint
