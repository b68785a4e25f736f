package report

import (
	"cmp"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// proportion is a row of a table with a bar: how many of how many, with the
// interval of the rate.
type proportion struct {
	// What describes what is counted.
	What string
	// Count is how many of Of it were.
	Count int64
	Of    int64
	// Rate is the rate with its interval as text; empty if there is nothing to
	// divide by.
	Rate string
	// Low, High and Middle are the bounds of the interval and the rate on the
	// scale of the bar.
	Low    float64
	High   float64
	Middle float64
}

// chartScale is the width of a bar in user units: 0 is no case, 100 is all of
// them.
const chartScale = 100

// newProportion returns the row of a proportion. With a total of zero there is no
// rate and no bar, since 0 of 0 is not 0 %.
func newProportion(what string, p *pb.Proportion) proportion {
	s := proportion{What: what, Count: p.GetCount(), Of: p.GetOf()}
	if p.GetOf() > 0 {
		rate := float64(p.GetCount()) / float64(p.GetOf())
		s.Rate = fmt.Sprintf("%s (%s to %s)", percent(rate), percent(p.GetLow()), percent(p.GetHigh()))
		s.Low, s.High, s.Middle = roundTo2(p.GetLow()*chartScale), roundTo2(p.GetHigh()*chartScale), roundTo2(rate*chartScale)
	}
	return s
}

// Wide returns the width of the interval on the scale, at least 0.5 so that it
// stays visible.
func (s proportion) Wide() float64 { return roundTo2(max(0.5, s.High-s.Low)) }

// Tick returns the left edge of the mark of the rate, which is 1.5 units wide,
// within the bar.
func (s proportion) Tick() float64 { return roundTo2(min(chartScale-1.5, max(0, s.Middle-0.75))) }

// percent formats a fraction as a percentage.
func percent(f float64) string { return fmt.Sprintf("%.1f %%", 100*f) }

// roundTo2 rounds a non-negative number to two decimals, which keeps the page
// small.
func roundTo2(f float64) float64 { return float64(int64(f*100+0.5)) / 100 }

// newFollowUps returns the rows of what followed refusals and overrides. Each row
// names its own total, because the totals differ.
func newFollowUps(f *pb.OverrideFigures) []proportion {
	return []proportion{
		newProportion("Refusals and referrals with an override, of all refusals and referrals", f.GetRefusalsOverridden()),
		newProportion("Overridden decisions followed by a deviation, of those whose service was begun", f.GetFollowedByDeviation()),
		newProportion("Overridden decisions with a bad outcome, of those whose outcome is known", f.GetFollowedByBadOutcome()),
	}
}

// person compares a practitioner with all others of the chain.
type person struct {
	proportion
	// OutOfLine is the server's judgement from a statistical test, not this
	// package's.
	Others    proportion
	OutOfLine bool
}

// newPeople returns the practitioners of the summary, in the server's order.
func newPeople(all []*pb.PractitionerFigures) []person {
	var shown []person
	for _, p := range all {
		shown = append(shown, person{newProportion(lastSegment(p.GetPractitioner()), p.GetOverrides()), newProportion("all others", p.GetOthers()), p.GetOutOfLine()})
	}
	return shown
}

// kindCount is the number of entries of one kind.
type kindCount struct {
	proportion
	Class class
}

// newKindCounts returns the counts by kind, in the order of the contract. The
// count is of entries; the rate is of decisions, and absent for kinds that are
// not about a decision. Kinds without entries have no row.
func newKindCounts(s *pb.SummarizeEntriesResponse) []kindCount {
	var all []kindCount
	rows := slices.SortedFunc(slices.Values(s.GetRows()), func(a, b *pb.SummaryRow) int { return cmp.Compare(a.GetKind(), b.GetKind()) })
	for _, r := range rows {
		counted := newProportion(kindWords(r.GetKind()), r.GetRate())
		counted.Count = r.GetCount()
		all = append(all, kindCount{counted, classOf(r.GetKind())})
	}
	return all
}

// group is a table of counts: a row for each value, such as a salon, and a column
// for each class of entries. Every group has the same columns in the same order,
// so tables can be compared.
type group struct {
	Title   string
	Head    string
	Classes []class
	Rows    []groupRow
}

// groupRow is one value with its counts by class, their total and its bar.
type groupRow struct {
	// Key is the last segment of a resource name, or a longer part of it if two
	// rows would have the same key.
	Key    string
	Counts []int64 // in the order of the group's classes
	Total  int64
	Bars   []bar
}

// bar is one part of a stacked bar: its share of the width or height, in percent.
type bar struct {
	Class string  // in the style sheet
	Share float64 // percent
}

// newGroups returns the tables of the report that count by something.
func newGroups(f *Data) []group {
	return []group{
		newGroup("By salon", "Salon", f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_SALON]),
		newGroup("By person", "Person", f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_ACTOR]),
		newGroup("By deciding rule", "Rule", f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_RULE]),
		newGroup("By any rule that an entry names", "Rule", f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_ANY_RULE]),
		newPolicyGroup(f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_POLICY]),
		newGroup("By version of the till's program", "Version", f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_TILL_VERSION]),
		newReasonGroup(f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_REASON]),
	}
}

