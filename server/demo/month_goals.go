package demo

import (
	"errors"
	"fmt"
)

// The friction goals; our own choice. A tool that stops ordinary work, or calls for water
// when none is needed, is muted or lied to within a week; then it finds no danger either.
const (
	mostStopped    = 3.0  // percent of ordinary retouches refused or referred
	mostOverridden = 2.0  // percent of ordinary retouches that need an override
	mostRinseNow   = 0.05 // ordinary retouches with a RINSE_NOW: one in 20
)

// goal is one goal and whether it was reached.
type goal struct {
	// What was counted, and what is wanted.
	text    string
	reached bool
}

// frictionGoals judges the ordinary retouches, the planted dangers and the
// accidents. slack is how many visits more than the share may miss it, for months
// too small to show a share: with 20 visits, a single refusal would be 5 %. Dangers
// and accidents have no slack. The order is that of the page.
func (t *tally) frictionGoals(slack int) []goal {
	o := t.ordinary
	below := func(count int, most float64) bool { return float64(count-slack) < most*float64(o.visits) }
	return []goal{
		{fmt.Sprintf("ordinary retouches refused or referred: %d of %d, %.1f %%; goal: below %g %%", o.refused+o.referred, o.visits, percent(o.refused+o.referred, o.visits), mostStopped),
			below(o.refused+o.referred, mostStopped/100)},
		{fmt.Sprintf("ordinary retouches that needed an override: %d, %.1f %%; goal: below %g %%", o.overridden, percent(o.overridden, o.visits), mostOverridden),
			below(o.overridden, mostOverridden/100)},
		{fmt.Sprintf("ordinary retouches with a RINSE_NOW: %d, %.1f %%; goal: at most %g %%", o.withRinseNow, percent(o.withRinseNow, o.visits), 100*mostRinseNow),
			float64(o.withRinseNow-slack) <= mostRinseNow*float64(o.visits)},
		t.dangerGoal(), t.accidentGoal(),
		{fmt.Sprintf("sessions past the hard limit without a RINSE_NOW: %d; goal: none", len(t.silent)), len(t.silent) == 0},
	}
}

// dangerGoal is that every danger that can be seen was found. Lies that nothing can
// show are left out. Dangers that did not come about are no part of it.
func (t *tally) dangerGoal() goal {
	planted, caught := 0, 0
	for d, f := range t.caught {
		if d.where != "" {
			planted, caught = planted+f.planted, caught+f.caught
		}
	}
	return goal{fmt.Sprintf("planted dangers that can be seen: %d of %d refused, referred, asked about or alarmed; goal: all", caught, planted), caught == planted}
}

// accidentGoal is that every accident raised its alarm. It is the half of the tool
// that must not be muted.
func (t *tally) accidentGoal() goal {
	befell, caught := 0, 0
	for _, f := range t.befell {
		befell, caught = befell+f.planted, caught+f.caught
	}
	return goal{fmt.Sprintf("accidents: %d of %d raised their alarm; goal: all", caught, befell), caught == befell}
}

// printGoals prints the dangers and the goals. What was missed is printed with what
// showed instead, so that a cause can be found without playing the month again.
func (m *month) printGoals() {
	if m.failed() {
		return
	}
	m.page.act("What was planted, and what was found")
	for _, d := range dangers {
		m.printDanger(d)
	}
	for _, a := range accidents {
		if f := m.tally.befell[a]; f != nil {
			m.printFound("accident", a.name, f)
		}
	}
	m.page.say("")
	m.page.say("What cannot be seen. Each was planted, none can be found by software; supervision, figures per practitioner and singly asked items make it rarer.")
	for _, d := range dangers {
		if f := m.tally.caught[d]; f != nil && d.where == "" {
			m.page.answer("%s (%d times): %s", d.name, f.planted, d.unseen)
		}
	}
	for _, session := range m.tally.silent {
		m.page.answer("NO RINSE_NOW at the hard limit of %s", session)
	}
	m.page.act("The friction goals")
	for _, g := range m.tally.frictionGoals(0) {
		verdict := "reached"
		if !g.reached {
			verdict = "MISSED"
		}
		m.page.answer("%s: %s", verdict, g.text)
	}
}

// missed is an error that names the goals that were missed; nil when none was. The
// command then ends with a failure, and a script notices.
func (m *month) missed() error {
	var missed []error
	for _, g := range m.tally.frictionGoals(0) {
		if !g.reached {
			missed = append(missed, fmt.Errorf("the month missed a goal: %s", g.text))
		}
	}
	return errors.Join(missed...)
}

// printDanger prints how often a danger that can be seen was found. Lies are listed
// apart.
func (m *month) printDanger(d *danger) {
	if f := m.tally.caught[d]; f != nil && d.where != "" {
		m.printFound(d.where, d.name, f)
	}
}

// printFound prints one line, and what showed instead where nothing was found. The
// number that was planted shows how much the line is worth.
func (m *month) printFound(where, name string, f *found) {
	m.page.answer("%-8s %-48s planted %3d, found %3d", where, name, f.planted, f.caught)
	for _, showed := range f.missed {
		m.page.detail("NOT FOUND with %s", showed)
	}
}
