package timing

import (
	"fmt"

	pb "alkalog/proto/alkalogv1"
)

// lather is one neutralizing shampoo since product was last put on.
type lather struct {
	*pb.Shampoo
	number     int32
	normalized bool // a normalizer had been on and was rinsed out before it
}

// shampooed records the lathers of a fact and numbers them; without a number they are the
// next ones. Of several lathers in one fact, the earlier ones show what the fact says of
// them, and nothing where it says nothing.
func (f *folding) shampooed(e fact, s *pb.Shampoo) {
	if s.AfterNormalizer {
		f.normalizerOff(e.at)
		f.normalized = true
	}
	count, number := max(s.GetLathers(), 1), s.GetNumber()
	if s.Number != nil {
		count = min(count, number) // there are no more before it
	} else {
		for _, l := range f.lathers {
			number = max(number, l.number)
		}
		number += count
	}
	for earlier := count - 1; earlier > 0; earlier-- {
		f.lathers = append(f.lathers, lather{&pb.Shampoo{Indicator: s.EarlierIndicator}, number - earlier, f.normalized})
	}
	f.lathers = append(f.lathers, lather{s, number, f.normalized})
}

// latherCount counts lathers; one that two people recorded under one number counts once.
func latherCount(lathers []lather) int32 {
	numbers := map[int32]bool{}
	for _, l := range lathers {
		numbers[l.number] = true
	}
	return int32(len(numbers))
}

// coloured reports whether the colour of alkali was seen.
func (l lather) coloured() bool {
	return l.Indicator == pb.IndicatorColour_INDICATOR_COLOUR_ALKALI
}

// showsAlkali reports the colour of alkali, or a pH reading at or above the point at which
// the indicator changes.
func (l lather) showsAlkali(point float64) bool {
	return l.coloured() || l.Ph != nil && l.GetPh() >= point
}

// provesNeutral reports whether the hair was shown to be neutral. A service may also be
// closed as completed without proof: see NEUTRAL_PROOF_NOT_SHOWN.
func provesNeutral(p pb.NeutralProof) bool {
	switch p {
	case pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED, pb.NeutralProof_NEUTRAL_PROOF_NOT_SHOWN:
		return false
	}
	return true
}

// neutralProof is how the hair was shown to be neutral. There are three ways to close a
// relaxer as completed, each with at least three lathers: the colour was seen and then
// gone, a pH reading, or only clear lathers after a normalizer (not shown). A thio service
// is completed by its oxidising neutralizer instead.
func (f *folding) neutralProof() pb.NeutralProof {
	switch {
	case f.rinsedOut.IsZero():
		return pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED
	case IsThio(f.session):
		if f.oxidiser.minutes != nil && *f.oxidiser.minutes >= f.oxidiserMinutes() && f.oxidiser.since.IsZero() {
			return pb.NeutralProof_NEUTRAL_PROOF_OXIDISED
		}
		return pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED
	case latherCount(f.lathers) < fewestShampoos, !f.normalizer.since.IsZero(): // a normalizer on the hair hides what is in it
		return pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED
	}
	if proof := f.latherProof(); proof != pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED {
		return proof
	}
	if f.allLathersClear() {
		return pb.NeutralProof_NEUTRAL_PROOF_NOT_SHOWN
	}
	return pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED
}

// latherProof is what the lathers prove: the colour was seen and is gone in a later
// lather, or a pH reading is below the indicator's point. A later sign of alkali revokes
// the proof. No colour at all proves nothing: phenolphthalein is colourless again in very
// strong alkali, and a shampoo may have no indicator.
func (f *folding) latherProof() pb.NeutralProof {
	point := f.limits.NeutralPh
	coloured, proof := int32(0), pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED
	for _, l := range f.lathers {
		switch {
		case l.showsAlkali(point):
			proof = pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED
			if l.coloured() {
				coloured = max(coloured, l.number)
			}
		case l.Ph != nil && l.GetPh() < point:
			proof = pb.NeutralProof_NEUTRAL_PROOF_PH
		case l.Indicator == pb.IndicatorColour_INDICATOR_COLOUR_CLEAR && coloured > 0 && l.number > coloured && !provesNeutral(proof):
			proof = pb.NeutralProof_NEUTRAL_PROOF_COLOUR_GONE
		}
	}
	return proof
}

// allLathersClear reports whether alkali was looked for and never seen: the normalizer was
// on and was rinsed out, and at least three lathers after it were recorded as clear. This
// is ordinary, and nobody should have to record a colour that was not there.
func (f *folding) allLathersClear() bool {
	clear := map[int32]bool{}
	for _, l := range f.lathers {
		if l.showsAlkali(f.limits.NeutralPh) {
			return false
		}
		if l.normalized && l.Indicator == pb.IndicatorColour_INDICATOR_COLOUR_CLEAR {
			clear[l.number] = true
		}
	}
	return len(clear) >= fewestShampoos
}

// closable reports whether the service may be closed as completed.
func closable(p pb.NeutralProof) bool { return p != pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED }

// notNeutralBecause says what is missing, as the end of a sentence that begins with
// "closed".
func (f *folding) notNeutralBecause() string {
	if IsThio(f.session) {
		return f.notOxidisedBecause()
	}
	n := len(f.lathers)
	seen := false
	for _, l := range f.lathers {
		seen = seen || l.coloured()
	}
	switch {
	case f.rinsedOut.IsZero():
		return "before product was rinsed out"
	case n == 0:
		return "without a neutralizing shampoo"
	case f.lathers[n-1].showsAlkali(f.limits.NeutralPh):
		return "while the last lather still showed alkali"
	case latherCount(f.lathers) < fewestShampoos:
		return "after fewer than three lathers"
	case !f.normalizer.since.IsZero():
		return "before the normalizer was rinsed out"
	case !seen:
		return "without the colour ever seen and without normalizer rinsed out before three clear lathers or a pH reading"
	}
	return "before a later lather was seen clear"
}

// neutralAdvice is the next step until the hair is neutral.
func (f *folding) neutralAdvice() string {
	if IsThio(f.session) {
		return f.oxidiseAdvice()
	}
	n := len(f.lathers)
	coloured := n > 0 && f.lathers[n-1].showsAlkali(f.limits.NeutralPh)
	seen := false
	for _, l := range f.lathers {
		seen = seen || l.coloured()
	}
	switch done := latherCount(f.lathers); {
	case !f.normalizer.since.IsZero():
		return "Rinse the normalizer out when its time is over. Then shampoo."
	case coloured && done >= manyLathers:
		return fmt.Sprintf("Rinse again, put the normalizer on, then shampoo. Lather %d still shows colour.", done)
	case coloured:
		return "Shampoo again. The last lather still shows colour."
	case done < fewestShampoos:
		return fmt.Sprintf("Shampoo. %d of at least %d lathers are done.", done, fewestShampoos)
	case !seen && !f.normalized:
		return "Put the normalizer on, rinse it out and shampoo three times, or take a pH strip. You have not seen colour yet."
	case !seen:
		return "Tap what each of three lathers shows, or take a pH strip."
	}
	return "Shampoo again until a lather is clear."
}
