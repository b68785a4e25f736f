package storage

import (
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// isOverridable reports whether a decision has a finding that may be overridden.
func isOverridable(d *pb.Decision) bool {
	return slices.ContainsFunc(d.GetFindings(), func(f *pb.Finding) bool { return f.GetOverrideTerms().GetAllowed() })
}

// isBad reports whether a service did harm: the scalp changed, hair broke or was
// extremely damaged, or discomfort was not rinsed out at once.
func isBad(o *pb.Outcome) bool {
	const yes = pb.Answer_ANSWER_YES
	return o.GetScalpChanged() == yes ||
		slices.ContainsFunc(o.GetSections(), func(s *pb.SectionOutcome) bool {
			return s.GetBreakage() == yes || s.GetCondition() == pb.HairCondition_HAIR_CONDITION_EXTREME
		}) ||
		slices.ContainsFunc(o.GetDeviations(), func(d *pb.Deviation) bool {
			return d.GetKind() == pb.DeviationKind_DEVIATION_KIND_SCALP_CHANGED ||
				d.GetKind() == pb.DeviationKind_DEVIATION_KIND_RINSE_AFTER_DISCOMFORT_LATE
		})
}

// fact is a row of the queue of what is to be counted; what a fact lacks is empty.
type fact struct {
	Position                   int64
	Chain, Fact, Decision      string
	Day                        string // UTC, of the record, such as 2026-11-25
	Kind, Rule, Reason         string // of an entry
	Verdict                    string // of a decision
	Salon, Actor, Practitioner string
	Flag                       bool
	Entry                      int64 // of an entry: its position
}

// caseKey is a decision, as the key of what is known of it.
type caseKey struct{ chain, id string }

// about is the decision that a fact is about; without an id when about none.
func (f fact) about() caseKey { return caseKey{f.Chain, f.Decision} }

// caseState is what is known of a decision, as it is stored. Facts can be added
// to it in any order and the same comes out. Overridden, Deviated and Closed are
// places in the queue, which show what came after what.
type caseState struct {
	Chain, ID                           string
	Day                                 string // empty until the decision was told of
	Verdict, Salon, Actor, Practitioner string
	Overridable                         bool
	Overridden                          int64 // the first; 0: none
	Begun                               bool
	Deviated                            int64 // the last; 0: none
	Closed                              int64
	Bad                                 bool
	Changed                             bool   // it rests on answers that changed after a refusal
	Marks                               string // of all its entries, a line each
}

// learn is the state with one more fact.
func (c caseState) learn(f fact) caseState {
	c.Chain, c.ID = f.Chain, f.Decision
	switch f.Fact {
	case "decision":
		c.Day, c.Verdict, c.Salon, c.Actor, c.Practitioner, c.Overridable = f.Day, f.Verdict, f.Salon, f.Actor, f.Practitioner, f.Flag
	case "begun":
		c.Begun = true
	case "changed":
		c.Changed = true
	case "outcome":
		c.Closed, c.Bad = f.Position, f.Flag
	case "entry":
		switch f.Kind {
		case "ENTRY_KIND_OVERRIDE":
			if c.Overridden == 0 || f.Position < c.Overridden {
				c.Overridden = f.Position
			}
		case "ENTRY_KIND_DEVIATION":
			c.Deviated = max(c.Deviated, f.Position)
		case "ENTRY_KIND_ANSWER_CHANGED":
			c.Changed = true
		}
		for _, m := range f.marks() {
			if !slices.Contains(c.marks(), m) {
				c.Marks += m + "\n"
			}
		}
	}
	return c
}

// marks are the marks of all entries of the decision.
func (c caseState) marks() []string {
	lines := strings.Split(c.Marks, "\n")
	return lines[:len(lines)-1] // behind the last line's end there is nothing
}

// Dimension is what entries are counted by.
type Dimension string

// The dimensions. Weeks are made of days when they are read.
const (
	ByKind   Dimension = "kind"
	BySalon  Dimension = "salon"
	ByActor  Dimension = "actor"
	ByRule   Dimension = "rule"
	ByReason Dimension = "reason"
	ByWeek   Dimension = "week"
)

// keys is where an entry counts: its key in each dimension that is kept.
func (f fact) keys() map[Dimension]string {
	return map[Dimension]string{ByKind: f.Kind, BySalon: f.Salon, ByActor: f.Actor, ByRule: f.Rule, ByReason: f.Reason}
}

// marks are the counts in which an entry makes its decision stand: kind,
// dimension and key, with blanks between. An override is not marked by who made
// it, since that is seldom who asked for the decision.
func (f fact) marks() []string {
	var marks []string
	switch f.Kind {
	case "ENTRY_KIND_REFUSAL", "ENTRY_KIND_REFERRAL", "ENTRY_KIND_OVERRIDE", "ENTRY_KIND_OVERRIDE_DENIED":
	default:
		return nil
	}
	for dimension, key := range f.keys() {
		if dimension == ByActor && strings.HasPrefix(f.Kind, "ENTRY_KIND_OVERRIDE") {
			continue
		}
		marks = append(marks, f.Kind+" "+string(dimension)+" "+strings.ReplaceAll(key, "\n", " "))
	}
	return marks
}

// entryKey is a counter of entries.
type entryKey struct {
	chain     string
	dimension Dimension
	day       string
	kind, key string
}

// entryCount is how many entries there are, and how many decisions came to one.
type entryCount struct{ entries, decisions int64 }

// figureKey is a counter of what became of decisions.
type figureKey struct {
	chain        string
	day          string
	practitioner string
}

// counts is by how much counters change.
type counts struct {
	entries map[entryKey]entryCount
	figures map[figureKey]Figures
}

// countFacts works out what is known of decisions after some facts, and by how much
// the counters change.
func countFacts(facts []fact, before map[caseKey]caseState) ([]caseState, counts) {
	changes := counts{map[entryKey]entryCount{}, map[figureKey]Figures{}}
	after := map[caseKey]caseState{}
	for _, f := range facts {
		if f.Fact == "entry" {
			changes.addEntry(f)
		}
		k := f.about()
		if k.id == "" {
			continue
		}
		state, known := after[k]
		if !known {
			state = before[k]
		}
		after[k] = state.learn(f)
	}
	var learnt []caseState
	for k, state := range after {
		changes.addCase(before[k], -1)
		changes.addCase(state, +1)
		learnt = append(learnt, state)
	}
	return learnt, changes
}

// addEntry counts an entry. Those that only cover records by digest are about
// nothing that somebody did.
func (c counts) addEntry(f fact) {
	if f.Kind == pb.EntryKind_ENTRY_KIND_COVERAGE.String() || f.Kind == pb.EntryKind_ENTRY_KIND_BASELINE.String() {
		return
	}
	for dimension, key := range f.keys() {
		k := entryKey{f.Chain, dimension, f.Day, f.Kind, key}
		n := c.entries[k]
		n.entries++
		c.entries[k] = n
	}
}

// addCase counts a decision, with all that came of it so far, n times. Before
// the decision itself was told of it counts nowhere.
func (c counts) addCase(s caseState, n int64) {
	if s.Day == "" {
		return
	}
	stand := func(kind string, dimension Dimension, key string) {
		k := entryKey{s.Chain, dimension, s.Day, kind, key}
		count := c.entries[k]
		count.decisions += n
		c.entries[k] = count
	}
	for dimension, key := range map[Dimension]string{ByKind: "", BySalon: s.Salon, ByActor: s.Actor, ByRule: "", ByReason: ""} {
		stand("", dimension, key)
	}
	for _, m := range s.marks() {
		parts := strings.SplitN(m, " ", 3)
		stand(parts[0], Dimension(parts[1]), parts[2])
	}
	k := figureKey{s.Chain, s.Day, s.Practitioner}
	figures := c.figures[k]
	figures.Add(s.figures(), n)
	c.figures[k] = figures
}

// entryRow and figureRow are changes of counters.
type (
	entryRow struct {
		entryKey
		entryCount
	}
	figureRow struct {
		figureKey
		Figures
	}
)

// entryRows are the counters of entries that change.
func (c counts) entryRows() (rows []entryRow) {
	for k, n := range c.entries {
		if n != (entryCount{}) {
			rows = append(rows, entryRow{k, n})
		}
	}
	return rows
}

// figureRows are the counters of what became of decisions that change.
func (c counts) figureRows() (rows []figureRow) {
	for k, n := range c.figures {
		if n != (Figures{}) {
			rows = append(rows, figureRow{k, n})
		}
	}
	return rows
}

// Figures is what became of decisions.
type Figures struct {
	TurnedAway           int64 `db:"turned_away"`            // refused or referred
	TurnedAwayOverridden int64 `db:"turned_away_overridden"` // of these, overridden
	Overridable          int64 // with a finding that may be overridden
	Overridden           int64 // of these, overridden
	Begun                int64 // of these, the service has begun
	Deviated             int64 // of these, it departed from what was decided afterwards
	Closed               int64 // of the overridden, the outcome is known
	Bad                  int64 // of these, it was bad
	AnswersChanged       int64 `db:"answers_changed"` // of all, rest on answers that changed after a refusal
	WhatIfs              int64 `db:"what_ifs"`        // checks that stored no decision
}

// Add adds other figures n times.
func (f *Figures) Add(o Figures, n int64) {
	f.TurnedAway += n * o.TurnedAway
	f.TurnedAwayOverridden += n * o.TurnedAwayOverridden
	f.Overridable += n * o.Overridable
	f.Overridden += n * o.Overridden
	f.Begun += n * o.Begun
	f.Deviated += n * o.Deviated
	f.Closed += n * o.Closed
	f.Bad += n * o.Bad
	f.AnswersChanged += n * o.AnswersChanged
	f.WhatIfs += n * o.WhatIfs
}

// figures is what became of one decision.
func (c caseState) figures() Figures {
	turnedAway := c.Verdict == "VERDICT_REFUSE" || c.Verdict == "VERDICT_REFER"
	overridden := c.Overridden > 0
	begun, closed := overridden && c.Begun, overridden && c.Closed > 0
	return Figures{
		TurnedAway:           one(turnedAway),
		TurnedAwayOverridden: one(turnedAway && overridden),
		Overridable:          one(c.Overridable),
		Overridden:           one(c.Overridable && overridden),
		Begun:                one(begun),
		Deviated:             one(begun && c.Deviated > c.Overridden),
		Closed:               one(closed),
		Bad:                  one(closed && c.Bad && c.Closed > c.Overridden),
		AnswersChanged:       one(c.Changed),
	}
}

// one is how often something counts.
func one(holds bool) int64 {
	if holds {
		return 1
	}
	return 0
}
