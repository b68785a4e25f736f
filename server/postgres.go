package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"

	"alkalog/server/serve"
)

// postgresCommand runs the private PostgreSQL without a server, and a program of
// PostgreSQL beside it, such as pg_dump. It is how an operator takes the private database
// to another major version, whose programs cannot read its files. No server can use the
// database meanwhile, because the data directory has one owner.
//
// The cluster is not migrated, so that a dump is of what was there. A directory that does
// not exist is an error: a typing error must not make an empty database to dump.
//
// The program gets the superuser's rights and this command's standard input and outputs, so
// it can be part of a pipe. A server that runs on the directory is named in the error, with
// its process ID; stop it first. Nothing is kept of what the program did: who restores a
// dump runs audit verify --records afterwards.
type postgresCommand struct {
	DataDir string   `env:"ALKALOG_DATA_DIR" type:"path" placeholder:"DIR" help:"Directory of the private PostgreSQL. Default: /var/lib/alkalog for root, otherwise alkalog in $$XDG_DATA_HOME or ~/.local/share."`
	PGBin   string   `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"Directory of the programs of the private PostgreSQL. Default: the usual locations are searched."`
	Command []string `arg:"" passthrough:"" help:"Program and its arguments. It finds the database by PGHOST, PGPORT, PGUSER and PGDATABASE, which are set."`
}

// Run starts the cluster, runs the program and stops the cluster again. The exit code is 1
// if the program fails. It has the superuser's rights on the database.
func (c postgresCommand) Run(ctx context.Context, std streams) (err error) {
	command := c.Command
	if len(command) > 0 && command[0] == "--" {
		command = command[1:]
	}
	if len(command) == 0 {
		return usage{errors.New("give a program to run, such as: -- pg_dump --format=custom --file FILE")}
	}
	cfg, err := databaseFlags{DataDir: c.DataDir, PGBin: c.PGBin}.config()
	if err != nil {
		return err
	}
	if err := exists(cfg.DataDir); err != nil {
		return err
	}
	return serve.WithPrivatePostgres(ctx, cfg, func(environment []string) error {
		program := exec.CommandContext(ctx, command[0], command[1:]...)
		program.Env = append(os.Environ(), environment...)
		program.Stdin, program.Stdout, program.Stderr = os.Stdin, std.out, std.err
		if err := program.Run(); err != nil {
			return fmt.Errorf("%s: %w", command[0], err)
		}
		return nil
	})
}
