// Package report writes what an auditor has read about a period as one page of
// HTML, which needs nothing but itself: no script, no other file, no network. It
// reads on a screen, bright or dark, wide or narrow, and on paper.
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

// Source is a server to read from.
type Source struct {
	Audit       pb.AuditServiceClient
	Eligibility pb.EligibilityServiceClient
	// Timeout is how long to wait for a server that went away.
	Timeout time.Duration
	// Progress is told how many decisions have been read, of how many; nil: nobody.
	Progress func(done, of int64)
}

// Period is the time that a report is about, by record time, UTC. The zero time
// is no bound.
type Period struct{ From, To time.Time }

// Data is what a report is made of.
type Data struct {
	Chain      string
	Period     Period
	CreateTime time.Time
	// Checkpoint is the checkpoint of the log, taken before the entries were read.
	Checkpoint *pb.GetCheckpointResponse
	// Entries are the entries of the period that the checkpoint stands for.
	Entries []Entry
	// Damage is what was found wrong with the records of entries.
	Damage Damage
	// Figures are the summaries of the period.
	Figures map[pb.SummaryDimension]*pb.SummarizeEntriesResponse
	// Decisions are the decisions that entries are about, by name. Those that
	// can be read no more are missing.
	Decisions map[string]*pb.Decision
}

// Entry is an entry on its place.
type Entry struct {
	*pb.AuditEntry
	Index int64       // its place on the log, from 0
	Leaf  ledger.Hash // hash of the bytes that it is stored as
}

// Gather reads what a report needs.
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

// dimensions are what the report counts by.
func dimensions() []pb.SummaryDimension {
	return []pb.SummaryDimension{
		pb.SummaryDimension_SUMMARY_DIMENSION_KIND, pb.SummaryDimension_SUMMARY_DIMENSION_WEEK, pb.SummaryDimension_SUMMARY_DIMENSION_SALON,
		pb.SummaryDimension_SUMMARY_DIMENSION_ACTOR, pb.SummaryDimension_SUMMARY_DIMENSION_RULE, pb.SummaryDimension_SUMMARY_DIMENSION_REASON,
	}
}

// filter is the period as a filter of entries.
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

// timestampOf is a time as a message; absent for the zero time.
func timestampOf(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// decisions reads the decisions that entries are about. One that can be read no
// more, because the client has had everything erased, is left out.
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

// isOverride reports whether a kind is an override, made or tried.
func isOverride(kind pb.EntryKind) bool {
	return kind == pb.EntryKind_ENTRY_KIND_OVERRIDE || kind == pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED
}
