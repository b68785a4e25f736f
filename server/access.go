package main

import (
	"context"

	"alkalog/server/serve"
)

// accessCommand prints who may call what.
type accessCommand struct{}

// Run prints it as a page of Markdown.
func (accessCommand) Run(_ context.Context, std streams) error {
	_, err := std.out.Write(serve.AccessPage())
	return err
}
