package timing

import (
	pb "alkalog/proto/alkalogv1"
)

// lather is one neutralizing shampoo since product was last put on.
type lather struct{ *pb.Shampoo }

// lathersDone counts lathers; one that two people noted counts once.
func lathersDone(lathers []lather) int32 {
	numbers := map[int32]bool{}
	for _, l := range lathers {
		numbers[l.GetNumber()] = true
	}
	return int32(len(numbers))
}

// showsAlkali: the colour of alkali, or a reading at or above the indicator's point.
func (l lather) showsAlkali(point float64) bool {
	return l.Indicator == pb.IndicatorColour_INDICATOR_COLOUR_ALKALI || l.Ph != nil && l.GetPh() >= point
}

// neutral tells whether the hair is shown to be neutral: after at least three
// lathers, the last word is that the colour was seen and has gone in a later lather,
// or a pH reading below the indicator's point. No colour at all proves nothing: the
// indicator is colourless again in very strong alkali, and a shampoo may have none.
func (f *service) neutral() bool {
	point := f.limits.NeutralPh
	coloured, shown := int32(0), false
	for _, l := range f.lathers {
		switch {
		case l.showsAlkali(point):
			shown = false
			if l.Indicator == pb.IndicatorColour_INDICATOR_COLOUR_ALKALI {
				coloured = max(coloured, l.GetNumber())
			}
		case l.Ph != nil && l.GetPh() < point:
			shown = true
		case l.Indicator == pb.IndicatorColour_INDICATOR_COLOUR_CLEAR && coloured > 0 && l.GetNumber() > coloured:
			shown = true
		}
	}
	return shown && lathersDone(f.lathers) >= fewestShampoos && !f.out.IsZero()
}

// notNeutralBecause says what is still missing.
func (f *service) notNeutralBecause() string {
	n := len(f.lathers)
	seen := false
	for _, l := range f.lathers {
		seen = seen || l.Indicator == pb.IndicatorColour_INDICATOR_COLOUR_ALKALI
	}
	switch {
	case f.out.IsZero():
		return "before product was rinsed out"
	case n == 0:
		return "without a neutralizing shampoo"
	case f.lathers[n-1].showsAlkali(f.limits.NeutralPh):
		return "while the last lather still showed alkali"
	case lathersDone(f.lathers) < fewestShampoos:
		return "after fewer than three lathers"
	case !seen:
		return "without the colour ever seen; no colour proves nothing, take a pH reading"
	}
	return "before a later lather was seen clear"
}
