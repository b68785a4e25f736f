// Package proto holds the contract and its generated code. alkalog/v1/*.proto is
// the contract, one file for each service and each kind of record; its messages are
// also the domain model and the stored records. alkalogv1 is the Go code generated
// from it, imported as pb. contract reads the contract's options, source its
// comments. third_party holds vendored protos, unchanged. tools is a module of its
// own, so that the server does not depend on what the generators need.
//
// contract.golden and released.binpb are what was released: the contract is
// changed by additions only, and tests and buf's breaking check compare it with
// them.
//
// After editing a .proto file run
//
//	go generate ./proto
//
// and commit the changes in alkalogv1 and openapi.yaml with it.
package proto

import _ "embed" // for OpenAPI

//go:generate go tool -modfile=tools/go.mod buf format -w --path alkalog
//go:generate go tool -modfile=tools/go.mod buf generate
//go:generate go tool -modfile=tools/go.mod buf generate --template buf.gen.openapi.yaml
//go:generate go tool -modfile=tools/go.mod buf lint

// OpenAPI describes the JSON paths of the contract (OpenAPI 3.0, YAML). It is generated
// from the contract, with its comments, and served by the web door.
//
//go:embed openapi.yaml
var OpenAPI []byte
