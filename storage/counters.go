package storage

import (
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// isOverridable reports whether a decision has a finding that its rule allows to
// override.
func isOverridable(d *pb.Decision) bool {
	return slices.ContainsFunc(d.GetFindings(), func(f *pb.Finding) bool { return f.GetOverrideTerms().GetAllowed() })
}

// isBad reports whether a service did harm: the scalp changed, hair broke or is in
// extreme condition, or discomfort was not rinsed out at once. It is a search column of
// outcomes and counts in Figures.Bad.
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

// fact is a row of tally_queue, the queue of what is to be counted. Triggers insert a
// row for each decision, session, outcome and audit entry. Columns that a fact does not
// have are empty.
type fact struct {
	Position              int64
	Chain, Fact, Decision string
	// Day is the UTC day of the record, such as 2026-11-25.
	Day string
	// Kind, Rule and Reason are those of an audit entry.
	Kind, Rule, Reason string
	// Verdict is that of a decision.
	Verdict                    string
	Salon, Actor, Practitioner string
	// Flag is whether a decision is overridable, or an outcome is bad.
	Flag bool
	// Entry is the position of an audit entry.
	Entry int64
}

// caseKey identifies a decision.
type caseKey struct{ chain, id string }

// about returns the decision that a fact is about; its ID is empty if there is none.
func (f fact) about() caseKey { return caseKey{f.Chain, f.Decision} }

// caseState is what is known of a decision, a row of tally_decisions.
//
// Facts can be added in any order, and the result is the same; learn must keep that
// property. Overridden, Deviated and Closed are positions in the queue. Their order
// shows what happened after what.
type caseState struct {
	Chain, ID string
	// Day is empty until the decision itself was counted.
	Day                                 string
	Verdict, Salon, Actor, Practitioner string
	Overridable                         bool
	// Overridden is the first override; 0: none.
	Overridden int64
	Begun      bool
	// Deviated is the last deviation; 0: none.
	Deviated int64
	Closed   int64
	Bad      bool
	// Changed is set if the decision uses answers that changed after a refusal.
	Changed bool
	// Marks are the tags of all entries of the decision, one per line (fact.marks).
	Marks string
}

// learn returns the state with one more fact. It is commutative: it takes minima,
// maxima and unions, so that the queue needs no order.
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

// marks returns the tags of all entries of the decision.
func (c caseState) marks() []string {
	lines := strings.Split(c.Marks, "\n")
	return lines[:len(lines)-1] // behind the last line's end there is nothing
}

// Dimension is what entries are counted by. The value is stored in tally_entries.
type Dimension string

// The dimensions. ByWeek is not stored: weeks are summed from days when they are read.
const (
	ByKind   Dimension = "kind"
	BySalon  Dimension = "salon"
	ByActor  Dimension = "actor"
	ByRule   Dimension = "rule"
	ByReason Dimension = "reason"
	ByWeek   Dimension = "week"
)

// keys returns the key of an entry in each stored dimension. An empty key counts too:
// an entry without a salon is counted under the empty salon.
func (f fact) keys() map[Dimension]string {
	return map[Dimension]string{ByKind: f.Kind, BySalon: f.Salon, ByActor: f.Actor, ByRule: f.Rule, ByReason: f.Reason}
}

// marks returns the tags of an entry, "kind dimension key". A tag means: the entry's
// decision counts, once, under this kind and key. Only four kinds come from decisions;
// others have no tags. An override has no tag by actor, because the person who
// overrides is seldom the one who asked for the decision.
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

// entryKey identifies a counter of entries, the primary key of tally_entries.
type entryKey struct {
	chain     string
	dimension Dimension
	day       string
	kind, key string
}

// entryCount is the number of entries, and the number of decisions with at least one of
// them.
type entryCount struct{ entries, decisions int64 }

// figureKey identifies a row of tally_figures. The practitioner is the one who performs
// the service.
type figureKey struct {
	chain        string
	day          string
	practitioner string
}

// counts is by how much counters change. Values can be negative.
type counts struct {
	entries map[entryKey]entryCount
	figures map[figureKey]Figures
}

// countFacts computes the new states of the decisions that facts are about, and by how
// much the counters change: for each decision, minus what it counted before, plus what
// it counts now. It is pure.
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

// addEntry counts an audit entry. Entries of coverage are not counted, because nobody
// did anything.
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

// addCase counts a decision with everything that came of it, n times; n is -1 or +1. A
// decision counts nowhere until its own fact arrived, because its day is unknown
// before.
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

// entryRow and figureRow are changed counters with their keys.
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

// entryRows returns the counters of entries that change.
func (c counts) entryRows() (rows []entryRow) {
	for k, n := range c.entries {
		if n != (entryCount{}) {
			rows = append(rows, entryRow{k, n})
		}
	}
	return rows
}

// figureRows returns the figures that change.
func (c counts) figureRows() (rows []figureRow) {
	for k, n := range c.figures {
		if n != (Figures{}) {
			rows = append(rows, figureRow{k, n})
		}
	}
	return rows
}

// Figures is what became of the decisions of a day or a longer time. Each field counts
// decisions, except WhatIfs and those of statements. Rates are made of a field and the one that its comment
// refers to.
type Figures struct {
	// TurnedAway counts decisions that refused or referred.
	TurnedAway int64 `db:"turned_away"`
	// TurnedAwayOverridden counts those of TurnedAway that were overridden.
	TurnedAwayOverridden int64 `db:"turned_away_overridden"`
	// Overridable counts decisions with a finding that may be overridden.
	Overridable int64
	// Overridden counts those of Overridable that were overridden.
	Overridden int64
	// Begun counts overridden decisions whose service began.
	Begun int64
	// Deviated counts those of Begun with a deviation after the override.
	Deviated int64
	// Closed counts overridden decisions whose outcome is known.
	Closed int64
	// Bad counts those of Closed with a bad outcome.
	Bad int64
	// AnswersChanged counts, of all decisions, those that use answers which changed after a
	// refusal.
	AnswersChanged int64 `db:"answers_changed"`
	// WhatIfs counts checks that stored no decision.
	WhatIfs int64 `db:"what_ifs"`
	// Statements counts grouped statements in submitted consultations.
	Statements int64
	// StatementsAllNone counts those of Statements of which no item was answered with yes
	// or unsure.
	StatementsAllNone int64 `db:"statements_all_none"`
	// StatementsTimed counts those of Statements whose time was measured, and
	// StatementSeconds adds up that time.
	StatementsTimed  int64 `db:"statements_timed"`
	StatementSeconds int64 `db:"statement_seconds"`
	// SingleItems counts those of Statements whose single item was answered by itself.
	SingleItems int64 `db:"single_items"`
	// SingleItemsDiffering counts those of SingleItems whose answer was yes or unsure.
	SingleItemsDiffering int64 `db:"single_items_differing"`
}

// Add adds other figures n times; n can be negative.
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
	f.Statements += n * o.Statements
	f.StatementsAllNone += n * o.StatementsAllNone
	f.StatementsTimed += n * o.StatementsTimed
	f.StatementSeconds += n * o.StatementSeconds
	f.SingleItems += n * o.SingleItems
	f.SingleItemsDiffering += n * o.SingleItemsDiffering
}

// figures returns what one decision counts, each field 0 or 1.
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

// one converts a condition to a count.
func one(holds bool) int64 {
	if holds {
		return 1
	}
	return 0
}
