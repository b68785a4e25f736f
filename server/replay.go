package main

import (
	"context"
	"errors"
	"fmt"

	"alkalog/server/serve"
)

// replayCommand evaluates stored decisions again. A decision must come out the
// same as on the day it was made. A difference means that the stored record or
// the program was changed, and somebody must find out which.
type replayCommand struct {
	databaseFlags
	All bool `required:"" help:"Replay every decision of the database."`
}

// replayDiffers is the error for a replay with differences. The command itself
// succeeded, so it has its own exit code.
type replayDiffers struct{ error }

// ExitCode returns 3, the exit code of a failed verification.
func (replayDiffers) ExitCode() int { return 3 }

// Run replays the decisions, prints each one that differs with its differences,
// and the totals. It reads the database and changes nothing; servers may run
// meanwhile.
//
// Only decisions that differ are printed, with the name of the decision first.
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
		return replayDiffers{errors.New("replayed decisions differ from the stored ones")}
	}
	return nil
}
