package rules

import (
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// A refusal comes with something else to offer, so that a salon does not have to choose
// between no and a lie. What is offered is judged by the same inputs: an alternative is
// suitable only if nothing that its own cautions exclude is on record. What is not known
// counts against it. An alternative that the law of the place forbids is not shown at
// all.

// alternative is something gentler to offer, with what speaks against it.
type alternative struct {
	text    alternativeText
	basis   *pb.Basis // absent in policies from before alternatives had one
	notIn   uint64    // bit n: not offered in jurisdiction n
	against []check
}

// alternative builds an alternative of a policy's file. A basis or a place that does
// not exist, or a condition that does not compile, is an error of the whole policy.
// What is not offered in some place is not offered to a salon that did not state
// where it is either: the law of that place may be its own.
func (l *language) alternative(text alternativeText) (alternative, error) {
	a := alternative{text: text}
	if text.Basis.Kind != "" {
		kind, err := number("BASIS_KIND_", pb.BasisKind_value, text.Basis.Kind)
		if err != nil {
			return a, err
		}
		a.basis = &pb.Basis{Kind: pb.BasisKind(kind), Source: text.Basis.Source}
	}
	for _, name := range text.NotIn {
		place, err := number("JURISDICTION_", pb.Jurisdiction_value, name)
		if err != nil {
			return a, err
		}
		a.notIn |= jurisdictionBit(pb.Jurisdiction(place)) | jurisdictionBit(pb.Jurisdiction_JURISDICTION_UNSPECIFIED)
	}
	for _, against := range text.Against {
		c, err := l.newCheck(against.When, against.Scope)
		if err != nil {
			return a, err
		}
		a.against = append(a.against, c)
	}
	return a, nil
}

// Those that nothing speaks against come first, since a salon reads the first line.
// The order of the file counts otherwise, gentlest first.

// alternativesFor lists the alternatives, those that nothing speaks against first.
func (e *Engine) alternativesFor(s *state) []*pb.Alternative {
	var offers []*pb.Alternative
	place := jurisdictionBit(Jurisdiction(s.in.GetSalon()))
	for _, a := range e.alternatives {
		if a.notIn&place != 0 {
			continue
		}
		offer := &pb.Alternative{AlternativeId: a.text.ID, Title: a.text.Title, Basis: a.basis, Cautions: slices.Clone(a.text.Cautions), Suitable: true}
		for i, r := range runChecks(s, a.against) {
			switch {
			case r.yes:
				offer.Suitable = false
				offer.Cautions = append(offer.Cautions, a.text.Against[i].Caution)
			// The caution names the missing answer, so that it can be given and the
			// offer become suitable.
			case r.open:
				offer.Suitable = false
				offer.Cautions = append(offer.Cautions, e.missingAnswerText(s.revision, r))
			}
		}
		offers = append(offers, offer)
	}
	slices.SortStableFunc(offers, func(a, b *pb.Alternative) int { return rank(a) - rank(b) })
	return offers
}

// rank puts suitable alternatives before all others.
func rank(a *pb.Alternative) int {
	if a.GetSuitable() {
		return 0
	}
	return 1
}

// Offers lists what a policy can offer instead of a service, with id and title, in the
// order of the file. What suits a head is in the decision on it.
func (e *Engine) Offers() []*pb.Alternative {
	var offers []*pb.Alternative
	for _, a := range e.alternatives {
		offers = append(offers, &pb.Alternative{AlternativeId: a.text.ID, Title: a.text.Title})
	}
	return offers
}
