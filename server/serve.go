package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"

	"alkalog/server/serve"
	"alkalog/server/workbench"
)

// serveCommand runs the server. It is also what runs without any command.
type serveCommand struct{ serveFlags }

// Run starts the server, prints how to call it, and shuts it down when it is
// interrupted. It returns when the server has ended: without an error after an
// interrupt, otherwise with the reason. Its log is JSON on standard error, one
// value a line; the text before it is for people.
//
// The order of the output is: what is started, how to call it, then the log. A
// configuration that is wrong ends the command before anything is opened. An
// interrupt is not an error.
func (c serveCommand) Run(ctx context.Context, std streams) error {
	cfg, err := c.config()
	if err != nil {
		return err
	}
	cfg.Logger = slog.New(slog.NewJSONHandler(std.err, &slog.HandlerOptions{Level: c.LogLevel}))
	// The limit of the runtime is for the process, so it is set here and not in
	// package serve, which tests run several times.
	c.memoryFlags.apply(cfg.DataDir != "", os.Getenv("GOMEMLIMIT"), os.DirFS("/"))
	// The page calls as anybody it likes, so it is served only where every caller may do
	// that anyway. The server itself refuses it without development identities.
	if cfg.Development && cfg.WebAddress != "" {
		cfg.WebPage = workbench.Page()
	}
	cfg.Progress = progressTo(std.err)
	server, err := serve.Start(ctx, cfg)
	if err != nil {
		return err
	}
	fmt.Fprint(std.err, welcome(cfg, server.Addr(), server.WebAddr(), server.Database()))
	stop := context.AfterFunc(ctx, func() { server.Stop(context.WithoutCancel(ctx)) })
	defer stop()
	return server.Wait()
}

// progressTo returns a function that prints each step of a start on a line.
func progressTo(out io.Writer) func(string) {
	return func(step string) { fmt.Fprintln(out, step) }
}

// welcome is the text printed at startup: the address, the database and an
// example call. The example is one that works with this configuration. A server
// without any identities gets none, because nobody could call it.
func welcome(cfg serve.Config, address, web, database string) string {
	line, try := "in plaintext, for this machine only", tryText
	switch {
	case cfg.TLSCert != "":
		line, try = "with TLS", tryPrivateText
	case !cfg.Development:
		try = ""
	}
	text := strings.NewReplacer("TRY", try, "CA-FILE", cmp.Or(cfg.ClientCA, "CA-FILE"), "WEB", webText(cfg, web)).Replace(welcomeText)
	return strings.NewReplacer("ADDRESS", address, "LINE", line, "DATABASE", database, "WHO", cfg.DescribeTrust()).Replace(text)
}

// webText is the line about the web door; empty without one. It is a whole address,
// which people can open.
func webText(cfg serve.Config, web string) string {
	switch {
	case web == "":
		return ""
	case cfg.TLSCert != "":
		return "\n  web       https://" + web
	}
	if cfg.WebPage != nil {
		return "\n  web       http://" + web + " (a browser shows the workbench there)"
	}
	return "\n  web       http://" + web
}

// welcomeText is printed once. The cautions are part of it, because everybody who
// starts a server must have read them once.
const welcomeText = `
alkalog listens on ADDRESS LINEWEB
  database  DATABASE
  serves    WHO
TRY
Cautions. The manufacturer's directions come first. Local codes and licensed
practice come before anything that is said here. It never diagnoses; it refers.
When a client says that it burns: rinse at once.

Interrupt (Ctrl-C) to stop.
`

// tryText is the example for a server with development identities.
const tryText = `
Call it from another terminal, in the directory of the source:
  go tool -modfile=proto/tools/go.mod grpcurl -plaintext ADDRESS list
  go tool -modfile=proto/tools/go.mod grpcurl -plaintext \
    -H 'authorization: Development role=operator name=operators/me' \
    -d '{"chain_id": "ebb", "chain": {"display_name": "Ebb and Flow Hair"}, "request_id": "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d27"}' \
    ADDRESS alkalog.v1.DirectoryService/CreateChain
`

// tryPrivateText is the example for a server with TLS.
const tryPrivateText = `
Call it from another terminal, in the directory of the source:
  go tool -modfile=proto/tools/go.mod grpcurl -cacert CA-FILE ADDRESS list
`
