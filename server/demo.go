package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"alkalog/server/demo"
	"alkalog/server/serve"
)

// demoCommand runs the demo. The demo shows every part of the program in some
// minutes and needs no setting up. All its names, products and figures are
// invented.
type demoCommand struct {
	JSON    bool   `name:"json" env:"ALKALOG_DEMO_JSON" help:"Print one JSON object per call instead of the story."`
	Month   bool   `env:"ALKALOG_DEMO_MONTH" help:"Play an invented month of a chain instead, and print what it came to."`
	School  bool   `env:"ALKALOG_DEMO_SCHOOL" help:"Play an invented class of a school instead: cases, attempts, marks, and what the class should repeat."`
	Visits  int    `env:"ALKALOG_DEMO_VISITS" default:"3000" help:"Number of visits of the month."`
	Salons  int    `env:"ALKALOG_DEMO_SALONS" default:"20" help:"Number of salons of the month, with three chairs each."`
	Seed    uint64 `env:"ALKALOG_DEMO_SEED" help:"Seed of the month. Default: by the clock; it is printed."`
	DataDir string `env:"ALKALOG_DEMO_DATA_DIR" type:"path" placeholder:"DIR" help:"Directory to keep the database in. Default: a temporary directory, which is removed at the end."`
	PGBin   string `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"Directory of the programs of the private PostgreSQL. Default: the usual locations are searched."`
}

// Run starts a server and plays the demo against it. The demo sets the server's
// clock, so a day passes without waiting. With --month it plays many invented
// visits instead of one day; a seed makes the same month again. A month that misses
// one of its goals is an error, so that a script notices.
func (c demoCommand) Run(ctx context.Context, std streams) error {
	start := func(ctx context.Context, dir string, now func() time.Time) (demo.Server, error) {
		return serve.Start(ctx, serve.Config{
			CoverageInterval: time.Hour, // no coverage entries during the demo, so that every run has the same audit entries
			Address:          "127.0.0.1:0", DataDir: dir, PGBin: c.PGBin, Clock: now, Development: true, Progress: progressTo(std.err),
		})
	}
	options := demo.Options{JSON: c.JSON, Out: std.out, Progress: std.err, Dir: c.DataDir, Start: start}
	if c.School {
		return demo.RunSchool(ctx, options)
	}
	if !c.Month {
		return demo.Run(ctx, options)
	}
	return demo.RunMonth(ctx, options, demo.Month{
		Visits: c.Visits, Salons: c.Salons, Seed: cmp.Or(c.Seed, uint64(time.Now().UnixNano())), Bar: progressBar(std.err),
	})
}

// progressBar returns a function that draws a bar of plain text; nil if out is
// not a terminal. It draws only when the line changes, and ends the line at the
// last visit.
func progressBar(out io.Writer) func(done, of int, now time.Time) {
	const width = 40
	file, ok := out.(*os.File)
	if !ok {
		return nil
	}
	if info, err := file.Stat(); err != nil || info.Mode()&os.ModeCharDevice == 0 {
		return nil
	}
	drawn := ""
	return func(done, of int, now time.Time) {
		n := done * width / max(1, of)
		bar := fmt.Sprintf("[%s%s] %d of %d visits, %s", strings.Repeat("#", n), strings.Repeat(".", width-n), done, of, now.Format("2 Jan"))
		if bar != drawn {
			drawn = bar
			fmt.Fprint(out, "\r"+bar)
		}
		if done == of {
			fmt.Fprintln(out)
		}
	}
}
