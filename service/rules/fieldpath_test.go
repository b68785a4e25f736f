package rules

import (
	"testing"

	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
)

// Every question names its answer in the one grammar of paths, so that what a till is
// asked for can be answered by the path it was asked with.
func TestQuestionsAreLegalPaths(t *testing.T) {
	e := newEngine(t)
	in := soundHead()
	in.Consultation.Hair.Sections = []*pb.HeadSection{{SectionId: "nape"}, {SectionId: "back-left"}}
	for _, path := range askedPaths(e, in) {
		p, err := fieldpath.Parse(path)
		if err != nil {
			t.Errorf("%s %v", path, err)
			continue
		}
		if k := p.Describe().Kind; k == fieldpath.KindElement || k == fieldpath.KindEvent {
			t.Errorf("%s is no single answer", path)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		in.SectionProducts = []*pb.SectionProduct{{SectionId: in.GetConsultation().GetHair().GetSections()[0].GetSectionId(), Product: in.GetProduct()}}
		d := mustDecide(t, e, in)
		for _, q := range d.GetOpenQuestions() {
			p, err := fieldpath.Parse(q.GetField())
			if err != nil {
				t.Fatalf("%s %v", q.GetField(), err)
			}
			// Another doctor's word may be asked for beside those that are there.
			if _, answered := p.Get(in); answered && q.GetField() != wordsPath {
				t.Errorf("%s is asked for and answered", q.GetField())
			}
		}
	})
}
