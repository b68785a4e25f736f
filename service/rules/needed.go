package rules

import (
	"cmp"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// Need is an answer that some rule waits for, whether it could still make the verdict
// worse or not.
// A form asks for all of these; a decision only for those that still matter, see
// openQuestions.
type Need struct {
	Path     string // of the answer, as in OpenQuestion.field
	Field    string // as rules name it: "zone.condition" for that of any zone
	Question string // in English
	RuleIDs  []string
	Worst    pb.Severity // the worst that the answer could bring
}

// Needed lists the answers that rules wait for, in the order of the consultation: field
// by field, and of each field zone by zone. A form asks for them before there is a
// decision, so it leaves none out that a finding would outweigh.
// It comes from the same evaluation as a decision, so form and decision never wait
// for different answers. Inputs without time, product, practitioner or salon are an
// error, as in Decide.
func (e *Engine) Needed(in *pb.DecisionInputs) ([]Need, error) {
	if err := complete(in); err != nil {
		return nil, err
	}
	s, err := e.open(e.withParameters(in), Revision)
	if err != nil {
		return nil, err
	}
	defer s.close()
	o := e.evaluateRules(s, e.policyFor(in.GetHousePolicy()), Revision)
	byKey := map[questionKey]*Need{}
	var keys []questionKey
	for _, w := range o.waiting {
		for _, i := range w.fields {
			// One answer is one need, however many rules wait for it.
			at := e.lang.questionKey(i, w.subject)
			n := byKey[at]
			if n == nil {
				field, _ := e.lang.decodeQuestion(i, w.subject)
				n = &Need{Path: e.lang.pathOf(i, w.subject), Field: e.lang.fields[field].path, Question: e.question(i, w.subject)}
				byKey[at], keys = n, append(keys, at)
			}
			n.Worst = contract.MostSevere(n.Worst, w.text.GetSeverity())
			if !slices.Contains(n.RuleIDs, w.text.GetRuleId()) {
				n.RuleIDs = append(n.RuleIDs, w.text.GetRuleId())
			}
		}
	}
	// Stable: the zones of one field stay in the order in which they were looked at.
	slices.SortStableFunc(keys, func(a, b questionKey) int { return cmp.Compare(a.field, b.field) })
	needs := make([]Need, len(keys))
	for i, at := range keys {
		needs[i] = *byKey[at]
	}
	return needs, nil
}

// Asked are questions that one tap may answer together; see QuestionGroup.
// It is for forms; rules see only the answers.
type Asked struct {
	ID     string
	Text   string
	Since  string   // the text when something is known of an earlier day, with {date}; empty: Text
	Shared []string // values that one tap may give to all, without the enum's prefix
	Fields []string // as rules name them
}

// Together lists the questions that may be answered with one tap.
func (e *Engine) Together() []Asked {
	var all []Asked
	for _, t := range e.together {
		all = append(all, Asked(t))
	}
	return all
}

// QuestionAt is the question of the answer at a path, in English, with the zone or
// section that it is about; the path itself when there is no question.
// A zone or a section is named in brackets, as in the paths of a decision. A date
// has the question of the time that it stands for.
func (e *Engine) QuestionAt(path string) string {
	field, about := path, subject{}
	for _, z := range zones() {
		if rest, ok := strings.CutPrefix(path, z.path+"."); ok {
			field, about = "zone."+rest, z.subject
		}
	}
	if rest, ok := strings.CutPrefix(path, "consultation.hair.sections["); ok {
		id, name, _ := strings.Cut(rest, "].")
		field, about = "section."+name, subject{name: "section:" + id}
	}
	if day, ok := strings.CutSuffix(field, ".last_date"); ok { // asked for as a time
		field = day + ".last_time"
	}
	i, known := e.lang.index[field]
	if !known {
		return path
	}
	return e.question(i, about)
}
