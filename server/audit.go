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

// auditCommands groups the commands of an auditor: lists and counts, answers to single
// questions (audit_questions.go), the report, and copies and proofs of the log.
// All but verify and check-proof
// read a log from a server, and the server enters each read on that log.
type auditCommands struct {
	List       auditListCommand       `cmd:"" help:"List the entries of a chain's audit log."`
	Summary    auditSummaryCommand    `cmd:"" help:"Count the entries of a chain's audit log, with rates."`
	Thread     auditThreadCommand     `cmd:"" help:"List everything about one client, decision or session in the order in which it happened."`
	Followed   auditFollowedCommand   `cmd:"" help:"List refusals after which the client was served elsewhere within some hours."`
	Discomfort auditDiscomfortCommand `cmd:"" help:"Show how long water took after discomfort was reported: count, median, 90th percentile."`
	Lot        auditLotCommand        `cmd:"" help:"List the services in which a lot was used."`
	Readers    auditReadersCommand    `cmd:"" help:"Show who read about a client."`
	Export     auditExportCommand     `cmd:"" help:"Copy a chain's audit log into a directory and verify the copy."`
	Verify     auditVerifyCommand     `cmd:"" help:"Verify a copy of an audit log, offline. Exit code: 0 valid, 3 not valid, 1 unreadable."`
	Prove      auditProveCommand      `cmd:"" help:"Get the inclusion proof of an entry, check it and write it to a file."`
	CheckProof auditCheckProofCommand `cmd:"" help:"Check an inclusion proof from a file, offline. Exit code: 0 proves its entry, 3 does not, 1 unreadable."`
	Report     auditReportCommand     `cmd:"" help:"Write an audit report on a period as one HTML file."`
}

// outputFlags select how rows are written. A script should name the format, since
// the default depends on the terminal.
type outputFlags struct {
	Output report.Format `enum:",table,json,ndjson,csv" default:"" placeholder:"FORM" help:"Output format: table, json, ndjson or csv. Default: table on a terminal, otherwise ndjson. In CSV, a cell that a spreadsheet could take for a formula is prefixed with an apostrophe."`
}

// auditListCommand lists audit entries. Filters are evaluated by the server.
//
// Pages are requested until the list ends or the limit is reached. The server
// records the first page as one read of the auditor; further pages within a
// minute belong to it.
type auditListCommand struct {
	clientFlags
	outputFlags
	filterFlags
	Chain    string `arg:"" help:"Resource name of the chain, such as chains/ebb."`
	PageSize int32  `default:"500" help:"Entries per request, 1 to 500."`
	Limit    int64  `help:"Maximum number of entries. Default: no limit."`
}

// Run lists the entries page by page. Entries are written as they arrive.
// Warnings follow at the end, because the server sends the check of the log with
// every page.
func (c auditListCommand) Run(ctx context.Context, std streams) error {
	chain := chainName(c.Chain)
	return c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) error {
		request := &pb.ListEntriesRequest{Parent: chain, Filter: c.filter(), PageSize: c.PageSize}
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

// warn reports what a list or a count may have missed. The list itself may look
// complete; an auditor must still learn that the database was changed. The
// command does not fail: it listed what there is.
func warn(out io.Writer, check *pb.LogCheck, leftOut int64) {
	say := func(n int64, what string) {
		if n > 0 {
			fmt.Fprintf(out, "warning: %d %s\n", n, what)
		}
	}
	say(leftOut, "entries matched by their search columns but were left out, because the signed entry does not match the filter")
	say(check.GetMismatchedPlaces(), "entries have search columns that differ from the signed entry; filters and counts may be wrong about them")
	say(check.GetMissingPlaces(), "entries of the log are missing from the database")
	say(check.GetChangedPlaces(), "entries differ from what was signed")
	say(check.GetUnloggedEntries(), "entries in the database are not on the log, which has passed their positions")
	if check.GetHalted() != "" {
		fmt.Fprintf(out, "warning: the log is halted, no entries are added to it: %s\n", report.Visible(check.GetHalted()))
	}
	if len(check.GetPlaces()) > 0 {
		fmt.Fprintf(out, "warning: the first indexes affected: %v; copy the log with \"alkalog audit export\"\n", check.GetPlaces())
	}
}

// entries requests page after page and passes each to seen, up to limit entries.
// A limit of 0 means all. An error ends the sequence after the entries that came
// before it. It reuses request and changes its page token and page size.
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

// auditSummaryCommand counts audit entries. The server counts; the figures help
// to read a log and prove nothing.
type auditSummaryCommand struct {
	clientFlags
	outputFlags
	periodFlags
	filterFlags
	Chain string `arg:"" help:"Resource name of the chain, such as chains/ebb."`
	By    string `enum:"kind,salon,actor,rule,any-rule,reason,week,service-practitioner,product,lot,policy,till,till-version,override,practitioner" default:"kind" help:"Group by kind, salon, actor, rule (the deciding one), any-rule (every rule that an entry names), reason, week, service-practitioner (whose service it is), product, lot, policy, till or till-version; or show what followed overrides (override) or how often each practitioner overrode compared with all others (practitioner). Rates are per decision of the same period, with the 95 % Wilson interval."`
}

// Run prints the counts. Whole days are counted, in UTC. Each row says what it is grouped
// by, so that a saved table can still be read.
func (c auditSummaryCommand) Run(ctx context.Context, std streams) error {
	from, to, err := c.times()
	if err != nil {
		return err
	}
	chain := chainName(c.Chain)
	return c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) error {
		by := c.dimension()
		summary, err := pb.NewAuditServiceClient(conn).SummarizeEntries(ctx, &pb.SummarizeEntriesRequest{
			Parent: chain, Dimension: by, StartTime: stampOf(from), EndTime: stampOf(to), Filter: c.filter(),
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
		return countSheet(c.grouping()).Write(std.out, form, allRows(summary.GetRows()))
	})
}

// dimension is what the server counts by. override and practitioner come with the counts
// by kind. practitioner is taken by the figures of practitioners, so the dimension of that
// name is service-practitioner here.
func (c auditSummaryCommand) dimension() pb.SummaryDimension {
	name := strings.TrimPrefix(c.By, "service-")
	if c.By == "practitioner" {
		name = "kind"
	}
	return pb.SummaryDimension(pb.SummaryDimension_value["SUMMARY_DIMENSION_"+strings.ToUpper(strings.ReplaceAll(name, "-", "_"))])
}

// grouping says in words what the rows are grouped by: two counts by rule differ, and a
// reader of a table must see which one it is. By deciding rule each refusal counts once;
// by any rule it counts for each rule that it names, as a filter by rule finds it.
func (c auditSummaryCommand) grouping() string {
	switch c.By {
	case "rule":
		return "deciding rule"
	case "any-rule":
		return "any rule"
	}
	return strings.ReplaceAll(c.By, "-", " ")
}

// allRows iterates over rows that are already in memory. It lets lists and
// streams be written by the same code. It never gives an error.
func allRows[T any](rows []T) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for _, row := range rows {
			if !yield(row, nil) {
				return
			}
		}
	}
}

// stampOf converts a time to a message; the zero time becomes nil. The contract
// takes an absent time for no bound.
func stampOf(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
