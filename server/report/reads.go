package report

import (
	"cmp"
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// readCount counts the reads of one auditor by one method. The page shows them as
// one line, because an auditor who makes a report makes many.
type readCount struct {
	Who, Method string
	Count       int64
	// First and Last are the times of the first and the last read in the period.
	First, Last string
}

// countReads counts the reads of auditors, the most frequent first. An entry can
// stand for several reads. Equal counts are ordered by name, so that a report is
// the same each time.
func countReads(entries []Entry) []readCount {
	type key struct{ who, method string }
	all := map[key]*readCount{}
	for _, e := range entries {
		if e.GetKind() != pb.EntryKind_ENTRY_KIND_AUDITOR_READ {
			continue
		}
		k := key{actorText(e.AuditEntry), e.GetMethod()}
		if all[k] == nil {
			all[k] = &readCount{Who: k.who, Method: k.method, First: secondText(e.GetOccurTime())}
		}
		all[k].Count += max(1, e.GetCount())
		all[k].Last = secondText(e.GetOccurTime())
	}
	var lines []readCount
	for _, r := range all {
		lines = append(lines, *r)
	}
	slices.SortFunc(lines, func(a, b readCount) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Who, b.Who), cmp.Compare(a.Method, b.Method))
	})
	return lines
}
