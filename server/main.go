// Command server is alkalog: the back-end that salon software embeds as its
// chemical-service module.
//
//	go run ./server          serve on 127.0.0.1:7420 with a private PostgreSQL
//	go run ./server demo     play an invented salon day and tell it
//	go run ./server --help   everything else
//
// Results go to standard output, everything else to standard error. The exit
// code is 0 when all went well, 1 after an error, 2 for wrong usage, and 3 when
// a verification came out false.
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

// commands are what can be asked on the command line.
type commands struct {
	Serve       serveCommand       `cmd:"" default:"withargs" help:"Serve, until interrupted. This is what happens without a command."`
	Migrate     migrateCommand     `cmd:"" help:"Bring the schema of a database up to this program's."`
	Keys        keysCommands       `cmd:"" help:"Make the keys and certificates of an installation, issue those of tills, and make them anew."`
	Token       tokenCommand       `cmd:"" help:"Sign a token with the installation's own key, and print it."`
	Demo        demoCommand        `cmd:"" help:"Play an invented day of a small chain of salons against a real server, and tell it."`
	CheckConfig checkConfigCommand `cmd:"" help:"Print the configuration that serve would use, without secrets, and whether it can work."`
	Rules       rulesCommand       `cmd:"" help:"Print the built-in rules with their basis and override terms, as a page of Markdown."`
	Access      accessCommand      `cmd:"" help:"Print who may call what, as a page of Markdown."`
	Replay      replayCommand      `cmd:"" help:"Decide the decisions of a database again and say what differs; exit code 3 when anything does."`
	Session     sessionCommand     `cmd:"" help:"Draw a session of a database as a picture."`
	Audit       auditCommands      `cmd:"" help:"What an auditor does: list, count, copy, verify, report."`
	Client      clientCommands     `cmd:"" help:"What concerns one client: hand out everything that is kept, or erase it."`
	Healthcheck healthcheckCommand `cmd:"" help:"Ask a running server whether it is ready, for probes; exit code 1 when it is not."`
	Version     versionCommand     `cmd:"" help:"Print the version."`
}

// streams are where a command writes: results to out, all else to err.
type streams struct{ out, err io.Writer }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop)   // the second signal ends the process at once
	signal.Ignore(syscall.SIGPIPE) // a reader that went away is an error to clean up after
	os.Exit(run(ctx, os.Args[1:], streams{os.Stdout, os.Stderr}))
}

// run carries out a command line and returns the exit code.
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

// usage is an error of whoever typed the command.
type usage struct{ error }

// ExitCode is that of wrong usage.
func (usage) ExitCode() int { return 2 }

// exitCode is the one that an error brings, or 1.
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