// newPolicyGroup returns the table of policies: house policies by their names, the
// built-in one by the first digits of its digest, which filters accept. The whole digest
// would be wider than a narrow screen.
func newPolicyGroup(s *pb.SummarizeEntriesResponse) group {
	const shown = 12
	g := newGroup("By policy", "Policy", s)
	for i, row := range g.Rows {
		if _, err := hex.DecodeString(row.Key); err == nil && len(row.Key) > shown {
			g.Rows[i].Key = row.Key[:shown]
		}
	}
	return g
}

// newReasonGroup returns the table of coded reasons, each in words. Two codes
// with the same words keep two rows.
func newReasonGroup(s *pb.SummarizeEntriesResponse) group {
	g := newGroup("By reason", "Reason", s)
	for i := range g.Rows {
		g.Rows[i].Key = codeWords(g.Rows[i].Key)
	}
	return g
}

// newGroup turns the rows of a summary, one for each kind and value, into a
// table, the largest total first. Rows without a value are left out; kinds of one
// class share a column. Bars are relative to the largest total. Two values with
// the same last segment, such as a practitioner and an auditor, are shown with
// the rest of their names.
func newGroup(title, head string, s *pb.SummarizeEntriesResponse) group {
	g := group{Title: title, Head: head}
	rows := slices.SortedStableFunc(slices.Values(s.GetRows()), func(a, b *pb.SummaryRow) int { return cmp.Compare(rank(a.GetKind()), rank(b.GetKind())) })
	rows = slices.DeleteFunc(rows, func(r *pb.SummaryRow) bool { return r.GetKey() == "" })
	for _, r := range rows {
		if c := classOf(r.GetKind()); classIndex(g.Classes, c) < 0 {
			g.Classes = append(g.Classes, c)
		}
	}
	byKey := map[string]*groupRow{}
	for _, r := range rows {
		row := byKey[r.GetKey()]
		if row == nil {
			row = &groupRow{Key: lastSegment(r.GetKey()), Counts: make([]int64, len(g.Classes))}
			byKey[r.GetKey()] = row
		}
		row.Counts[classIndex(g.Classes, classOf(r.GetKind()))] += r.GetCount()
		row.Total += r.GetCount()
	}
	// At least 1, so that a table without counts has bars of no length.
	most, named := int64(1), map[string]int{}
	for key := range byKey {
		named[lastSegment(key)]++
	}
	for key, row := range byKey {
		if named[row.Key] > 1 { // one is a practitioner and another an auditor
			row.Key = strings.TrimPrefix(key, chainOf(key))
		}
		g.Rows, most = append(g.Rows, *row), max(most, row.Total)
	}
	slices.SortFunc(g.Rows, func(a, b groupRow) int { return cmp.Or(cmp.Compare(b.Total, a.Total), cmp.Compare(a.Key, b.Key)) })
	for i := range g.Rows {
		g.Rows[i].Bars = stack(g.Rows[i].Counts, g.Classes, most)
	}
	return g
}

// chainOf returns the chain with which a resource name begins, "chains/ebb/";
// empty if it begins with none.
func chainOf(name string) string {
	parts := strings.SplitAfterN(name, "/", 3)
	if len(parts) < 3 || parts[0] != "chains/" {
		return ""
	}
	return parts[0] + parts[1]
}

// classIndex returns the index of a class in a table; -1 if it is not in it.
func classIndex(classes []class, c class) int {
	return slices.IndexFunc(classes, func(other class) bool { return other.Name == c.Name })
}

// stack returns the parts of a stacked bar, in which most is the full length.
// Counts of zero have no part.
func stack(counts []int64, classes []class, most int64) []bar {
	var bars []bar
	for i, n := range counts {
		if n > 0 {
			bars = append(bars, bar{classes[i].Name, roundTo2(float64(n) * chartScale / float64(most))})
		}
	}
	return bars
}
