package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"google.golang.org/grpc"

	"alkalog/server/client"
	"alkalog/server/report"
	"alkalog/server/serve"
)

// clientFlags select the server to call and the caller's identity. The server is
// one that is running, or one that the command starts on a database for itself.
// With --data-dir or --database the command starts a server on a free loopback
// port and calls that, so that every command works the same way with and without
// a running server, and with the same checks.
//
// The default identity is a development identity of the role that the command
// needs. A server with other identities refuses it, and the error says which
// proof it accepts.
type clientFlags struct {
	Address   string `env:"ALKALOG_CLIENT_ADDRESS" placeholder:"HOST:PORT" help:"Host and port of the server. Default: ${address}. Plaintext on loopback unless --ca-file or --cert-file is given; TLS otherwise."`
	CAFile    string `name:"ca-file" env:"ALKALOG_CLIENT_CA_FILE" type:"path" placeholder:"FILE" help:"File with the CA certificates (PEM) that the server's certificate must chain to. Default: the system's CA certificates."`
	CertFile  string `env:"ALKALOG_CLIENT_CERT_FILE" type:"path" placeholder:"FILE" help:"File with your client certificate (PEM), if you authenticate with one."`
	KeyFile   string `env:"ALKALOG_CLIENT_KEY_FILE" type:"path" placeholder:"FILE" help:"File with the private key of --cert-file (PEM), readable only by you."`
	TokenFile string `env:"ALKALOG_CLIENT_TOKEN_FILE" type:"path" placeholder:"FILE" help:"File with your token, if you authenticate with one, readable only by you."`
	Identity  string `env:"ALKALOG_CLIENT_IDENTITY" placeholder:"'role=ROLE name=NAME'" help:"Development identity, for a loopback server that accepts them. Default: an auditor of the chain; a manager for what an auditor may not do."`
	DataDir   string `type:"path" placeholder:"DIR" help:"Start a server for this command on the private PostgreSQL in this directory, instead of calling a running one."`
	Database  string `placeholder:"DSN" help:"Start a server for this command on this PostgreSQL (connection string), instead of calling a running one. Keep the password in PGPASSFILE: other users of the machine can read command lines."`
	KeysDir   string `env:"ALKALOG_KEYS_DIR" type:"path" placeholder:"DIR" help:"With --database: directory of the server's keys."`
	PGBin     string `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"With --data-dir: directory of the PostgreSQL programs. Default: the usual locations are searched."`
}

// open returns a connection and a function that closes it together with
// everything that was started for it. The role is used for the default
// development identity. A server that was started here accepts development
// identities and is reachable from this machine only, while the command runs.
func (f clientFlags) open(ctx context.Context, std streams, chain, role string) (*grpc.ClientConn, func() error, error) {
	f, err := f.oneServer()
	if err != nil {
		return nil, nil, err
	}
	target := client.Target{Address: f.Address, CAFile: f.CAFile, CertFile: f.CertFile, KeyFile: f.KeyFile, TokenFile: f.TokenFile, Identity: f.Identity}
	if target.Identity == "" {
		target.Identity = fmt.Sprintf("role=%s name=%s/%ss/command-line", role, chain, role)
	}
	if target.Address == "" {
		target.Address = serve.DefaultAddress
	}
	// The server stops after the connection is closed, even if ctx is done by
	// then.
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

// oneServer settles which server is meant. A database on the command line wins over
// an address in the environment; two of the three on the command line are an error of
// usage.
func (f clientFlags) oneServer() (clientFlags, error) {
	switch {
	case f.DataDir != "" && f.Database != "":
		return f, usage{errors.New("--data-dir and --database can't be used together")}
	case f.Address == "" || f.DataDir == "" && f.Database == "":
		return f, nil
	case f.Address != os.Getenv("ALKALOG_CLIENT_ADDRESS"):
		return f, usage{errors.New("--address can't be used together with --data-dir or --database")}
	}
	f.Address = ""
	return f, nil
}

// start starts a server for this command on a free loopback port. A data
// directory that does not exist is an error: a typing error must not create a new
// database. It binds port 0 on loopback, so that several commands can run at the
// same time.
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

// with opens a connection, passes it to use and closes it. It makes errors of
// calls readable; an INVALID_ARGUMENT exits with the code of wrong usage. Errors
// of the call and of closing are both reported.
func (f clientFlags) with(ctx context.Context, std streams, chain, role string, use func(*grpc.ClientConn) error) error {
	conn, leave, err := f.open(ctx, std, chain, role)
	if err != nil {
		return err
	}
	err = use(conn)
	left := leave()
	// The caller sent something wrong, and repeating it would not help.
	if err != nil && client.IsInvalidArgument(err) {
		return usage{client.Readable(err)}
	}
	return errors.Join(client.Readable(err), left)
}

// chainName returns the resource name of a chain that is given by name or by ID.
// Both forms are accepted wherever a command takes a chain. A name that is wrong
// is refused by the server.
func chainName(text string) string {
	if strings.Contains(text, "/") {
		return text
	}
	return "chains/" + text
}

// periodFlags select a period. Times are of recording, since that is the order of
// the log.
type periodFlags struct {
	From string `placeholder:"TIME" help:"Start of the period, inclusive, by record time: a day such as 2026-11-03 (from 00:00 UTC) or a time such as 2026-11-03T09:00:00Z. Default: no lower bound."`
	To   string `placeholder:"TIME" help:"End of the period, exclusive, in the format of --from. Default: no upper bound."`
}

// times returns the bounds of the period; a bound that was not given is the zero
// time. An empty period is wrong usage: it is a typing error more often than
// intended. Both bounds are in UTC.
func (f periodFlags) times() (from, to time.Time, err error) {
	if from, err = parseInstant("--from", f.From); err != nil {
		return from, to, err
	}
	if to, err = parseInstant("--to", f.To); err != nil {
		return from, to, err
	}
	if !from.IsZero() && !to.IsZero() && !from.Before(to) {
		return from, to, usage{fmt.Errorf("--from %s must be before --to %s", f.From, f.To)}
	}
	return from, to, nil
}

// parseInstant parses a day or a time. A day begins at 00:00 UTC on every
// machine.
func parseInstant(flag, text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	for _, layout := range []string{time.DateOnly, time.RFC3339} {
		if at, err := time.Parse(layout, text); err == nil {
			return at.UTC(), nil
		}
	}
	return time.Time{}, usage{fmt.Errorf("%s %q: want a day such as 2026-11-03 or a time such as 2026-11-03T09:00:00Z", flag, text)}
}

// progress returns a function that shows progress on one line of a terminal. If
// the output is not a terminal it shows nothing. At most five times a second, so
// that the output does not slow the work down. done ends the line. tell must not
// be called after done.
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
