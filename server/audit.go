package main

import (
	"context"
	"fmt"
	"io"
	"iter"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/report"
)

// auditCommands are what an auditor does.
type auditCommands struct {
	List       auditListCommand       `cmd:"" help:"List the entries of a chain's log."`
	Summary    auditSummaryCommand    `cmd:"" help:"Count the entries of a chain's log, and put the counts in proportion."`
	Export     auditExportCommand     `cmd:"" help:"Copy a chain's log into a directory, and verify the copy."`
	Verify     auditVerifyCommand     `cmd:"" help:"Verify a copy of a log, without server and network. Exit code 0: it holds, 3: it does not, 1: it cannot be read."`
	Prove      auditProveCommand      `cmd:"" help:"Have it proved that an entry is on the log, check the proof, and write it into a file that can be kept."`
	CheckProof auditCheckProofCommand `cmd:"" help:"Check a proof that was kept, without server and network. Exit code 0: it proves its entry, 3: it does not, 1: it cannot be read."`
	Report     auditReportCommand     `cmd:"" help:"Write a report on a period as one HTML file."`
}

// outputFlags say how rows are written.
type outputFlags struct {
	Output report.Format `enum:",table,json,ndjson,csv" default:"" placeholder:"FORM" help:"table, json, ndjson or csv. Default: a table on a terminal, else ndjson. CSV is safe for spreadsheets: what they would take for a formula begins with an apostrophe."`
}

// auditListCommand lists entries.
type auditListCommand struct {
	clientFlags
	outputFlags
	Chain    string `arg:"" help:"The chain, such as chains/ebb."`
	Filter   string `placeholder:"FILTER" help:"Which ones (AIP-160), such as 'kind = \"REFUSAL\" AND record_time >= \"2026-11-01T00:00:00Z\"'. Default: all."`
	PageSize int32  `default:"500" help:"How many to ask for at a time, 1 to 500."`
	Limit    int64  `help:"How many to list at most. Default: all."`
}

// Run lists, page by page.
func (c auditListCommand) Run(ctx context.Context, std streams) error {
	chain := chainName(c.Chain)
	return c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) error {
		request := &pb.ListEntriesRequest{Parent: chain, Filter: c.Filter, PageSize: c.PageSize}
		var last *pb.ListEntriesResponse
		leftOut := int64(0)
		rows := entries(ctx, pb.NewAuditServiceClient(conn), request, c.Limit, func(page *pb.ListEntriesResponse) {
			last = page
			leftOut += page.GetLeftOut()
		})
		if err := entrySheet().Write(std.out, report.DefaultFormat(c.Output, std.out), rows); err != nil {
			return err
		}
		warn(std.err, last.GetCheck(), leftOut)
		return nil
	})
}

// warn tells what a list or figures may not have seen, if anything.
func warn(out io.Writer, check *pb.LogCheck, leftOut int64) {
	say := func(n int64, what string) {
		if n > 0 {
			fmt.Fprintf(out, "warning: %d %s\n", n, what)
		}
	}
	say(leftOut, "entries were found by search columns and left out, because the signed entry does not fit the filter")
	say(check.GetMismatchedPlaces(), "entries have search columns that do not say what the signed entry says; filters and figures may be wrong about them")
	say(check.GetMissingPlaces(), "places of the log have no entry on record")
	say(check.GetChangedPlaces(), "entries are not what was signed")
	say(check.GetUnloggedEntries(), "entries on record are not on the log, although it has passed them")
	if check.GetHalted() != "" {
		fmt.Fprintf(out, "warning: nothing is put on this log any more: %s\n", report.Visible(check.GetHalted()))
	}
	if len(check.GetPlaces()) > 0 {
		fmt.Fprintf(out, "warning: the first of these places: %v; copy the log with \"server audit export\"\n", check.GetPlaces())
	}
}

// entries asks for page after page, until limit (0: none) is reached, and hands
// each page to seen.
func entries(ctx context.Context, client pb.AuditServiceClient, request *pb.ListEntriesRequest, limit int64, seen func(*pb.ListEntriesResponse)) iter.Seq2[*pb.AuditEntry, error] {
	return func(yield func(*pb.AuditEntry, error) bool) {
		for left := limit; ; {
			if limit > 0 && left < int64(request.PageSize) {
				request.PageSize = int32(left)
			}
			page, err := client.ListEntries(ctx, request)
			if err != nil {
				yield(nil, err)
				return
			}
			seen(page)
			for _, e := range page.GetEntries() {
				if !yield(e, nil) {
					return
				}
			}
			left -= int64(len(page.GetEntries()))
			request.PageToken = page.GetNextPageToken()
			if request.PageToken == "" || limit > 0 && left <= 0 {
				return
			}
		}
	}
}

// auditSummaryCommand counts entries.
type auditSummaryCommand struct {
	clientFlags
	outputFlags
	periodFlags
	Chain string `arg:"" help:"The chain, such as chains/ebb."`
	By    string `enum:"kind,salon,actor,rule,reason,week,override,practitioner" default:"kind" help:"What to count by: kind, salon, actor, rule, reason or week; or what became of overrides (override), or how often each practitioner overrode, beside all others (practitioner). Rates are of the decisions of the same time, with Wilson's interval at 95 %."`
}

// Run counts.
func (c auditSummaryCommand) Run(ctx context.Context, std streams) error {
	from, to, err := c.times()
	if err != nil {
		return err
	}
	chain := chainName(c.Chain)
	return c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) error {
		by := pb.SummaryDimension_value["SUMMARY_DIMENSION_"+strings.ToUpper(c.By)] // 0, by kind, for the other two
		summary, err := pb.NewAuditServiceClient(conn).SummarizeEntries(ctx, &pb.SummarizeEntriesRequest{
			Parent: chain, Dimension: pb.SummaryDimension(by), StartTime: stampOf(from), EndTime: stampOf(to),
		})
		if err != nil {
			return err
		}
		warn(std.err, summary.GetCheck(), 0)
		form := report.DefaultFormat(c.Output, std.out)
		switch c.By {
		case "override":
			return followUpSheet().Write(std.out, form, allRows(followUpRate(summary.GetOverrides())))
		case "practitioner":
			return practitionerSheet().Write(std.out, form, allRows(summary.GetPractitioners()))
		}
		return countSheet().Write(std.out, form, allRows(summary.GetRows()))
	})
}

// allRows hands out rows that are all there.
func allRows[T any](rows []T) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for _, row := range rows {
			if !yield(row, nil) {
				return
			}
		}
	}
}

// stampOf is a time as a message; absent for the zero time.
func stampOf(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
