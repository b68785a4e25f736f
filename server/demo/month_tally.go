package demo

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// tally adds up the visits of a month.
type tally struct {
	// Visits that have ended, in all, by kind and behaviour, and the ordinary retouches
	// among them once more.
	visits   int
	rows     map[rowKey]*row
	ordinary row
	// What was planted, and what befell.
	caught map[*danger]*found
	befell map[*accident]*found
	// Of careful visits without a finding: "kind: rule" that stopped one, "kind:
	// deviation", and "kind: cause" of a RINSE_NOW.
	why, departed, rinsed map[string]int
	// Sessions found by the recall.
	recalled int
	// Sessions without a RINSE_NOW at the hard limit.
	silent []string
	// The dangers in the order of their turns.
	dangerQueue []*danger
}

// rowKey is a kind of client and a behaviour.
type rowKey struct {
	kind visitKind
	how  behaviour
}

// row adds up visits of one kind. Taps and stages are those of visits that were served,
// which means completed and closed; the others would make them look few.
type row struct {
	// Visits, and what was decided.
	visits, refused, referred, overridden, overridesDenied int
	// What it took. Taps and stages are sums over the visits that were served.
	questions, answers, served, tapsBefore, taps, stages int
	// How often the screen called, and in how many visits.
	rinseNow, rinseDue, withRinseNow int
	// What went wrong, by the log and in truth.
	deviations, incidents, capPassed int
}

// found counts how often something was planted, and how often a sign of it showed.
type found struct {
	planted, caught int
	// What showed instead, for the first few, to look into.
	missed []string
}

// newTally returns an empty tally. Every danger waits for its turn.
func newTally() *tally {
	return &tally{rows: map[rowKey]*row{}, caught: map[*danger]*found{}, befell: map[*accident]*found{}, why: map[string]int{}, departed: map[string]int{}, rinsed: map[string]int{}, dangerQueue: slices.Clone(dangers)}
}

// add adds a visit that has ended.
func (t *tally) add(v *visit) {
	t.visits++
	key := rowKey{v.kind, v.how}
	if t.rows[key] == nil {
		t.rows[key] = &row{}
	}
	t.rows[key].add(v)
	if v.ordinary() {
		t.ordinary.add(v)
	}
	if v.silent {
		t.silent = append(t.silent, fmt.Sprintf("%s (%s by %s; no echo from the till: %t, offline: %t)", v.session.GetName(), v.kind, v.by.displayName, v.by.noEcho, !v.offlineFrom.IsZero()))
	}
	if v.how == careful && v.finding == nil {
		for _, rule := range v.stops {
			t.why[string(v.kind)+": "+rule]++
		}
		for _, cause := range v.causes {
			t.rinsed[string(v.kind)+": "+cause]++
		}
		for _, kind := range v.deviations {
			t.departed[string(v.kind)+": "+kind]++
		}
	}
	if v.danger != nil {
		note(t.caught, v.danger, v, v.danger.caught)
	}
	if v.accident != nil {
		note(t.befell, v.accident, v, v.accident.caught)
	}
}

// note counts a danger or an accident that came about. A danger without a sign does
// not count where the visit was stopped for another reason: it harmed nobody, and
// questions that can no longer change a refusal are not asked. What showed instead
// is kept for the first three.
func note[K comparable](all map[K]*found, what K, v *visit, signs []string) {
	stopped := v.session == nil && (v.refused || v.referred)
	if !v.planted || stopped && !v.caughtBy(signs) {
		return
	}
	f := all[what]
	if f == nil {
		f = &found{}
		all[what] = f
	}
	f.planted++
	if v.caughtBy(signs) {
		f.caught++
	} else if len(f.missed) < 3 {
		var showed []string
		for s := range v.signs {
			showed = append(showed, s)
		}
		slices.Sort(showed)
		f.missed = append(f.missed, fmt.Sprintf("%s by %s: %s", v.client, v.by.displayName, strings.Join(showed, "; ")))
	}
}

// What the table says
//
// "quest." counts questions that were still asked after the first screen, "answ." the taps
// of the consultation, "before" the taps from its end to the first contact, and "taps" those
// from there to closing, the outcome included. Two alarms of the same section and kind that
// follow each other without a pause are one.

// stoppingRules are the IDs of the rules that ask, refer or refuse. Conditions stop
// nobody.
func stoppingRules(d *pb.Decision) (ids []string) {
	for _, f := range d.GetFindings() {
		switch f.GetSeverity() {
		case pb.Severity_SEVERITY_ASK, pb.Severity_SEVERITY_REFER, pb.Severity_SEVERITY_REFUSE:
			ids = append(ids, f.GetRuleId())
		}
	}
	return ids
}

