package main

import (
	"context"
	"time"

	"alkalog/server/demo"
	"alkalog/server/serve"
)

// demoCommand plays an invented day.
type demoCommand struct {
	JSON    bool   `name:"json" env:"ALKALOG_DEMO_JSON" help:"Print one JSON object per call instead of the story."`
	DataDir string `env:"ALKALOG_DEMO_DATA_DIR" type:"path" placeholder:"DIR" help:"Where to keep the database. Default: in a temporary directory, which is removed at the end."`
	PGBin   string `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"Directory of the programs of the private PostgreSQL. Default: they are searched for."`
}

// Run plays it.
func (c demoCommand) Run(ctx context.Context, std streams) error {
	start := func(ctx context.Context, dir string, now func() time.Time) (demo.Server, error) {
		return serve.Start(ctx, serve.Config{
			CoverEvery: time.Hour, // so that every run has the same audit entries
			Address:    "127.0.0.1:0", DataDir: dir, PGBin: c.PGBin, Clock: now, Development: true,
		})
	}
	return demo.Run(ctx, demo.Options{JSON: c.JSON, Out: std.out, Progress: std.err, Dir: c.DataDir, Start: start})
}
