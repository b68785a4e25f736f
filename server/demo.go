package main

import (
	"context"
	"time"

	"alkalog/server/demo"
	"alkalog/server/serve"
)

// demoCommand runs the demo. The demo shows every part of the program in some
// minutes and needs no setting up. All its names, products and figures are
// invented.
type demoCommand struct {
	JSON    bool   `name:"json" env:"ALKALOG_DEMO_JSON" help:"Print one JSON object per call instead of the story."`
	DataDir string `env:"ALKALOG_DEMO_DATA_DIR" type:"path" placeholder:"DIR" help:"Directory to keep the database in. Default: a temporary directory, which is removed at the end."`
	PGBin   string `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"Directory of the programs of the private PostgreSQL. Default: the usual locations are searched."`
}

// Run starts a server and plays the demo against it. The demo sets the server's
// clock, so a day passes without waiting.
func (c demoCommand) Run(ctx context.Context, std streams) error {
	start := func(ctx context.Context, dir string, now func() time.Time) (demo.Server, error) {
		return serve.Start(ctx, serve.Config{
			CoverageInterval: time.Hour, // no coverage entries during the demo, so that every run has the same audit entries
			Address:          "127.0.0.1:0", DataDir: dir, PGBin: c.PGBin, Clock: now, Development: true,
		})
	}
	return demo.Run(ctx, demo.Options{JSON: c.JSON, Out: std.out, Progress: std.err, Dir: c.DataDir, Start: start})
}
