package main

import (
	"context"
	"fmt"

	"alkalog/server/serve"
)

// migrateCommand brings the schema of a database up to date.
type migrateCommand struct{ databaseFlags }

// Run migrates, and says what.
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
