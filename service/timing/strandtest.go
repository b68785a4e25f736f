package timing

import (
	pb "alkalog/proto/alkalogv1"
)

// strandTested records a strand test. A test on a section without a recorded application
// shows that product was on it by then. A test of the whole head is a test of every
// section that has product on.
// What was overdue before the test is recorded first, because the test renews the
// advice.
func (f *folding) strandTested(e fact, what *pb.StrandTest) {
	tested := f.sectionsTested(e, what.SectionId)
	f.checkTestsOverdue(e.at)
	for _, c := range tested {
		if c.firstContact.Before(e.at) {
			f.checkTestOverdue(c, e.at)
			f.checkRinseLate(c, e.at)
		}
		c.strandTest(e, what)
	}
	f.checkReadingAgainstCap(e, what, tested)
}

// sectionsTested returns the sections that a test is about: those with product on; after
// the rinse, all that had product on; and if no application was recorded at all, all
// planned sections, whose clocks then run from the test on.
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
	// No application was recorded: assume the whole head.
	for _, c := range f.sections {
		f.startExposure(e, c.id)
	}
	return f.sections
}
