package main

import (
	"context"
	"errors"
	"fmt"

	"alkalog/server/serve"
)

// replayCommand decides stored decisions again.
type replayCommand struct {
	databaseFlags
	All bool `required:"" help:"Replay every decision of the database."`
}

// replayDiffers is the error of a replay that did not give the same answers.
type replayDiffers struct{ error }

// ExitCode is that of a verification that came out false.
func (replayDiffers) ExitCode() int { return 3 }

// Run replays, names every decision that came out otherwise and what differs,
// and counts.
func (c replayCommand) Run(ctx context.Context, std streams) error {
	cfg, err := c.reading()
	if err != nil {
		return err
	}
	same, other := 0, 0
	err = serve.Replay(ctx, cfg, func(name string, differences []string) {
		if len(differences) == 0 {
			same++
			return
		}
		other++
		fmt.Fprintln(std.out, name)
		for _, d := range differences {
			fmt.Fprintln(std.out, "  "+d)
		}
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%d decisions replayed: %d the same, %d different\n", same+other, same, other)
	if other > 0 {
		return replayDiffers{errors.New("decisions came out otherwise than they are stored")}
	}
	return nil
}
