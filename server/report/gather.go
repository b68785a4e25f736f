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
//     covers, the figures and the decisions from a server, and returns
//     them as Data.
//   - newPageView computes from Data what the page shows: texts, links,
//     shares of bars. All arithmetic and wording is here.
//   - page.html formats the view and computes nothing.
//
// The checkpoint is read first, and the entries up to its size, so that what is
// on the page can be verified later against the checkpoint printed on it. The
// figures are counted by the server and are a help only; the page says so.
//
// An entry that was changed or deleted in the database is shown as damaged, in
// every report, and not as what it says now (Damage). An auditor must see damage
// without having looked for it.
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
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/client"
	"alkalog/service/ledger"
)

// Source is the server to read from. The caller opens and closes the connection.
type Source struct {
	// The two services that a report reads; an auditor may call both.
	Audit       pb.AuditServiceClient
	Eligibility pb.EligibilityServiceClient
	// Timeout is how long to wait for an unavailable server.
	Timeout time.Duration
	// Progress is called with the number of decisions read and their total; may be
	// nil.
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

// Gather reads the data of a report. Decisions are read one by one, since each
// may be of another client. The first error ends it: a report with parts missing
// would mislead.
func Gather(ctx context.Context, s Source, chain string, period Period) (*Data, error) {
	seal, err := s.Audit.GetCheckpoint(ctx, &pb.GetCheckpointRequest{Name: chain})
	if err != nil {
		return nil, err
	}
	f := &Data{Chain: chain, Period: period, Checkpoint: seal, Figures: map[pb.SummaryDimension]*pb.SummarizeEntriesResponse{}}
	request := &pb.ExportEntriesRequest{Parent: chain, Filter: period.filter(), TreeSize: seal.GetTreeSize()}
	err = client.ExportEntries(ctx, s.Audit, request, s.Timeout, func(sent *pb.ExportEntriesResponse) error {
		f.Entries = append(f.Entries, Entry{f.Damage.addEntry(sent), sent.GetIndex(), ledger.LeafHash(sent.GetStored())})
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, by := range dimensions() {
		f.Figures[by], err = s.Audit.SummarizeEntries(ctx, &pb.SummarizeEntriesRequest{
			Parent: chain, Dimension: by, StartTime: timestampOf(period.From), EndTime: timestampOf(period.To)})
		if err != nil {
			return nil, err
		}
	}
	f.Decisions, err = s.decisions(ctx, f.Entries)
	return f, err
}

// dimensions are the groupings that the report shows. Each is one call; the
// answer by kind also holds the follow-ups, the practitioners and the check of
// the log.
func dimensions() []pb.SummaryDimension {
	return []pb.SummaryDimension{
		pb.SummaryDimension_SUMMARY_DIMENSION_KIND, pb.SummaryDimension_SUMMARY_DIMENSION_WEEK, pb.SummaryDimension_SUMMARY_DIMENSION_SALON,
		pb.SummaryDimension_SUMMARY_DIMENSION_ACTOR, pb.SummaryDimension_SUMMARY_DIMENSION_RULE, pb.SummaryDimension_SUMMARY_DIMENSION_REASON,
	}
}

// filter returns the period as a filter of entries. It is AIP-160; an empty
// period gives an empty filter, which is all entries.
func (p Period) filter() string {
	var all []string
	if !p.From.IsZero() {
		all = append(all, fmt.Sprintf("record_time >= %q", p.From.UTC().Format(time.RFC3339Nano)))
	}
	if !p.To.IsZero() {
		all = append(all, fmt.Sprintf("record_time < %q", p.To.UTC().Format(time.RFC3339Nano)))
	}
	return strings.Join(all, " AND ")
}

// timestampOf converts a time; the zero time becomes nil.
func timestampOf(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// decisions reads the decisions of the entries. A decision of an erased client is
// omitted. So is one whose retention has ended: the entry remains and says what
// is left.
func (s Source) decisions(ctx context.Context, entries []Entry) (map[string]*pb.Decision, error) {
	wanted := map[string]bool{}
	for _, e := range entries {
		if ofDecision(e.GetKind()) && e.GetDecision() != "" {
			wanted[e.GetDecision()] = true
		}
	}
	found, done := map[string]*pb.Decision{}, int64(0)
	for name := range wanted {
		answer, err := s.Eligibility.GetDecision(ctx, &pb.GetDecisionRequest{Name: name})
		switch {
		case err == nil:
			found[name] = answer.GetDecision()
		case !client.IsNotFound(err):
			return nil, err
		}
		if done++; s.Progress != nil {
			s.Progress(done, int64(len(wanted)))
		}
	}
	return found, nil
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
