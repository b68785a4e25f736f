package main

import (
	"context"
	"fmt"

	"alkalog/server/serve"
)

// migrateCommand migrates the schema of a database.
type migrateCommand struct{ databaseFlags }

// Run migrates the schema and prints the database.
func (c migrateCommand) Run(ctx context.Context, std streams) error {
	cfg, err := c.config()
	if err != nil {
		return err
	}
	database, err := serve.Migrate(ctx, cfg)
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s is up to date\n", database)
	return nil
}
