// Package report formats output for people: an audit report as one HTML page,
// rows as a table, JSON or CSV, and a session as an SVG chart.
//
// # The audit report
//
// The HTML page (gather, view, page.html) is self-contained: no scripts, files or
// network, so that it can be mailed and kept. There are three steps, and only the
// first reads anything:
//
//   - Gather reads the checkpoint, the entries of the period that it
//     covers, the figures and the decisions from a server by one call,
//     and returns them as Data.
//   - newPageView computes from Data what the page shows: texts, links,
//     shares of bars. All arithmetic and wording is here.
//   - page.html formats the view and computes nothing.
//
// The checkpoint is read first, and the entries up to its size, so that what is
// on the page can be verified later against the checkpoint printed on it. The
// figures are counted by the server and are a help only; the page says so.
//
// It begins with what to look at (look): counts of what harmed clients, of what may have
// led to it and of what may hide it, each with a link to the part of the page that shows
// it, and refusals by rule and salon. A reader with five minutes reads only that. The
// counts are of the entries on the page, or figures of the server where entries do not
// say enough: what followed a refusal, and how long water took.
//
// An entry that was changed or deleted in the database is shown as damaged, in
// every report, and not as what it says now (Damage). An auditor must see damage
// without having looked for it.
//
// Codes of the contract are shown in words. Names of rules, policies and records stay as
// they are, because a reader puts them into filters.
//
// The page is readable on wide and narrow screens, in dark mode and on paper.
// Kinds of entries have a letter and a pattern besides the colour.
//
// # Rows
//
// Rows (sheet, table, csv) are written as they arrive, so that lists can be of
// any length and the first rows appear at once. A list that fails in the middle
// ends with an error and, in JSON, as invalid JSON: incomplete output must not
// look complete.
//
// # Text of others
//
// Names, reasons and comments come from other people. In a terminal and in HTML,
// characters that a reader would obey instead of show are spelled out (Visible);
// in CSV, cells that a spreadsheet would evaluate get an apostrophe
// (EscapeFormula); HTML is escaped by the template.
//
// # The chart of a session
//
// The chart (session_*) is a pure function of a session and its events. It folds
// the events at many instants with package timing, as the guidance during the
// service did, so the curve shows what was known at each moment and not what is
// known now. It uses no colour and no script, and fits a screen of 400 pixels as
// well as paper. Notices have numbers, which a list below explains.
package report

import (
	"context"
	"errors"
	"io"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/client"
	"alkalog/service/ledger"
)

// Source is the server to read from. The caller opens and closes the connection.
type Source struct {
	// Audit is the service that a report is read from, by one call.
	Audit pb.AuditServiceClient
	// Timeout is how long to wait for an unavailable server.
	Timeout time.Duration
	// Progress is called with the number of entries read and their total; may be nil.
	Progress func(done, of int64)
}

// Period is the period of a report, by record time, UTC. A zero time is no bound.
// From is part of the period, To is not.
type Period struct{ From, To time.Time }

// Data is what a report is made of. It is complete when Gather returns; nothing
// is read later.
type Data struct {
	// Chain is the resource name of the chain; CreateTime is set by the caller of
	// Gather and is printed on the page.
	Chain      string
	Period     Period
	CreateTime time.Time
	// Checkpoint is the checkpoint of the log, read before the entries.
	Checkpoint *pb.GetCheckpointResponse
	// Entries are the entries of the period that the checkpoint covers.
	Entries []Entry
	// Damage is the damage found while reading the entries.
	Damage Damage
	// Figures are the summaries of the period.
	Figures map[pb.SummaryDimension]*pb.SummarizeEntriesResponse
	// Discomfort are the times from discomfort to water, by salon.
	Discomfort *pb.SummarizeDiscomfortResponse
	// Followed are the refusals after which the client was served elsewhere.
	Followed []*pb.FollowedRefusal
	// Decisions are the decisions of the entries, by name, without those that no
	// longer exist.
	Decisions map[string]*pb.Decision
}

