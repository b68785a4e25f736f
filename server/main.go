// Command server is alkalog: the back-end that salon software embeds as its
// chemical-service module.
//
//	go run ./server          serve on 127.0.0.1:7420 with a private PostgreSQL
//	go run ./server demo     play an invented day in two salons
//	go run ./server --help   list all commands
//
// # Commands
//
// Every command is a type with a Run method, in a file of its own; the flags are
// its fields. A command parses and checks its flags, calls one of the packages
// below server and formats the result. It holds no logic of its own, so
// everything that a command does can also be called and tested without a command
// line.
//
// There are four groups:
//
//   - serve, check-config, migrate, maintain, status and accept-restore run, prepare or
//     examine the server. They need the database and the server's keys.
//   - keys and token make files and need neither database nor server.
//   - audit and client are gRPC clients (audit has a command for each question that an
//     auditor asks, see AUDITING.md): they call a running server, or start one for
//     themselves on a database (clientFlags). They can do what their identity may do
//     and no more.
//   - rules, access, version, demo, replay, session and healthcheck need no setting
//     up, or read only.
//
// # Flags and environment
//
// A flag of serve can be set in the environment as ALKALOG_ and its name, for
// process supervisors. Flags of client commands have ALKALOG_CLIENT_, so that the
// environment of a server on the same machine does not change which server they
// call: that ALKALOG_DATABASE is set must not make a client command open that
// database. A flag on the command line wins over the environment.
//
// Secrets never come from the command line, which every user of the machine can
// read: tokens and keys are files, and a connection string with a password is
// accepted from the environment only.
//
// # Output
//
// Results go to standard output, everything else (progress, warnings, hints) to
// standard error, so that a result can be piped. Lists are a table on a terminal
// and one JSON value a line otherwise. Text from the database is made safe before
// it reaches a terminal (report.Visible). Progress is shown on a terminal only.
//
// A file that a command writes is complete or not there: it is written beside its
// place and renamed (moveInPlace). Files with personal data are readable by their
// owner only.
//
// # Names
//
// A chain can be given by its name or its id. In filters of the audit commands the last
// part of a resource name is enough, because that is what tables print: the server looks
// it up, completes it, and refuses what nothing has. A command that acts on one record
// (erase, link, export, prove) needs the full name, so that nothing happens to another
// record by a typing error.
//
// # Which command in which trouble
//
// Three commands are for the hour in which something is wrong, so they need as little as
// they can and say what to do next:
//
//   - healthcheck asks a running server, and nothing else. It is for probes.
//   - status reads the database and the files of a server and needs no running one. If the
//     database cannot be read, it says why and shows what the files say.
//   - accept-restore is the only way past LOG_MISMATCH. It shows first, and accepts only with
//     the system identifier that it has shown.
//
// maintain postgres gives a program of PostgreSQL the private database, which otherwise only
// its server can reach: for dumps, and for another major version. With a database of one's
// own, those programs are run as usual.
//
// # Names of the program
//
// The pages install it as alkalog, and every text calls it that. Only the usage line shows
// the name that it was started by, which is server for go run ./server.
//
// # Exit codes
//
// 0: success. 1: an error; the command may be tried again. 2: wrong usage; the
// command line must be changed. 3: a verification failed: the command has worked,
// and the data are not what they should be. A program that calls these commands
// can rely on the codes; the texts may change.
//
// # Interruption
//
// The first interrupt or SIGTERM cancels the context: the server drains, a
// command ends its call and removes what is incomplete. The second ends the
// process at once.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"

	"github.com/alecthomas/kong"

	"alkalog/server/serve"
)

