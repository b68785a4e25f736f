package audit

import (
	"cmp"
	"fmt"
	"slices"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

// keysOf returns the values of an entry in a dimension; none if it has no value.
type keysOf func(*pb.AuditEntry) []string

// keyed are the dimensions without counters. They are seldom asked for, and a counter
// costs every write; the entries of a year are read in less than a second.
var keyed = map[pb.SummaryDimension]keysOf{
	pb.SummaryDimension_SUMMARY_DIMENSION_ANY_RULE:     ruleKeys,
	pb.SummaryDimension_SUMMARY_DIMENSION_PRACTITIONER: one((*pb.AuditEntry).GetPractitioner),
	pb.SummaryDimension_SUMMARY_DIMENSION_PRODUCT:      one((*pb.AuditEntry).GetProduct),
	pb.SummaryDimension_SUMMARY_DIMENSION_LOT:          one((*pb.AuditEntry).GetLotCode),
	pb.SummaryDimension_SUMMARY_DIMENSION_POLICY: one(func(e *pb.AuditEntry) string {
		return cmp.Or(e.GetHousePolicy(), e.GetPolicyDigest())
	}),
	pb.SummaryDimension_SUMMARY_DIMENSION_TILL:         one((*pb.AuditEntry).GetTill),
	pb.SummaryDimension_SUMMARY_DIMENSION_TILL_VERSION: one((*pb.AuditEntry).GetTillVersion),
}

// counted are the dimensions with counters, for summaries with a filter. They must give
// the keys that the counters have (storage.UpdateCounters), so that a filter that fits
// everything changes nothing but the rates.
var counted = map[pb.SummaryDimension]keysOf{
	pb.SummaryDimension_SUMMARY_DIMENSION_KIND:   one(func(e *pb.AuditEntry) string { return e.GetKind().String() }),
	pb.SummaryDimension_SUMMARY_DIMENSION_SALON:  one((*pb.AuditEntry).GetSalon),
	pb.SummaryDimension_SUMMARY_DIMENSION_ACTOR:  one((*pb.AuditEntry).GetActor),
	pb.SummaryDimension_SUMMARY_DIMENSION_RULE:   one(func(e *pb.AuditEntry) string { return first(ruleKeys(e)) }),
	pb.SummaryDimension_SUMMARY_DIMENSION_REASON: one((*pb.AuditEntry).GetReasonCode),
	pb.SummaryDimension_SUMMARY_DIMENSION_WEEK: one(func(e *pb.AuditEntry) string {
		year, week := e.GetRecordTime().AsTime().ISOWeek()
		return fmt.Sprintf("%04d-W%02d", year, week)
	}),
}

// one makes a dimension of a single value. An entry that lacks it has the empty value,
// which is a row of its own.
func one(value func(*pb.AuditEntry) string) keysOf {
	return func(e *pb.AuditEntry) []string { return []string{value(e)} }
}

// ruleKeys returns the ids of all rules that an entry names, each once.
func ruleKeys(e *pb.AuditEntry) (ids []string) {
	for _, r := range e.GetRules() {
		if !slices.Contains(ids, r.GetRuleId()) {
			ids = append(ids, r.GetRuleId())
		}
	}
	return ids
}

// first returns the first of some values; empty if there is none. The first rule of an
// entry is the one that decided.
func first(values []string) string {
	if len(values) == 0 {
		return ""
	}
	return values[0]
}

// countOneByOne counts the entries of a span that fit a filter, by kind and key, largest
// first. Entries without a value count under the empty key, so that nothing is missing
// from the rows. total counts each entry once, although an entry with several rules is in
// several rows.
//
// Entries are judged by their content, as in an export. What a changed search column
// hides is missing here as well; the answer's check says so.
func countOneByOne(r *storage.Snapshot, by pb.SummaryDimension, filter storage.EntryFilter, span storage.Span) (list []*pb.SummaryRow, total int64, err error) {
	keys := keyed[by]
	if keys == nil {
		keys = counted[by]
	}
	type rowKey struct {
		kind pb.EntryKind
		key  string
	}
	counts := map[rowKey]int64{}
	within := storage.EntryFilter{Op: "AND"}
	for _, part := range []storage.EntryFilter{withoutCoverage(filter), span.Filter()} {
		if part.Op != "" {
			within.Of = append(within.Of, part)
		}
	}
	err = storage.EachEntry(r, within, func(e *pb.AuditEntry) error {
		found := keys(e)
		if len(found) == 0 {
			found = []string{""}
		}
		for _, key := range found {
			counts[rowKey{e.GetKind(), key}]++
		}
		total++
		return nil
	})
	for k, n := range counts {
		list = append(list, &pb.SummaryRow{Kind: k.kind, Key: k.key, Count: n})
	}
	slices.SortFunc(list, compareRows)
	return list[:min(len(list), mostRows)], total, err
}

// compareRows orders rows by count, largest first. Equal counts are in the order of kinds
// and keys, so that the same question gives the same answer.
func compareRows(a, b *pb.SummaryRow) int {
	return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Key, b.Key))
}