// add adds a visit to a row.
func (r *row) add(v *visit) {
	r.visits++
	r.refused += toInt(v.refused)
	r.referred += toInt(v.referred)
	r.overridden += toInt(v.overrides > 0)
	r.overridesDenied += v.denied
	r.questions += v.asked
	r.answers += v.answers
	if v.closed && !v.ended {
		r.served++
		r.tapsBefore += v.tapsBefore
		r.taps += v.taps
		r.stages += v.stages
	}
	r.rinseNow += v.alarms[pb.AlarmKind_ALARM_KIND_RINSE_NOW]
	r.rinseDue += v.alarms[pb.AlarmKind_ALARM_KIND_RINSE_DUE]
	r.withRinseNow += toInt(v.alarms[pb.AlarmKind_ALARM_KIND_RINSE_NOW] > 0)
	r.deviations += len(v.deviations)
	r.incidents += v.hurt
	r.capPassed += toInt(v.capPassed)
}

// toInt is 1 for true.
func toInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

// per is a count for each of n. A row without visits has zeros and no division by
// zero.
func per(count, n int) float64 { return float64(count) / float64(max(1, n)) }

// percent is a share. It is printed with one decimal, which is as much as a few
// thousand visits can show.
func percent(count, n int) float64 { return 100 * per(count, n) }

// print prints the table by kind and behaviour, and what happened in careful visits. Shares
// are of all visits of the row; the table's other figures are averages.
func (t *tally) print(p *page, d *run) {
	if d.failed() {
		return
	}
	p.act("What the month came to")
	p.say("A visit counts once under refused and under referred. Questions, answers, alarms, deviations and incidents are per visit; taps per visit that was completed, before the first contact and from then to closing.")
	head := fmt.Sprintf("  | %-11s %-8s %6s %7s %8s %8s %6s %6s %6s %6s %6s %6s %6s %5s", "client", "hands", "visits", "refused", "referred", "override",
		"quest.", "answ.", "before", "taps", "RINSE", "RINSE", "devi-", "inci-")
	p.print(head + "\n" + fmt.Sprintf("  | %-11s %-8s %6s %7s %8s %8s %6s %6s %6s %6s %6s %6s %6s %5s", "", "", "", "", "", "", "", "", "", "", "_NOW", "_DUE", "ations", "dents") + "\n")
	for _, kind := range kindShares {
		for _, how := range behaviourShares {
			if r := t.rows[rowKey{kind.value, how.value}]; r != nil {
				r.print(p, string(kind.value), string(how.value))
			}
		}
	}
	t.ordinary.print(p, "retouch", "ordinary")
	p.say("")
	p.say("Ordinary retouches: serviced in %.2f stages on average; the true straightening of a section passed the cap on %.1f %% of heads. Sessions found by the recall of a lot: %d.",
		per(t.ordinary.stages, t.ordinary.served), percent(t.ordinary.capPassed, t.ordinary.served), t.recalled)
	p.say("Careful visits in which nothing was found:")
	printCounts(p, "stopped by", t.why)
	printCounts(p, "RINSE_NOW", t.rinsed)
	printCounts(p, "deviation", t.departed)
}

// printCounts prints counts, the highest first. Ties are in alphabetical order, so
// that two runs can be compared.
func printCounts(p *page, what string, counts map[string]int) {
	keys := slices.SortedFunc(maps.Keys(counts), func(a, b string) int {
		return cmp.Or(counts[b]-counts[a], strings.Compare(a, b))
	})
	for _, key := range keys {
		p.answer("%s %s, %d times", what, key, counts[key])
	}
}

// print prints one row.
func (r *row) print(p *page, kind, how string) {
	p.print(fmt.Sprintf("  | %-11s %-8s %6d %5.1f %% %6.1f %% %6.1f %% %6.2f %6.1f %6.1f %6.1f %6.2f %6.2f %6.2f %5.2f\n", kind, how, r.visits,
		percent(r.refused, r.visits), percent(r.referred, r.visits), percent(r.overridden, r.visits),
		per(r.questions, r.visits), per(r.answers, r.visits), per(r.tapsBefore, r.served), per(r.taps, r.served),
		per(r.rinseNow, r.visits), per(r.rinseDue, r.visits), per(r.deviations, r.visits), per(r.incidents, r.visits)))
}
