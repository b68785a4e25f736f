package main

import (
	"context"
	"fmt"
	"os"

	"alkalog/server/report"
	"alkalog/server/serve"
)

// sessionCommand draws a session. It is for the person who has to understand
// afterwards how a service went. It reads the database directly and needs no
// running server.
type sessionCommand struct {
	databaseFlags
	Name string `arg:"" help:"Resource name of the session: chains/CHAIN/clients/CLIENT/sessions/SESSION."`
	SVG  string `name:"svg" required:"" type:"path" placeholder:"FILE" help:"Output file."`
}

// Run reads the session and writes the SVG to a file that only its owner can
// read. The picture has section names and the client's pseudonym, and no name.
func (c sessionCommand) Run(ctx context.Context, std streams) error {
	cfg, err := c.reading()
	if err != nil {
		return err
	}
	session, events, err := serve.Session(ctx, cfg, c.Name)
	if err != nil {
		return err
	}
	if err = os.WriteFile(c.SVG, report.DrawSession(session, events), 0o600); err != nil {
		return err
	}
	fmt.Fprintln(std.out, "drawn:", c.SVG)
	return nil
}
