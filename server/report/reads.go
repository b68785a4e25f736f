package report

import (
	"cmp"
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// reads are the reads of an auditor by one call, told in one line: an auditor
// who makes a report makes many.
type reads struct {
	Who, Method string
	Count       int64
	First, Last string
}

// newReads gathers the reads of auditors, the most first.
func newReads(entries []Entry) []reads {
	type key struct{ who, method string }
	all := map[key]*reads{}
	for _, e := range entries {
		if e.GetKind() != pb.EntryKind_ENTRY_KIND_AUDITOR_READ {
			continue
		}
		k := key{who(e.AuditEntry), e.GetMethod()}
		if all[k] == nil {
			all[k] = &reads{Who: k.who, Method: k.method, First: second(e.GetOccurTime())}
		}
		all[k].Count += max(1, e.GetCount())
		all[k].Last = second(e.GetOccurTime())
	}
	var lines []reads
	for _, r := range all {
		lines = append(lines, *r)
	}
	slices.SortFunc(lines, func(a, b reads) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Who, b.Who), cmp.Compare(a.Method, b.Method))
	})
	return lines
}
