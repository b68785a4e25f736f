package main

import (
	"context"

	"alkalog/server/demo"
)

// demoCommand plays an invented day.
type demoCommand struct {
	JSON    bool   `name:"json" env:"ALKALOG_DEMO_JSON" help:"Print one JSON object per call instead of the story."`
	DataDir string `env:"ALKALOG_DEMO_DATA_DIR" type:"path" placeholder:"DIR" help:"Where to keep the database. Default: in a temporary directory, which is removed at the end."`
	PGBin   string `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"Directory of the programs of the private PostgreSQL. Default: they are searched for."`
}

// Run plays it.
func (c demoCommand) Run(ctx context.Context, std streams) error {
	return demo.Run(ctx, demo.Options{JSON: c.JSON, Out: std.out, Progress: std.err, Dir: c.DataDir, PGBin: c.PGBin})
}
