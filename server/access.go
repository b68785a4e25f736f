package main

import (
	"context"

	"alkalog/server/serve"
)

// accessCommand prints which role may call which RPC.
type accessCommand struct{}

// Run prints the access table as Markdown.
func (accessCommand) Run(_ context.Context, std streams) error {
	_, err := std.out.Write(serve.AccessPage())
	return err
}