// commands lists the commands. The order is that of the help. The help text of
// each is what a user reads first, so it says what the command changes.
type commands struct {
	Serve         serveCommand         `cmd:"" default:"withargs" help:"Run the server until it is interrupted. This is the default command."`
	Migrate       migrateCommand       `cmd:"" help:"Migrate the schema of a database to the version of this program."`
	Maintain      maintainCommands     `cmd:"" help:"Maintenance commands: recompute search columns."`
	Status        statusCommand        `cmd:"" help:"Print the state of a database and of a server's files: who leads the logs, how far behind they are, what is read-only and why. No server need run."`
	AcceptRestore acceptRestoreCommand `cmd:"" help:"Accept a database that is older than the last checkpoints. Without --confirm, print what would be given up."`
	Keys          keysCommands         `cmd:"" help:"Create the keys and certificates of an installation, issue client certificates, and rotate keys."`
	Token         tokenCommand         `cmd:"" help:"Sign a token with the installation's own key and print it."`
	Demo          demoCommand          `cmd:"" help:"Play an invented day in two salons against a real server and print what happens."`
	CheckConfig   checkConfigCommand   `cmd:"" help:"Print the configuration that serve would use, without secrets, and check it."`
	Rules         rulesCommand         `cmd:"" help:"Print the built-in rules with their sources and override terms, as Markdown."`
	Access        accessCommand        `cmd:"" help:"Print which role may call which RPC, as Markdown."`
	Replay        replayCommand        `cmd:"" help:"Evaluate the stored decisions of a database again and print the differences. Exit code 3 if there are any."`
	Session       sessionCommand       `cmd:"" help:"Draw a session of a database as an SVG file."`
	Audit         auditCommands        `cmd:"" help:"Audit commands: list, count, copy, verify, prove, report."`
	Client        clientCommands       `cmd:"" help:"Commands for one client's data: export, erase or link it."`
	School        schoolCommands       `cmd:"" help:"Commands for a school: cases, attempts, marks, what the class misses."`
	Import        importCommand        `cmd:"" help:"Import clients and their records from a file of another system. Exit code 3 if lines were refused."`
	Healthcheck   healthcheckCommand   `cmd:"" help:"Ask a running server for its health, for probes. Exit code 1 if it is not serving."`
	Version       versionCommand       `cmd:"" help:"Print the version."`
}

// streams are the outputs of a command: results go to out, everything else to
// err. Tests pass buffers.
type streams struct{ out, err io.Writer }

// main runs the command line of the process. Everything else is in run, which
// tests call.
func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop)   // restore the default: a second signal ends the process at once
	signal.Ignore(syscall.SIGPIPE) // writing to a closed pipe returns an error instead, so that the command can clean up
	os.Exit(run(ctx, os.Args[1:], streams{os.Stdout, os.Stderr}))
}

// run executes a command line and returns the exit code. Errors are printed once,
// here, with the name of the program. Help and usage go to where the parser
// writes them.
func run(ctx context.Context, args []string, std streams) int {
	helped := false
	parser, err := kong.New(new(commands), kong.Name(programName(os.Args[0])), kong.Description(about), kong.Writers(std.out, std.err),
		kong.Exit(func(int) { helped = true }), kong.BindTo(ctx, (*context.Context)(nil)), kong.Bind(std), kong.Vars{"address": serve.DefaultAddress})
	if err != nil {
		fmt.Fprintf(std.err, "%s: %v\n", programName(os.Args[0]), err)
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
		fmt.Fprintf(std.err, "%s: %v\n", programName(os.Args[0]), err)
	}
	return exitCode(err)
}

// programName is the name that the program was started by, for its help: alkalog where it
// is installed as the pages say, server for go run ./server. Texts that name a command
// call it alkalog.
func programName(path string) string {
	if name := filepath.Base(path); name == "server" {
		return name
	}
	return "alkalog"
}

// usage is an error in the command line: repeating the command does not help.
type usage struct{ error }

// ExitCode returns 2, the exit code of wrong usage.
func (usage) ExitCode() int { return 2 }

// exitCode returns the exit code of an error, by default 1. An error says its own
// code by a method ExitCode, also inside a joined error. Only usage,
// verificationFailed and replayDiffers have one.
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

// about is printed above the list of commands.
const about = `alkalog keeps the record of chemical services to hair: consultation, decision, the service on the clock, outcome, and who overrode what.

The manufacturer's directions come first. Local codes and licensed practice come before anything it says. It never diagnoses; it refers.`
