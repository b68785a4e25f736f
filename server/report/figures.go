package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// proportion is a proportion with its interval, for a row of a table with a picture.
type proportion struct {
	What   string
	Count  int64
	Of     int64
	Rate   string // with its interval; empty when there is nothing to divide by
	Low    float64
	High   float64
	Middle float64
}

// The picture of a share is 100 units wide, from nothing to all.
const chartScale = 100

// newProportion puts a proportion into words and onto the scale.
func newProportion(what string, p *pb.Proportion) proportion {
	s := proportion{What: what, Count: p.GetCount(), Of: p.GetOf()}
	if p.GetOf() > 0 {
		rate := float64(p.GetCount()) / float64(p.GetOf())
		s.Rate = fmt.Sprintf("%s (%s to %s)", percent(rate), percent(p.GetLow()), percent(p.GetHigh()))
		s.Low, s.High, s.Middle = roundTo2(p.GetLow()*chartScale), roundTo2(p.GetHigh()*chartScale), roundTo2(rate*chartScale)
	}
	return s
}

// Wide is how wide the interval is on the scale.
func (s proportion) Wide() float64 { return roundTo2(max(0.5, s.High-s.Low)) }

// Tick is where the mark of the rate begins, 1.5 units wide.
func (s proportion) Tick() float64 { return roundTo2(min(chartScale-1.5, max(0, s.Middle-0.75))) }

// percent is a fraction in per cent.
func percent(f float64) string { return fmt.Sprintf("%.1f %%", 100*f) }

// roundTo2 keeps two digits behind the point.
func roundTo2(f float64) float64 { return float64(int64(f*100+0.5)) / 100 }

// newFollowUps is what became of refusals and overrides.
func newFollowUps(f *pb.OverrideFigures) []proportion {
	return []proportion{
		newProportion("Refusals and referrals that were overridden, of all of them", f.GetRefusalsOverridden()),
		newProportion("Overridden decisions whose service then deviated from the decision, of those begun", f.GetFollowedByDeviation()),
		newProportion("Overridden decisions with a bad outcome, of those whose outcome is known", f.GetFollowedByBadOutcome()),
	}
}

// person is a practitioner beside all others.
type person struct {
	proportion
	Others    proportion
	OutOfLine bool
}

// newPeople are the practitioners of the summary.
func newPeople(all []*pb.PractitionerFigures) []person {
	var shown []person
	for _, p := range all {
		shown = append(shown, person{newProportion(lastSegment(p.GetPractitioner()), p.GetOverrides()), newProportion("all others", p.GetOthers()), p.GetOutOfLine()})
	}
	return shown
}

// kindCount is how many entries of a kind there are.
type kindCount struct {
	proportion
	Class class
}

// newKindCounts counts by kind, in the order of the kinds.
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

// group is a table of counts by something, a row a value, a column a kind.
type group struct {
	Title   string
	Head    string
	Classes []class
	Rows    []groupRow
}

// groupRow is one value: its counts by kind, all of them, and the picture.
type groupRow struct {
	Key    string
	Counts []int64
	Total  int64
	Bars   []bar
}

// bar is a piece of a picture: a share of its width or height, in percent.
type bar struct {
	Class string
	Share float64
}

// newGroups are the tables of the report.
func newGroups(f *Data) []group {
	return []group{
		newGroup("By salon", "Salon", f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_SALON]),
		newGroup("By who acted", "Who", f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_ACTOR]),
		newGroup("By deciding rule", "Rule", f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_RULE]),
		newReasonGroup(f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_REASON]),
	}
}

// newReasonGroup is the table of coded reasons, each in words.
func newReasonGroup(s *pb.SummarizeEntriesResponse) group {
	g := newGroup("By reason", "Reason", s)
	for i := range g.Rows {
		g.Rows[i].Key = codeWords(g.Rows[i].Key)
	}
	return g
}

// newGroup turns the rows of a summary, one for each kind and value, into a
// table, the largest first. What has no value is left out; kinds of one class share
// a column.
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

// chainOf is the chain that a resource name begins with, "chains/ebb/"; empty
// when it begins with none.
func chainOf(name string) string {
	parts := strings.SplitAfterN(name, "/", 3)
	if len(parts) < 3 || parts[0] != "chains/" {
		return ""
	}
	return parts[0] + parts[1]
}

// classIndex is where a class stands among those of a table; -1: nowhere.
func classIndex(classes []class, c class) int {
	return slices.IndexFunc(classes, func(other class) bool { return other.Name == c.Name })
}

// stack lays counts beside each other, so that most fills the whole.
func stack(counts []int64, classes []class, most int64) []bar {
	var bars []bar
	for i, n := range counts {
		if n > 0 {
			bars = append(bars, bar{classes[i].Name, roundTo2(float64(n) * chartScale / float64(most))})
		}
	}
	return bars
}