// Entry is an entry with its index.
type Entry struct {
	*pb.AuditEntry
	Index int64       // index on the log, from 0
	Leaf  ledger.Hash // hash of its stored bytes
}

// errCutOff means that a report was not received completely. Nothing is written then.
var errCutOff = errors.New("the report was cut off; try again")

// Gather reads the data of a report by one call, which is one entry on the log if an
// auditor reads. The first error ends it: a report with parts missing would mislead. If
// the server is unavailable it begins again, until the timeout.
func Gather(ctx context.Context, s Source, chain string, period Period) (*Data, error) {
	for begun := time.Now(); ; {
		f, err := s.gather(ctx, chain, period)
		if err == nil || !client.IsUnavailable(err) || time.Since(begun) > s.Timeout {
			return f, err
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(time.Second):
		}
	}
}

// gather reads the data once. The last part has the counts; a stream that ends without it
// was cut off, by a proxy for example, and looks like a short report otherwise.
func (s Source) gather(ctx context.Context, chain string, period Period) (*Data, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel() // ends a stream that is left early
	stream, err := s.Audit.ExportReport(ctx, &pb.ExportReportRequest{Parent: chain, StartTime: timestampOf(period.From), EndTime: timestampOf(period.To)})
	if err != nil {
		return nil, err
	}
	f := &Data{Chain: chain, Period: period, Figures: map[pb.SummaryDimension]*pb.SummarizeEntriesResponse{}, Decisions: map[string]*pb.Decision{}}
	for {
		part, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil, errCutOff
		}
		if err != nil {
			return nil, err
		}
		end := part.GetComplete()
		if end == nil {
			f.take(part, s.Progress)
			continue
		}
		if end.GetEntries() != int64(len(f.Entries)) || end.GetDecisions() != int64(len(f.Decisions)) || f.Checkpoint == nil {
			return nil, errCutOff
		}
		return f, nil
	}
}

// take adds a part. Parts that this program does not know are left out: a newer server may
// send more than this page shows.
func (f *Data) take(part *pb.ExportReportResponse, progress func(done, of int64)) {
	switch p := part.GetPart().(type) {
	case *pb.ExportReportResponse_Checkpoint:
		f.Checkpoint = p.Checkpoint
	case *pb.ExportReportResponse_Figures:
		f.Figures[p.Figures.GetDimension()] = p.Figures.GetSummary()
	case *pb.ExportReportResponse_Discomfort:
		f.Discomfort = p.Discomfort
	case *pb.ExportReportResponse_Followed:
		f.Followed = append(f.Followed, p.Followed.GetFollowedRefusals()...)
	case *pb.ExportReportResponse_Entry:
		sent := p.Entry
		f.Entries = append(f.Entries, Entry{f.Damage.addEntry(sent), sent.GetIndex(), ledger.LeafHash(sent.GetStored())})
		if progress != nil {
			progress(sent.GetIndex()+1, f.Checkpoint.GetTreeSize())
		}
	case *pb.ExportReportResponse_Decision:
		f.Decisions[p.Decision.GetName()] = p.Decision
	}
}

// timestampOf converts a time; the zero time becomes nil.
func timestampOf(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// ofDecision reports whether entries of a kind are about a decision.
func ofDecision(kind pb.EntryKind) bool { return isRefusal(kind) || isOverride(kind) }

// isRefusal reports whether a kind is a refusal or a referral.
func isRefusal(kind pb.EntryKind) bool {
	return kind == pb.EntryKind_ENTRY_KIND_REFUSAL || kind == pb.EntryKind_ENTRY_KIND_REFERRAL
}

// isOverride reports whether a kind is an override, granted or denied. A denied
// one is a fact, too: somebody tried.
func isOverride(kind pb.EntryKind) bool {
	return kind == pb.EntryKind_ENTRY_KIND_OVERRIDE || kind == pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED
}
