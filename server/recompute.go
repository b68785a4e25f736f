package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"alkalog/server/serve"
)

// maintainCommands are for the operator, after an upgrade or a repair. Each can
// be interrupted and continued.
type maintainCommands struct {
	Postgres         postgresCommand  `cmd:"" help:"Run a program of PostgreSQL, such as pg_dump, on the private database, which must not be in use."`
	RecomputeColumns recomputeCommand `cmd:"" help:"Recompute the search columns of clients' records from their sealed bodies: after a migration that adds one, or when verify --records reports changed ones. Servers may run meanwhile."`
}

// recomputeCommand recomputes search columns. Search columns repeat values of
// sealed bodies, which SQL cannot read, so no migration can fill them. The role
// of the server may not change stored records, so it needs that of the owner.
type recomputeCommand struct {
	databaseFlags
	OwnerDatabase string `env:"ALKALOG_OWNER_DATABASE" placeholder:"DSN" help:"With --database: connection string of the role that migrates, alkalog_migrator or a superuser."`
	ErasureFile   string `env:"ALKALOG_ERASURE_FILE" type:"path" placeholder:"FILE" help:"File that keeps which clients were erased; their records are not opened."`
	Resume        string `placeholder:"CHAIN/TABLE/PARENT/ID" help:"Continue after the position that an interrupted run printed last."`
}

// Run recomputes chain after chain, and prints the position after each page. An
// interrupted run has committed all pages up to the position that it printed
// last, and continues there with --resume.
//
// Positions go to standard error, the total to standard output. The total is
// printed even after an error, since those records were updated.
func (c recomputeCommand) Run(ctx context.Context, std streams) error {
	cfg, err := c.reading()
	if err != nil {
		return err
	}
	if serve.HasPassword(c.OwnerDatabase) && c.OwnerDatabase != os.Getenv("ALKALOG_OWNER_DATABASE") {
		return usage{errors.New("other users can read a password on the command line: set the connection string in the environment variable ALKALOG_OWNER_DATABASE")}
	}
	cfg.ErasureFile = c.ErasureFile
	chain, at := "", serve.ColumnsPosition{}
	if c.Resume != "" {
		parts := strings.Split(c.Resume, "/")
		if len(parts) != 4 {
			return usage{fmt.Errorf("--resume is %q: want CHAIN/TABLE/PARENT/ID", c.Resume)}
		}
		chain, at = parts[0], serve.ColumnsPosition{Table: parts[1], Parent: parts[2], ID: parts[3]}
	}
	total, err := serve.RecomputeColumns(ctx, cfg, c.OwnerDatabase, chain, at, func(chain string, at serve.ColumnsPosition) {
		fmt.Fprintf(std.err, "%s/%s/%s/%s\n", chain, at.Table, at.Parent, at.ID)
	})
	fmt.Fprintf(std.out, "%d records had other search columns and were updated\n", total)
	return err
}
