package timing

import (
	pb "alkalog/proto/alkalogv1"
)

// tested notes a strand test. A test on a section that nobody noted as applied shows
// that product was on it by then. A test of the whole head is one of every section
// that product was put on.
func (f *folding) strandTested(e fact, what *pb.StrandTest) {
	tested := f.sectionsTested(e, what.SectionId)
	for _, c := range tested {
		if c.firstContact.Before(e.at) {
			f.checkTestOverdue(c, e.at)
			f.checkRinseLate(c, e.at)
		}
		c.strandTest(e, what)
	}
	f.checkReadingAgainstCap(e, what, tested)
}

func (f *folding) sectionsTested(e fact, id string) []*section {
	if id != "" {
		c := f.section(id)
		if c.firstContact.IsZero() {
			c = f.startExposure(e, id)
		}
		return []*section{c}
	}
	var on, applied []*section
	for _, c := range f.sections {
		if c.on {
			on = append(on, c)
		}
		if !c.firstContact.IsZero() {
			applied = append(applied, c)
		}
	}
	switch {
	case len(on) > 0:
		return on
	case len(applied) > 0:
		return applied
	case len(f.sections) == 0:
		return []*section{f.startExposure(e, "")}
	}
	// Nobody noted where: the clocks of all planned sections run.
	for _, c := range f.sections {
		f.startExposure(e, c.id)
	}
	return f.sections
}
