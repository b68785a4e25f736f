package report

import (
	"cmp"
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// readCount are the reads of an auditor by one call, told in one line: an auditor
// who makes a report makes many.
type readCount struct {
	Who, Method string
	Count       int64
	First, Last string
}

// countReads gathers the reads of auditors, the most first.
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
