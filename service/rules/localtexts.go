package rules

import (
	"math"
	"slices"
	"strings"

	"cel.dev/cel-go/common/types"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/texts"
)

// LocalTexts translates the texts of a decision into a language: findings, conditions,
// questions and alternatives. A text that has no translation, such as one of a house
// rule, is left out, and so are the usual cautions: they are first aid, which is
// served in reviewed words only. The decision itself stays in English, so that it
// replays whatever the catalogue says by then.
// English is the language of the decision itself and gives no local texts. A text's
// id is that of the part of the decision that it translates.
func (e *Engine) LocalTexts(lang string, d *pb.Decision) ([]*pb.LocalText, error) {
	if lang == texts.English {
		return nil, nil
	}
	s, err := e.lang.open(e.withParameters(d.GetInputs()))
	if err != nil {
		return nil, err
	}
	defer s.close()
	t := translation{e, s, lang}
	var local []*pb.LocalText
	add := func(id, text string) {
		if text != "" {
			local = append(local, &pb.LocalText{TextId: id, Text: text})
		}
	}
	for _, f := range d.GetFindings() {
		add("findings/"+aboutSubject(f.GetRuleId(), f.GetSubject()), t.finding(f))
	}
	for _, c := range d.GetConditions() {
		add("conditions/"+c.GetConditionId(), t.condition(c, d.GetOpenQuestions()))
	}
	for _, q := range d.GetOpenQuestions() {
		text, _ := texts.Question(lang, q.GetField(), q.GetQuestion())
		add("questions/"+q.GetField(), text)
	}
	for _, a := range d.GetAlternatives() {
		id := "alternatives/" + a.GetAlternativeId()
		text, _ := texts.Translate(lang, id, a.GetTitle(), nil)
		add(id, text)
	}
	return local, nil
}

// aboutSubject is the id of what a rule says about a subject.
// Conditions have ids of the same form.
func aboutSubject(ruleID, subject string) string {
	if subject == "" {
		return ruleID
	}
	return ruleID + "@" + subject
}

// translation translates the texts of one case.
// Its state is moved from subject to subject, so texts are translated one after the
// other.
type translation struct {
	e    *Engine
	s    *state
	lang string
}

// finding translates a finding's message; "" when there is no translation.
// For a rule that failed the translation also says that it could not be checked, and for
// one that fires only by imported facts, that it does: the English message, which is shown
// above a draft, ends so too.
func (t *translation) finding(f *pb.Finding) string {
	text := t.message(f.GetRuleId(), f.GetSubject())
	if text != "" && f.GetEvaluationFailed() {
		text, _ = texts.Text(t.lang, "forms/failed", texts.Args{"text": text})
	}
	if text != "" && strings.HasSuffix(f.GetMessage(), importedText) {
		text, _ = texts.Text(t.lang, "forms/imported", texts.Args{"text": text})
	}
	return text
}

// condition translates a condition. Which question an open condition waits for is
// found among the open questions by its words.
// The English text is taken apart at the words that openConditionText and askOnce
// put into it; if those words change, they must change here too.
func (t *translation) condition(c *pb.Condition, open []*pb.OpenQuestion) string {
	asked, isOpen := strings.CutPrefix(c.GetText(), "Answer first: ")
	if !isOpen {
		return t.message(c.GetRuleId(), c.GetSubject())
	}
	if path, ok := strings.CutPrefix(c.GetConditionId(), unanswered); ok {
		question, _ := texts.Question(t.lang, path, asked)
		return t.form("forms/answer-first", texts.Args{"question": question})
	}
	asked, _, until := strings.Cut(asked, " Until then: ")
	i := slices.IndexFunc(open, func(q *pb.OpenQuestion) bool { return q.GetQuestion() == asked })
	if i < 0 {
		return ""
	}
	question, _ := texts.Question(t.lang, open[i].GetField(), asked)
	if !until {
		return t.form("forms/answer-first", texts.Args{"question": question})
	}
	return t.form("forms/answer-first-until", texts.Args{"question": question, "text": t.message(c.GetRuleId(), c.GetSubject())})
}

// form puts translated parts together; "" when one of them is missing.
// A form with a part missing would mix languages or leave out an instruction.
func (t *translation) form(id string, parts texts.Args) string {
	for _, part := range parts {
		if part == "" {
			return ""
		}
	}
	text, _ := texts.Text(t.lang, id, parts)
	return text
}

// message translates what a rule of the built-in policy says about a subject.
// The values in it are read again from the inputs, for the subject that the finding
// is about. What a house rule says is not translated.
func (t *translation) message(ruleID, subject string) string {
	i := slices.IndexFunc(t.e.builtInRules, func(r *rule) bool { return r.text.GetRuleId() == ruleID })
	if i < 0 {
		return ""
	}
	r := t.e.builtInRules[i]
	within := t.enter(r.scope, subject)
	args := texts.Args{}
	for _, part := range r.message {
		if part.field >= 0 {
			args[t.e.lang.fields[part.field].path] = t.argument(part.field)
		}
	}
	text, _ := texts.Translate(t.lang, "rules/"+ruleID, r.text.GetMessage(), args)
	if text != "" && within != "" {
		text, _ = texts.Text(t.lang, "forms/own-product", texts.Args{"section": within, "text": text})
	}
	return text
}

// enter makes the subject of a finding, as subject.label wrote it, the one that is
// looked at, and returns the section whose own product it is about; "" for the head's.
// The head's product is put back first, because the text before may have been about
// a section with a product of its own.
func (t *translation) enter(scope pb.RuleScope, label string) (within string) {
	s := t.s
	s.useProduct(s.in.GetProduct(), s.in.GetLotCode())
	if scope == pb.RuleScope_RULE_SCOPE_SECTION {
		for _, section := range s.in.GetConsultation().GetHair().GetSections() {
			if "section:"+section.GetSectionId() == label {
				s.enterSection(section)
			}
		}
		return ""
	}
	if rest, ok := strings.CutPrefix(label, "section:"); ok {
		within, label, _ = strings.Cut(rest, "/")
		for _, choice := range s.in.GetSectionProducts() {
			if choice.GetSectionId() == within {
				s.useProduct(choice.GetProduct(), choice.GetLotCode())
			}
		}
	}
	for _, z := range zones() {
		if z.name == label {
			s.enterZone(z.Zone)
		}
	}
	return within
}

// argument is a field's value for a translated message: words of a choice in the
// language, a number as a number, so that the language writes it, and everything else
// as the English message shows it.
// Numbers are rounded to three decimals, as the English message has them.
func (t *translation) argument(field int) any {
	switch v := t.s.value(field).(type) {
	case *enumValue:
		if words, _ := texts.Text(t.lang, "choices/"+v.longName, nil); words != "" {
			return words
		}
		return v.text()
	case types.Double:
		return math.Round(float64(v)*1000) / 1000
	case types.Int:
		return int64(v)
	default:
		return displayValue(v)
	}
}
