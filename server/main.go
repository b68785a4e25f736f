// Command server is alkalog: the back-end that salon software embeds as its
// chemical-service module.
//
//	go run ./server          serve on 127.0.0.1:7420 with a private PostgreSQL
//	go run ./server demo     play an invented day in two salons
//	go run ./server --help   list all commands
//
// Every command is a type with a Run method, in a file of its own; the flags are
// its fields. A command parses and checks its flags, calls one of the packages
// below server and formats the result. Commands for auditors and client data are
// gRPC clients: they call a running server, or start one for themselves on a
// database.
//
// Results go to standard output, everything else to standard error. The exit code
// is 0 on success, 1 after an error, 2 for wrong usage, and 3 if a verification
// failed.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"

	"alkalog/server/serve"
)

// commands lists the commands.
type commands struct {
	Serve       serveCommand       `cmd:"" default:"withargs" help:"Run the server until it is interrupted. This is the default command."`
	Migrate     migrateCommand     `cmd:"" help:"Migrate the schema of a database to the version of this program."`
	Maintain    maintainCommands   `cmd:"" help:"Maintenance commands: recompute search columns."`
	Keys        keysCommands       `cmd:"" help:"Create the keys and certificates of an installation, issue client certificates, and rotate keys."`
	Token       tokenCommand       `cmd:"" help:"Sign a token with the installation's own key and print it."`
	Demo        demoCommand        `cmd:"" help:"Play an invented day in two salons against a real server and print what happens."`
	CheckConfig checkConfigCommand `cmd:"" help:"Print the configuration that serve would use, without secrets, and check it."`
	Rules       rulesCommand       `cmd:"" help:"Print the built-in rules with their sources and override terms, as Markdown."`
	Access      accessCommand      `cmd:"" help:"Print which role may call which RPC, as Markdown."`
	Replay      replayCommand      `cmd:"" help:"Evaluate the stored decisions of a database again and print the differences. Exit code 3 if there are any."`
	Session     sessionCommand     `cmd:"" help:"Draw a session of a database as an SVG file."`
	Audit       auditCommands      `cmd:"" help:"Audit commands: list, count, copy, verify, prove, report."`
	Client      clientCommands     `cmd:"" help:"Commands for one client's data: export or erase it."`
	Healthcheck healthcheckCommand `cmd:"" help:"Ask a running server for its health, for probes. Exit code 1 if it is not serving."`
	Version     versionCommand     `cmd:"" help:"Print the version."`
}

// streams are the outputs of a command: results go to out, everything else to err.
type streams struct{ out, err io.Writer }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop)   // restore the default: a second signal ends the process at once
	signal.Ignore(syscall.SIGPIPE) // writing to a closed pipe returns an error instead, so that the command can clean up
	os.Exit(run(ctx, os.Args[1:], streams{os.Stdout, os.Stderr}))
}

// run executes a command line and returns the exit code.
func run(ctx context.Context, args []string, std streams) int {
	helped := false
	parser, err := kong.New(new(commands), kong.Name("server"), kong.Description(about), kong.Writers(std.out, std.err),
		kong.Exit(func(int) { helped = true }), kong.BindTo(ctx, (*context.Context)(nil)), kong.Bind(std), kong.Vars{"address": serve.DefaultAddress})
	if err != nil {
		fmt.Fprintln(std.err, "server:", err)
		return 1
	}
	command, err := parser.Parse(args)
	switch {
	case helped:
		return 0
	case err != nil:
		err = usage{err}
	default:
		err = command.Run()
	}
	if err != nil {
		fmt.Fprintln(std.err, "server:", err)
	}
	return exitCode(err)
}

// usage is an error in the command line.
type usage struct{ error }

// ExitCode returns 2, the exit code of wrong usage.
func (usage) ExitCode() int { return 2 }

// exitCode returns the exit code of an error, by default 1.
func exitCode(err error) int {
	var coder kong.ExitCoder
	switch {
	case err == nil:
		return 0
	case errors.As(err, &coder):
		return coder.ExitCode()
	}
	return 1
}

const about = `alkalog keeps the record of chemical services to hair: consultation, decision, the service on the clock, outcome, and who overrode what.

The manufacturer's directions come first. Local codes and licensed practice come before anything it says. It never diagnoses; it refers.`
