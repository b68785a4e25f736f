package timing

import (
	pb "alkalog/proto/alkalogv1"
)

// tested notes a strand test. A test on a section that nobody noted as applied shows
// that product was on it by then. A test of the whole head is one of every section
// that product was put on.
func (f *service) tested(e fact, what *pb.StrandTest) {
	tested := f.testedSections(e, what.SectionId)
	for _, c := range tested {
		if c.first.Before(e.at) {
			f.testOverdue(c, e.at)
			f.rinseLate(c, e.at)
		}
		c.test(e, what)
	}
	f.capSeen(e, what, tested)
}

func (f *service) testedSections(e fact, id string) []*section {
	if id != "" {
		c := f.section(id)
		if c.first.IsZero() {
			c = f.touched(e, id)
		}
		return []*section{c}
	}
	var on, applied []*section
	for _, c := range f.sections {
		if c.on {
			on = append(on, c)
		}
		if !c.first.IsZero() {
			applied = append(applied, c)
		}
	}
	switch {
	case len(on) > 0:
		return on
	case len(applied) > 0:
		return applied
	case len(f.sections) == 0:
		return []*section{f.touched(e, "")}
	}
	// Nobody noted where: the clocks of all planned sections run.
	for _, c := range f.sections {
		f.touched(e, c.id)
	}
	return f.sections
}
