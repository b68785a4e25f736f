package main

import (
	"context"

	"alkalog/server/serve"
)

// accessCommand prints which role may call which RPC. The page is generated from
// the contract's options, as server/serve/ACCESS.md is, so it is that of the
// program that prints it.
type accessCommand struct{}

// Run prints the access table as Markdown. It needs no database.
func (accessCommand) Run(_ context.Context, std streams) error {
	_, err := std.out.Write(serve.AccessPage())
	return err
}
