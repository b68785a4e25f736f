package main

import (
	"context"
	"fmt"
	"log/slog"
	"strings"

	"alkalog/server/serve"
)

// serveCommand serves until it is interrupted.
type serveCommand struct{ serveFlags }

// Run starts the server, says how to call it, and stops it in order.
func (c serveCommand) Run(ctx context.Context, std streams) error {
	cfg, err := c.config()
	if err != nil {
		return err
	}
	cfg.Logger = slog.New(slog.NewJSONHandler(std.err, &slog.HandlerOptions{Level: c.LogLevel}))
	if cfg.DataDir != "" {
		fmt.Fprintf(std.err, "starting a private PostgreSQL in %s\n", cfg.DataDir)
	}
	server, err := serve.Start(ctx, cfg)
	if err != nil {
		return err
	}
	fmt.Fprint(std.err, welcome(server.Addr(), server.Database(), cfg.Development))
	stop := context.AfterFunc(ctx, func() { server.Stop(context.WithoutCancel(ctx)) })
	defer stop()
	return server.Wait()
}

// welcome tells whoever started the server what it is and how to call it.
func welcome(address, database string, development bool) string {
	who := "nobody yet: no identities are set up, see --development"
	if development {
		who = "callers who say who they are: DEVELOPMENT IDENTITIES, believed without proof"
	}
	return strings.NewReplacer("ADDRESS", address, "DATABASE", database, "WHO", who).Replace(welcomeText)
}

const welcomeText = `
alkalog listens on ADDRESS (this machine only; there is no TLS yet)
  database  DATABASE
  serves    WHO

Call it from another terminal, in the directory of the source:
  go tool -modfile=proto/tools/go.mod grpcurl -plaintext ADDRESS list
  go tool -modfile=proto/tools/go.mod grpcurl -plaintext \
    -H 'authorization: Development role=operator name=operators/me' \
    -d '{"chain_id": "ebb", "chain": {"display_name": "Ebb and Flow Hair"}, "request_id": "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d27"}' \
    ADDRESS alkalog.v1.DirectoryService/CreateChain

Cautions. The manufacturer's directions come first. Local codes and licensed
practice come before anything that is said here. It never diagnoses; it refers.
When a client says that it burns: rinse at once.

Interrupt (Ctrl-C) to stop.
`
