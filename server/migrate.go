package main

import (
	"context"
	"fmt"

	"alkalog/server/serve"
)

// migrateCommand migrates the schema of a database. A private database is
// migrated at each start without it. A shared one is migrated by hand, by a role
// that owns the schema, before servers of the new version start.
//
// Migrating and finishing are two steps, so that servers of the old version and of the
// new one can run side by side in between.
type migrateCommand struct {
	databaseFlags
	Finish bool `help:"Afterwards let only servers of this version or newer write. Give it when no older server runs any more."`
}

// Run migrates the schema and prints the database. A database that is up to date
// is left as it is. Two migrations at a time wait for each other. An error leaves
// the schema at the last migration that was committed.
func (c migrateCommand) Run(ctx context.Context, std streams) error {
	cfg, err := c.config()
	if err != nil {
		return err
	}
	database, err := serve.Migrate(ctx, cfg, c.Finish)
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s is up to date\n", database)
	return nil
}
