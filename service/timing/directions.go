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
// comes before the directions' single figures, and one that names the texture before one
// for every texture. If the texture is not known, the shortest of the rows that may apply
// counts as the longest time, and the usual time is not stated: a guess there would move
// the whole prior.
func timesFor(p *pb.Product, texture pb.Texture) directedTimes {
	d := p.GetDirections()
	t := directedTimes{usual: float64(d.GetUsualMinutes()), longest: float64(d.GetMaximumMinutes())}
	fit := 0
	for _, row := range d.GetTimes() {
		if s := row.GetStrength(); s != pb.Strength_STRENGTH_UNSPECIFIED && s != p.GetStrength() {
			continue
		}
		rank := 1 // every texture
		switch {
		case row.GetTexture() == pb.Texture_TEXTURE_UNSPECIFIED:
		case texture == pb.Texture_TEXTURE_UNSPECIFIED:
			t.shorten(row)
			continue
		case row.GetTexture() == texture:
			rank = 2
		default:
			continue
		}
		if row.GetStrength() != pb.Strength_STRENGTH_UNSPECIFIED {
			rank += 2 // a row for this strength alone says more than its texture does
		}
		if rank > fit {
			fit = rank
			t.take(row)
		}
	}
	return t
}

// take replaces what the row states.
func (t *directedTimes) take(row *pb.DirectedTime) {
	if row.UsualMinutes != nil {
		t.usual = float64(row.GetUsualMinutes())
	}
	if row.MaximumMinutes != nil {
		t.longest, t.row = float64(row.GetMaximumMinutes()), true
	}
}

// shorten takes the longest time of a row that may apply, if it is shorter.
func (t *directedTimes) shorten(row *pb.DirectedTime) {
	if m := float64(row.GetMaximumMinutes()); m > 0 && (t.longest == 0 || m < t.longest) {
		t.longest, t.row = m, true
	}
}

// usual is the usual time of a product for a texture; false when the directions do not
// state it.
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
func longestExposure(p *pb.Product, texture pb.Texture) float64 {
	if after := afterApplication(p, texture); after > 0 {
		return after + float64(p.GetDirections().GetApplicationMinutes())
	}
	return timesFor(p, texture).longest
}
