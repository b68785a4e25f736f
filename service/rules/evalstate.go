package rules

import (
	"slices"

	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"cel.dev/cel-go/interpreter"

	pb "alkalog/proto/alkalogv1"
)

// Values are read when an expression first wants them and kept for the case: most rules
// read the same dozen fields. What belongs to a zone, a section or a product is forgotten
// when another one is entered. States are pooled, since a state is some hundreds of
// values and a decision needs one.

// stateVariable is the name under which an expression finds the state from inside a
// macro; no rule can write it.
const stateVariable = "@state"

// state is one case as expressions see it: the inputs, and the zone or section
// that is being evaluated. Values are read when they are first needed.
// It belongs to one decision and is not safe for concurrent use.
type state struct {
	lang         *language
	frame        *interpreter.ExecutionFrame
	in           *pb.DecisionInputs
	zone         *pb.HairZone
	section      *pb.HeadSection
	product      *pb.Product // of the head, or of the section that is looked at
	lotCode      string      // of that product
	values       []ref.Val
	historyCache *history // computed when it is first needed
	// missing are the fields that rules wait for, one rule after the other.
	missing []int
	// merged are unknowns of several answers, by the codes of these (key), and mergedFields
	// the fields that each stands for. They say nothing of a case and are kept for the next.
	merged       map[string]*types.Unknown
	mergedFields map[*types.Unknown][]int
	key          []byte
	// revision is the revision of the code that decides, see Revision.
	revision int32
	// bare is the case without imported facts; nil: there are none, see imported.go.
	bare *state
}

// open makes the state of a case, in which the statements given are answers. It must
// be closed, and not used afterwards.
// The revision is the newest; DecideAs sets another for a replay.
func (l *language) open(in *pb.DecisionInputs) (*state, error) {
	s, ok := l.states.Get().(*state)
	if !ok {
		s = &state{lang: l, values: make([]ref.Val, len(l.fields))}
	}
	s.in, s.product, s.lotCode, s.revision = ExpandStatements(in), in.GetProduct(), in.GetLotCode(), Revision
	var err error
	s.frame, err = interpreter.NewExecutionFrame(s)
	return s, err
}

// close clears the state and returns it to the pool.
// Nothing of one client's case may be left in it for the next one.
func (s *state) close() {
	if s.bare != nil {
		s.bare.close()
		s.bare = nil
	}
	s.frame.Close()
	clear(s.values)
	s.in, s.zone, s.section, s.product, s.frame, s.historyCache, s.missing = nil, nil, nil, nil, nil, nil, s.missing[:0]
	s.lang.states.Put(s)
}

// value is what a field holds: its value, an unknown, or null.
// A slot is nil until it is read, so an answer that is missing is kept as the absent
// value of its field, and the field is read once only.
func (s *state) value(i int) ref.Val {
	if s.values[i] == nil {
		f := &s.lang.fields[i]
		if s.values[i] = f.get(s); s.values[i] == nil {
			s.values[i] = f.absent
		}
	}
	return s.values[i]
}

// enterZone makes zone the one that is being evaluated. A zone that the
// consultation does not list is evaluated too; all of its answers are missing.
// Only values about a zone are forgotten; those of the case stay.
func (s *state) enterZone(zone pb.Zone) {
	s.zone = nil
	for _, z := range s.in.GetConsultation().GetHair().GetZones() {
		if z.GetZone() == zone {
			s.zone = z
			break
		}
	}
	if s.zone == nil {
		s.zone = &pb.HairZone{Zone: zone}
	}
	clear(s.values[s.lang.zones:s.lang.sections])
}

// enterSection makes a section the one that is being looked at, with its own product
// when it has one.
func (s *state) enterSection(section *pb.HeadSection) {
	s.section = section
	clear(s.values[s.lang.sections:])
	for _, choice := range s.in.GetSectionProducts() {
		if choice.GetSectionId() == section.GetSectionId() {
			s.useProduct(choice.GetProduct(), choice.GetLotCode())
			return
		}
	}
	s.useProduct(s.in.GetProduct(), s.in.GetLotCode())
}

// The product is part of the state and not of the inputs while rules are asked, because
// sections can take another one. Every value is forgotten with a change of product:
// derived values read it too.

// useProduct makes a product the one that the product's fields are read from.
func (s *state) useProduct(product *pb.Product, lotCode string) {
	if s.product == product && s.lotCode == lotCode {
		return
	}
	s.product, s.lotCode = product, lotCode
	clear(s.values)
}

// subject is the zone or section that a rule was asked about; none is the case.
type subject struct {
	name   string // "zone:mid-strand"; empty for the case
	path   string // "consultation.hair.zones[mid-strand]"
	within string // the section whose own product is asked about; empty: the head's
}

// zones are the three zones of the hair, from the scalp outwards.
func zones() [3]struct {
	pb.Zone
	subject
} {
	return [3]struct {
		pb.Zone
		subject
	}{
		{pb.Zone_ZONE_NEW_GROWTH, subject{name: "zone:new-growth", path: "consultation.hair.zones[new-growth]"}},
		{pb.Zone_ZONE_MID_STRAND, subject{name: "zone:mid-strand", path: "consultation.hair.zones[mid-strand]"}},
		{pb.Zone_ZONE_ENDS, subject{name: "zone:ends", path: "consultation.hair.zones[ends]"}},
	}
}

// Zones are always three, whether the consultation lists them or not: a zone that nobody
// described is asked about. Sections are those that the salon described, because how a
// head is divided is the salon's choice; of these, only those that are to be treated.

// forEachSubject looks at the subjects of a scope in turn: the case itself, the three
// zones, listed or not, or those of the sections that the salon described which
// are to be treated.
func (s *state) forEachSubject(scope pb.RuleScope, visit func(subject)) {
	switch scope {
	case pb.RuleScope_RULE_SCOPE_ZONE:
		for _, z := range zones() {
			s.enterZone(z.Zone)
			visit(z.subject)
		}
	case pb.RuleScope_RULE_SCOPE_SECTION:
		for _, section := range s.in.GetConsultation().GetHair().GetSections() {
			id := section.GetSectionId()
			if treated := s.in.GetSectionIds(); len(treated) > 0 && !slices.Contains(treated, id) {
				continue
			}
			s.enterSection(section)
			visit(subject{name: "section:" + id, path: "consultation.hair.sections[" + id + "]"})
		}
		s.useProduct(s.in.GetProduct(), s.in.GetLotCode())
	default:
		visit(subject{})
	}
}

// ResolveName implements interpreter.Activation.
// The nodes of celnodes.go read fields directly, so this serves only what they do
// not replace.
func (s *state) ResolveName(name string) (any, bool) {
	if name == stateVariable {
		return s, true
	}
	if i, ok := s.lang.index[name]; ok {
		return s.value(i), true
	}
	return nil, false
}

// Parent implements interpreter.Activation.
func (s *state) Parent() interpreter.Activation { return nil }
