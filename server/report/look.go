package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// look is one line of what to look at first: how many, what, and where on the page. The
// text is a sentence without its number, which the page puts before it.
type look struct {
	Count int64
	Text  string
	To    string // the part of the page that shows it
}

// newLooks lists, for the first part of the page, what to look at, harm to clients first, then what may have led to it,
// then what may hide it. Lines of which there is nothing are left out, so that the list is
// as short as the period was quiet. The order is our own choice.
func newLooks(f *Data) []look {
	var all []look
	// Lines without a count would hide those with one.
	add := func(n int64, to, one, many string) {
		text := many
		if n == 1 {
			text = one
		}
		if n > 0 {
			all = append(all, look{n, text, to})
		}
	}
	// Entries that stand for several events count as often.
	of := func(kinds ...pb.EntryKind) (n int64) {
		for _, e := range f.Entries {
			if slices.Contains(kinds, e.GetKind()) {
				n += max(1, e.GetCount())
			}
		}
		return n
	}
	byKind := f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_KIND]
	overrides, times := byKind.GetOverrides(), f.Discomfort.GetAll()
	add(of(pb.EntryKind_ENTRY_KIND_INCIDENT), "others", "entry about an incident", "entries about incidents")
	add(of(pb.EntryKind_ENTRY_KIND_FOLLOW_UP_OVERDUE), "others", "follow-up of an incident is overdue", "follow-ups of incidents are overdue")
	add(times.GetLate(), "water", "report of discomfort had no water within a minute", "reports of discomfort had no water within a minute")
	add(overrides.GetFollowedByBadOutcome().GetCount(), "follow", "overridden decision ended badly", "overridden decisions ended badly")
	add(of(pb.EntryKind_ENTRY_KIND_ALARM), "others", "alarm", "alarms")
	add(int64(len(f.Followed)), "elsewhere", "refusal was followed by a service in another salon within 24 hours", "refusals were followed by a service in another salon within 24 hours")
	add(overrides.GetRefusalsOverridden().GetCount(), "overrides", "refusal or referral was overridden", "refusals or referrals were overridden")
	add(of(pb.EntryKind_ENTRY_KIND_ANSWER_CHANGED), "others", "dangerous answer was changed after a refusal", "dangerous answers were changed after a refusal")
	add(of(pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED), "overrides", "override was tried and denied", "overrides were tried and denied")
	add(int64(len(outOfLine(byKind))), "people", "practitioner differs from all others in overrides: "+strings.Join(outOfLine(byKind), ", "),
		"practitioners differ from all others in overrides: "+strings.Join(outOfLine(byKind), ", "))
	add(of(pb.EntryKind_ENTRY_KIND_DEVIATION), "others", "deviation from decision, directions or good practice", "deviations from decision, directions or good practice")
	add(of(pb.EntryKind_ENTRY_KIND_LOT_RECALLED), "others", "recalled lot", "recalled lots")
	add(of(pb.EntryKind_ENTRY_KIND_ACCESS_DENIED), "others", "denied access", "denied accesses")
	add(int64(len(versions(f))), "figures", "version of a till's program is in use", "versions of a till's program are in use")
	return all
}

// outOfLine names the practitioners whom the server has marked, by the last part of their
// names. The test behind it is
// explained in the part of the page about people.
func outOfLine(s *pb.SummarizeEntriesResponse) (names []string) {
	for _, p := range s.GetPractitioners() {
		if p.GetOutOfLine() {
			names = append(names, lastSegment(p.GetPractitioner()))
		}
	}
	return names
}

// versions returns the versions of tills' programs if there are several, because one
// alone is nothing to look at. A defect of one version shows in all salons that use it.
// The table by version shows which entries each of them sent.
func versions(f *Data) (names []string) {
	for _, r := range f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_TILL_VERSION].GetRows() {
		if r.GetKey() != "" && !slices.Contains(names, r.GetKey()) {
			names = append(names, r.GetKey())
		}
	}
	if len(names) < 2 {
		return nil
	}
	return names
}

