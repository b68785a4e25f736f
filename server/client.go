package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc"

	"alkalog/server/client"
	"alkalog/server/report"
	"alkalog/server/serve"
)

// clientFlags say which server to ask, and as whom: one that runs, or one of
// the command's own on a database.
type clientFlags struct {
	Address   string `xor:"server" env:"ALKALOG_CLIENT_ADDRESS" placeholder:"HOST:PORT" help:"The server to ask. Default: ${address}. In the clear on loopback, unless --ca-file or --cert-file is given; by TLS everywhere else."`
	CAFile    string `name:"ca-file" env:"ALKALOG_CLIENT_CA_FILE" type:"path" placeholder:"FILE" help:"Certificates (PEM) of whoever vouches for the server. Default: those that this machine trusts."`
	CertFile  string `env:"ALKALOG_CLIENT_CERT_FILE" type:"path" placeholder:"FILE" help:"Your certificate (PEM), if that is how you are known."`
	KeyFile   string `env:"ALKALOG_CLIENT_KEY_FILE" type:"path" placeholder:"FILE" help:"The key of --cert-file (PEM), readable by you alone."`
	TokenFile string `env:"ALKALOG_CLIENT_TOKEN_FILE" type:"path" placeholder:"FILE" help:"Your token, if that is how you are known, in a file readable by you alone."`
	Identity  string `env:"ALKALOG_CLIENT_IDENTITY" placeholder:"'role=ROLE name=NAME'" help:"Development identity, for a server on loopback that believes callers. Default: an auditor of the chain, or for what an auditor may not do, a manager."`
	DataDir   string `xor:"server" type:"path" placeholder:"DIR" help:"Instead of a server that runs: start one for this command, on the private PostgreSQL in this directory."`
	Database  string `xor:"server" placeholder:"DSN" help:"The same, on this PostgreSQL. Keep the password in PGPASSFILE: other users of the machine can read command lines."`
	KeysDir   string `env:"ALKALOG_KEYS_DIR" type:"path" placeholder:"DIR" help:"With --database: the directory of the server's secrets."`
	PGBin     string `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"With --data-dir: directory of PostgreSQL's programs. Default: they are searched for."`
}

// open returns a connection, and what closes it and all that was started for
// it. The role is the development identity's when none is given.
func (f clientFlags) open(ctx context.Context, std streams, chain, role string) (*grpc.ClientConn, func() error, error) {
	target := client.Target{Address: f.Address, CAFile: f.CAFile, CertFile: f.CertFile, KeyFile: f.KeyFile, TokenFile: f.TokenFile, Identity: f.Identity}
	if target.Identity == "" {
		target.Identity = fmt.Sprintf("role=%s name=%s/%ss/command-line", role, chain, role)
	}
	if target.Address == "" {
		target.Address = serve.DefaultAddress
	}
	stop := func() error { return nil }
	if f.DataDir != "" || f.Database != "" {
		server, err := f.start(ctx, std)
		if err != nil {
			return nil, nil, err
		}
		stop = func() error { server.Stop(context.WithoutCancel(ctx)); return server.Wait() }
		target.Address, target.CAFile, target.CertFile, target.KeyFile, target.TokenFile = server.Addr(), "", "", "", ""
	}
	conn, err := target.Open()
	if err != nil {
		return nil, nil, errors.Join(err, stop())
	}
	return conn, func() error { return errors.Join(conn.Close(), stop()) }, nil
}

// start starts a server of this command's own, on a free port of this machine.
func (f clientFlags) start(ctx context.Context, std streams) (*serve.Server, error) {
	if f.Database != "" && f.KeysDir == "" {
		return nil, errNoKeys
	}
	if f.DataDir != "" {
		if err := exists(f.DataDir); err != nil {
			return nil, err
		}
	}
	if report.IsTerminal(std.err) {
		fmt.Fprintln(std.err, "starting a server for this command")
	}
	return serve.Start(ctx, serve.Config{Address: "127.0.0.1:0", DataDir: f.DataDir, Database: f.Database, KeysDir: f.KeysDir, PGBin: f.PGBin, Development: true})
}

// with opens a connection, hands it to use, and closes it. Errors of calls come
// back in plain words, with the exit code of wrong usage if the server found
// what was asked not right.
func (f clientFlags) with(ctx context.Context, std streams, chain, role string, use func(*grpc.ClientConn) error) error {
	conn, leave, err := f.open(ctx, std, chain, role)
	if err != nil {
		return err
	}
	err = use(conn)
	left := leave()
	if err != nil && client.IsInvalidArgument(err) {
		return usage{client.Readable(err)}
	}
	return errors.Join(client.Readable(err), left)
}

// chainName is a chain's resource name, given as such or as the id alone.
func chainName(text string) string {
	if strings.Contains(text, "/") {
		return text
	}
	return "chains/" + text
}

// periodFlags say which time is meant.
type periodFlags struct {
	From string `placeholder:"TIME" help:"Recorded at this time or later: a day such as 2026-11-03, its beginning in UTC, or a time such as 2026-11-03T09:00:00Z. Default: from the beginning."`
	To   string `placeholder:"TIME" help:"Recorded before this time, written as with --from. Default: to the end."`
}

// times are the ends of the period; the zero time where there is none.
func (f periodFlags) times() (from, to time.Time, err error) {
	if from, err = parseInstant("--from", f.From); err != nil {
		return from, to, err
	}
	if to, err = parseInstant("--to", f.To); err != nil {
		return from, to, err
	}
	if !from.IsZero() && !to.IsZero() && !from.Before(to) {
		return from, to, usage{fmt.Errorf("--from %s is not before --to %s", f.From, f.To)}
	}
	return from, to, nil
}

// parseInstant reads a day or a time.
func parseInstant(flag, text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	for _, layout := range []string{time.DateOnly, time.RFC3339} {
		if at, err := time.Parse(layout, text); err == nil {
			return at.UTC(), nil
		}
	}
	return time.Time{}, usage{fmt.Errorf("%s %q is neither a day such as 2026-11-03 nor a time such as 2026-11-03T09:00:00Z", flag, text)}
}

// progress tells how far something is, on one line of a terminal; to anything
// else it says nothing.
func progress(std streams, what string) (tell func(done, of int64), done func()) {
	if !report.IsTerminal(std.err) {
		return func(int64, int64) {}, func() {}
	}
	var last time.Time
	return func(done, of int64) {
			if time.Since(last) < 200*time.Millisecond && done != of {
				return
			}
			last = time.Now()
			fmt.Fprintf(std.err, "\r%s: %d of %d", what, done, of)
		}, func() {
			if !last.IsZero() {
				fmt.Fprintln(std.err)
			}
		}
}
