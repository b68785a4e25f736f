package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/report"
)

// auditReportCommand writes an audit report. The whole period is held in memory:
// weeks or months of a chain, not ten years.
//
// All data come by one call, so that an auditor's report is one entry on the log.
//
// The file is one page without scripts and without references to other files, see
// package report. An auditor reads it, or anybody whom the auditor gives it to.
type auditReportCommand struct {
	clientFlags
	periodFlags
	Chain    string        `arg:"" help:"Resource name of the chain, such as chains/ebb."`
	Out      string        `required:"" type:"path" placeholder:"FILE.html" help:"File for the report. An existing file is replaced once the new one is complete."`
	Patience time.Duration `default:"1m" help:"How long to wait for an unavailable server before giving up, such as 30s or 5m."`
}

// Run reads the data and writes the report to a file that only its owner can
// read. The page is about people, though under pseudonyms. An interrupted report
// leaves an earlier file as it was.
func (c auditReportCommand) Run(ctx context.Context, std streams) error {
	from, to, err := c.times()
	if err != nil {
		return err
	}
	chain := chainName(c.Chain)
	advance, finish := progress(std, "entries")
	var facts *report.Data
	err = c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) (err error) {
		source := report.Source{Audit: pb.NewAuditServiceClient(conn), Timeout: c.Patience, Progress: advance}
		facts, err = report.Gather(ctx, source, chain, report.Period{From: from, To: to})
		return err
	})
	finish()
	if err != nil {
		return err
	}
	facts.CreateTime = time.Now()
	if err := moveInPlace(c.Out, func(file io.Writer) error { return report.Write(file, facts) }); err != nil {
		return err
	}
	_, err = fmt.Fprintf(std.out, "written: %s, %d entries\n", c.Out, len(facts.Entries))
	return err
}