// followedView is a followed refusal as the page shows it, in texts that are ready to be
// printed: what was refused, and where the
// client was served then. Names are shortened to their last part.
type followedView struct {
	When, Salon, Rule, Client, Served, Practitioner, After string
	// Overridden is set if the refusal itself was overridden by then.
	Overridden bool
}

// newFollowed returns the followed refusals for the page, in the order of the log. Of
// several rules the deciding one is shown; the refusal itself is on the page with all.
func newFollowed(all []*pb.FollowedRefusal) (rows []followedView) {
	for _, r := range all {
		row := followedView{When: secondText(r.GetEntry().GetOccurTime()), Salon: lastSegment(r.GetEntry().GetSalon()), Client: lastSegment(r.GetEntry().GetClient()),
			Served: lastSegment(r.GetSalon()), Practitioner: lastSegment(r.GetPractitioner()), After: minutesText(r.GetAfterMinutes()), Overridden: r.GetOverridden()}
		if rules := r.GetEntry().GetRules(); len(rules) > 0 {
			row.Rule = rules[0].GetRuleId()
		}
		rows = append(rows, row)
	}
	return rows
}

// minutesText formats a span in hours and minutes: "3 h 20 min". Hours are what a reader compares with the
// length of a service.
func minutesText(minutes int64) string {
	if minutes < 60 {
		return fmt.Sprintf("%d min", minutes)
	}
	return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
}

// waterView are times from discomfort to water as the page shows them. Texts say "none"
// where no report had water, because an empty cell could be taken for no delay.
type waterView struct {
	Key                                string
	Count, Late, Without               int64
	Median, NinetyPercent, LongestTime string
}

// newWater returns the times by salon, then those of all together; none if nobody
// reported discomfort. Salons with few reports are shown too: one report without water is
// reason enough to look.
func newWater(s *pb.SummarizeDiscomfortResponse) (rows []waterView) {
	if s.GetAll().GetCount() == 0 {
		return nil
	}
	seconds := func(t *float64) string {
		if t == nil {
			return "none"
		}
		return fmt.Sprintf("%.0f s", *t)
	}
	for _, t := range append(slices.Clone(s.GetRows()), s.GetAll()) {
		rows = append(rows, waterView{cmp.Or(lastSegment(t.GetKey()), "all salons"), t.GetCount(), t.GetLate(), t.GetWithoutWater(),
			seconds(t.MedianSeconds), seconds(t.P90Seconds), seconds(t.LongestSeconds)})
	}
	return rows
}

// crossTable counts refusals and referrals by salon and deciding rule. A rule that refuses
// in one salon only may be a rule that others get around, or a salon with other clients.
type crossTable struct {
	Salons []string
	Rows   []crossRow
}

// crossRow is one rule with its counts in the order of the salons. A salon without a case
// has 0, so that columns line up.
type crossRow struct {
	Rule   string
	Counts []int64
	Total  int64
}

// newCrossTable counts the entries of the page themselves, so that the table is exact.
// Rules are in the order of their totals, salons in that of their names. An entry without
// a rule, as none of a refusal should be, is left out here and shown below.
func newCrossTable(f *Data) crossTable {
	counts, salons := map[string]map[string]int64{}, map[string]bool{}
	for _, e := range f.Entries {
		if !isRefusal(e.GetKind()) || len(e.GetRules()) == 0 {
			continue
		}
		rule, salon := e.GetRules()[0].GetRuleId(), lastSegment(e.GetSalon())
		if counts[rule] == nil {
			counts[rule] = map[string]int64{}
		}
		counts[rule][salon]++
		salons[salon] = true
	}
	var t crossTable
	for salon := range salons {
		t.Salons = append(t.Salons, salon)
	}
	slices.Sort(t.Salons)
	for rule, of := range counts {
		row := crossRow{Rule: rule}
		for _, salon := range t.Salons {
			row.Counts = append(row.Counts, of[salon])
			row.Total += of[salon]
		}
		t.Rows = append(t.Rows, row)
	}
	slices.SortFunc(t.Rows, func(a, b crossRow) int { return cmp.Or(cmp.Compare(b.Total, a.Total), cmp.Compare(a.Rule, b.Rule)) })
	return t
}
