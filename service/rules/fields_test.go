package rules

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Every answer of the consultation can be named by a rule and asked for in plain
// words, but for what is nobody's business in a decision: names, free words,
// references and the intake's own book-keeping.
func TestEveryAnswerIsAField(t *testing.T) {
	e := newEngine(t)
	hidden := strings.Fields(`
		consultation.name consultation.etag consultation.create_time consultation.update_time consultation.state
		consultation.submit_time consultation.salon consultation.practitioner consultation.remarks consultation.origins
		consultation.statements consultation.wishes.words consultation.tests.tester consultation.history.medical_clearance_reference
		consultation.consent.text_version consultation.consent.language consultation.consent.digest consultation.consent.confirmation
		zone.zone section.section_id section.porosity`)
	var walk func(string, protoreflect.MessageDescriptor)
	walk = func(path string, m protoreflect.MessageDescriptor) {
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			at := path + "." + string(f.Name())
			switch {
			case slices.Contains(hidden, at):
			case f.Message() != nil && f.Message().FullName() == "google.type.Date": // the sibling last_time stands for it
			case f.IsList() && e.lang.index[at] > 0: // asked for as a whole
			case f.IsList():
				walk(map[protoreflect.Name]string{"HairZone": "zone", "HeadSection": "section"}[f.Message().Name()], f.Message())
			case f.Message() != nil && f.Message().FullName() != "google.protobuf.Timestamp":
				walk(at, f.Message())
			default:
				if i, ok := e.lang.index[at]; !ok || !e.lang.fields[i].asked {
					t.Errorf("%s is not a field that rules can ask for", at)
				}
			}
		}
	}
	walk("consultation", (&pb.Consultation{}).ProtoReflect().Descriptor())
}

// Every question is of a field that is asked, and reads like one.
func TestQuestionsAreOfFields(t *testing.T) {
	e := newEngine(t)
	for path, question := range e.questions {
		if i, ok := e.lang.index[path]; !ok || !e.lang.fields[i].asked || !strings.HasSuffix(question, "?") {
			t.Errorf("%s: %q", path, question)
		}
	}
	for _, f := range e.lang.fields {
		if f.asked && e.questions[f.path] == "" {
			t.Errorf("%s has no question", f.path)
		}
	}
}

// Every field that is asked is read by some rule, but for those that only the
// record needs.
func TestNothingIsAskedForNothing(t *testing.T) {
	e := newEngine(t)
	derivedFrom := strings.Fields(`
		consultation.history.medical_clearance consultation.history.doctors_words consultation.consent.age_years
		consultation.history.extensions_removed.last_time consultation.history.relaxer.last_time
		zone.permanent_colour.last_time zone.semi_permanent_colour.last_time zone.smoothing.last_time
		consultation.history.isotretinoin.last_time consultation.history.cancer_treatment.last_time`)
	forTheRecord := strings.Fields(`
		consultation.hair.curl_index zone.thio.last_time zone.hydroxide.last_time zone.lightened.last_time
		consultation.tests.incompatibility_time consultation.history.medical_clearance_time`)
	for i, f := range e.lang.fields {
		read := slices.ContainsFunc(e.builtInRules, func(r *rule) bool { return slices.Contains(r.fields, i) })
		if f.asked && read == slices.Contains(append(forTheRecord, derivedFrom...), f.path) {
			t.Errorf("%s: read by a rule is %v", f.path, read)
		}
	}
}

// What SHBHREF002, Straighten and relax hair with chemical treatments
// (training.gov.au), requires to be analysed before the service can be answered in
// the consultation, is asked for when it is missing, and bears on the decision.
func TestElementsOfSHBHREF002(t *testing.T) {
	e := newEngine(t)
	for element, fields := range map[string][]string{
		"hair condition":                       {"zone.condition"},
		"scalp condition":                      {"consultation.scalp.redness", "consultation.scalp.flaking", "consultation.scalp.broken_skin"},
		"texture":                              {"consultation.hair.texture"},
		"density":                              {"consultation.hair.density"},
		"porosity":                             {"zone.porosity"},
		"degree of curl or wave":               {"consultation.hair.curl_type"},
		"length":                               {"consultation.hair.length_mm"},
		"effects of previous chemical service": {"zone.hydroxide.happened", "zone.thio.happened", "zone.permanent_colour.happened", "zone.lightened.happened"},
		"contraindications":                    {"consultation.history.bad_reaction", "consultation.history.allergy", "consultation.tests.elasticity"},
		"desired degree of relaxation":         {"consultation.wishes.straightening_percent"},
		"client's agreement":                   {"consultation.consent.agreed", "consultation.consent.explained"},
	} {
		for _, path := range fields {
			i, ok := e.lang.index[path]
			read := ok && slices.ContainsFunc(e.builtInRules, func(r *rule) bool { return slices.Contains(r.fields, i) })
			if !read || e.questions[path] == "" {
				t.Errorf("%s: %s is not asked for", element, path)
			}
		}
	}
	nothing := soundHead()
	nothing.Consultation = &pb.Consultation{}
	for _, path := range []string{"consultation.hair.texture", "consultation.hair.curl_type", "consultation.hair.zones[ends].porosity", "consultation.hair.zones[ends].condition"} {
		if !slices.ContainsFunc(mustDecide(t, e, nothing).GetOpenQuestions(), func(q *pb.OpenQuestion) bool { return q.GetField() == path }) {
			t.Errorf("an empty consultation is not asked for %s", path)
		}
	}
}

// No rule can see who the client is or what was written freely.
func TestRulesSeeNoPersonalData(t *testing.T) {
	e := newEngine(t)
	for _, f := range e.lang.fields {
		for _, hidden := range []string{"remarks", "wishes.words", "reference", "display_name", "client", "comment", "tester", "phone", "email"} {
			if strings.Contains(f.path, hidden) {
				t.Errorf("rules can read %s", f.path)
			}
		}
	}
}
