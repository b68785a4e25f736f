package timing

import (
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// directedTimes are the usual and the longest minutes that a product's directions give
// for a texture, and where the longest is from. Zero: not stated.
type directedTimes struct {
	usual, longest float64
	// row: the longest time is from a row of the table.
	row bool
}

// timesFor reads the directions of a product for a texture. A row of the table that fits
// comes before the directions' single figures. For the usual time the row that says most
// counts: strength and texture, then strength, then texture, then neither. For the longest
// time a row of strength and texture counts alone; if there is none, the shorter of the
// rows of the strength and of the texture, because both were written for this hair. If the
// texture is not known, no row that may apply makes the longest time longer, and the usual
// time is not stated: a guess there would move the whole prior. The order of the rows does
// not matter for the longest time.
func timesFor(p *pb.Product, texture pb.Texture) directedTimes {
	d := p.GetDirections()
	t := directedTimes{usual: float64(d.GetUsualMinutes()), longest: float64(d.GetMaximumMinutes())}
	var usual, longest [exactRow + 1]float64 // by rank
	var possible float64                     // the shortest of the rows that may apply
	for _, row := range d.GetTimes() {
		most := float64(row.GetMaximumMinutes())
		rank := rankOf(row, p.GetStrength(), texture)
		switch {
		case rank == otherHair:
		case rank == possibleRow:
			possible = shortest(possible, most)
		default:
			longest[rank] = shortest(longest[rank], most)
			if usual[rank] == 0 {
				usual[rank] = float64(row.GetUsualMinutes())
			}
		}
	}
	for _, minutes := range usual {
		if minutes > 0 {
			t.usual = minutes
		}
	}
	// From the least specific row to the most specific one, which takes the place of
	// the others.
	for _, minutes := range []float64{longest[anyRow], shortest(longest[textureRow], longest[strengthRow]), longest[exactRow]} {
		if minutes > 0 {
			t.longest, t.row = minutes, true
		}
	}
	if possible > 0 && shortest(possible, t.longest) == possible {
		t.longest, t.row = possible, true
	}
	return t
}

// How well a row of the table fits, the best last.
const (
	otherHair   = iota // of another strength or texture
	possibleRow        // of a texture, and that of the hair is not known
	anyRow             // of every strength and texture
	textureRow
	strengthRow
	exactRow
)

// rankOf says how well a row fits a product and a texture.
func rankOf(row *pb.DirectedTime, strength pb.Strength, texture pb.Texture) int {
	ofStrength, ofTexture := row.GetStrength() != pb.Strength_STRENGTH_UNSPECIFIED, row.GetTexture() != pb.Texture_TEXTURE_UNSPECIFIED
	switch {
	case ofStrength && row.GetStrength() != strength:
		return otherHair
	case ofTexture && texture == pb.Texture_TEXTURE_UNSPECIFIED:
		return possibleRow
	case ofTexture && row.GetTexture() != texture:
		return otherHair
	case ofStrength && ofTexture:
		return exactRow
	case ofStrength:
		return strengthRow
	case ofTexture:
		return textureRow
	}
	return anyRow
}

// shortest is the shorter of two times; zero is not stated.
func shortest(a, b float64) float64 {
	if a == 0 || b == 0 {
		return max(a, b)
	}
	return min(a, b)
}

// usual is the usual time of a product for a texture; false when the directions do not
// state it.
// Common practice then stands in for it, but never for longer than the longest time
// that is stated.
func usual(p *pb.Product, texture pb.Texture) (float64, bool) {
	switch t := timesFor(p, texture); {
	case t.usual > 0:
		return t.usual, true
	case t.longest > 0:
		return min(usualMinutes, t.longest), false
	}
	return usualMinutes, false
}

// statesUsual reports whether the table has a usual time for the texture by name.
func statesUsual(p *pb.Product, texture pb.Texture) bool {
	return slices.ContainsFunc(p.GetDirections().GetTimes(), func(row *pb.DirectedTime) bool {
		strength := row.GetStrength() == pb.Strength_STRENGTH_UNSPECIFIED || row.GetStrength() == p.GetStrength()
		return strength && row.GetTexture() == texture && row.UsualMinutes != nil
	})
}

// afterApplication is the longest minutes from the end of the application to water, where
// the directions count from there; 0 where they count from first contact. Directions that
// do not say how long the application may take are read as counting from first contact:
// otherwise nothing would bound the exposure of the first section.
func afterApplication(p *pb.Product, texture pb.Texture) float64 {
	d := p.GetDirections()
	if d.GetMaximumStart() != pb.MaximumStart_MAXIMUM_START_END_OF_APPLICATION || d.ApplicationMinutes == nil {
		return 0
	}
	return timesFor(p, texture).longest
}

// longestExposure is the longest minutes from a section's first contact by the
// directions; 0 when they do not state it.
// Where directions count from the end of the application, the time of applying is
// added, which bounds the exposure of the section that was applied first.
func longestExposure(p *pb.Product, texture pb.Texture) float64 {
	if after := afterApplication(p, texture); after > 0 {
		return after + float64(p.GetDirections().GetApplicationMinutes())
	}
	return timesFor(p, texture).longest
}
