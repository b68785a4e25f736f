package rules

import (
	"fmt"
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// check is a condition about the case, or about any of its zones or sections.
type check struct {
	*formula
	scope pb.RuleScope
}

func (b *book) newCheck(expression, scope string) (check, error) {
	n, err := number("RULE_SCOPE_", pb.RuleScope_value, or(scope, "CASE"))
	if err != nil {
		return check{}, err
	}
	f, err := b.compile(expression, pb.RuleScope(n))
	if err != nil {
		return check{}, fmt.Errorf("%s: %w", expression, err)
	}
	return check{f, pb.RuleScope(n)}, nil
}

// reply is a check's answer: yes, no, or not known for want of a field.
type reply struct {
	yes     bool
	missing int // a field, or -1
	about   subject
}

// put asks the check; of several subjects one yes is enough.
func (c check) put(s *state) (reply, error) {
	found := reply{missing: -1}
	var failed error
	visit := func(about subject) {
		yes, missing, err := c.ask(s)
		switch {
		case err != nil:
			failed = err
		case yes && !found.yes:
			found = reply{true, -1, about}
		case len(missing) > 0 && !found.yes && found.missing < 0:
			found = reply{false, missing[0], about}
		}
	}
	switch c.scope {
	case pb.RuleScope_RULE_SCOPE_ZONE:
		s.eachZone(visit)
	case pb.RuleScope_RULE_SCOPE_SECTION:
		s.eachSection(visit)
	default:
		visit(subject{})
	}
	return found, failed
}

// step moves the recommended strength.
type step struct {
	check
	text     stepText
	strength pb.Strength // of To or AtMost
}

func (b *book) step(text stepText) (step, error) {
	c, err := b.newCheck(text.When, text.Scope)
	if err != nil {
		return step{}, err
	}
	word := text.To + text.AtMost
	if word == "" {
		return step{c, text, 0}, nil
	}
	n, err := number("STRENGTH_", pb.Strength_value, word)
	return step{c, text, pb.Strength(n)}, err
}

// move is the strength after the step.
func (t step) move(from pb.Strength) pb.Strength {
	switch {
	case t.text.None:
		return pb.Strength_STRENGTH_UNSPECIFIED
	case t.text.AtMost != "":
		return min(from, t.strength)
	case t.text.To != "":
		return t.strength
	case t.text.Lower && from > pb.Strength_STRENGTH_MILD:
		return from - 1
	}
	return from
}

// advise works out the strength that suits this hair, step by step. A step that
// would change it and waits for an answer leaves it open.
func (e *Engine) advise(s *state) *pb.StrengthAdvice {
	a := &pb.StrengthAdvice{}
	strength, open := pb.Strength_STRENGTH_UNSPECIFIED, false
	for _, t := range e.strength {
		after := t.move(strength)
		if after == strength && !t.text.None {
			continue
		}
		r, err := t.put(s)
		switch {
		case err != nil || r.missing >= 0:
			open = true
			a.Reasons = append(a.Reasons, "Not known yet: "+e.question(max(r.missing, 0), r.about))
		case r.yes && t.text.None:
			return &pb.StrengthAdvice{Reasons: append(a.Reasons, t.text.Because)}
		case r.yes:
			strength = after
			a.Reasons = append(a.Reasons, t.text.Because)
		}
	}
	if !open {
		a.Strength = strength
	}
	return a
}

// alternative is something gentler to offer, with what speaks against it.
type alternative struct {
	text    alternativeText
	against []check
}

func (b *book) alternative(text alternativeText) (alternative, error) {
	a := alternative{text: text}
	for _, against := range text.Against {
		c, err := b.newCheck(against.When, against.Scope)
		if err != nil {
			return a, err
		}
		a.against = append(a.against, c)
	}
	return a, nil
}

// offer lists the alternatives, those that nothing speaks against first.
func (e *Engine) offer(s *state) []*pb.Alternative {
	var offers []*pb.Alternative
	for _, a := range e.alternatives {
		offer := &pb.Alternative{Title: a.text.Title, Cautions: slices.Clone(a.text.Cautions), Suitable: true}
		for i, c := range a.against {
			r, err := c.put(s)
			switch {
			case err == nil && r.yes:
				offer.Suitable = false
				offer.Cautions = append(offer.Cautions, a.text.Against[i].Caution)
			case err != nil || r.missing >= 0:
				offer.Suitable = false
				offer.Cautions = append(offer.Cautions, "Not known yet: "+e.question(max(r.missing, 0), r.about))
			}
		}
		offers = append(offers, offer)
	}
	slices.SortStableFunc(offers, func(a, b *pb.Alternative) int { return rank(a) - rank(b) })
	return offers
}

func rank(a *pb.Alternative) int {
	if a.GetSuitable() {
		return 0
	}
	return 1
}
