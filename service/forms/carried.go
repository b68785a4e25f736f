package forms

import (
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
	"alkalog/service/rules"
	"alkalog/service/texts"
)

// carried are the answers that were taken over from an earlier visit, by the origins that
// the draft has of them. Sections and zones as a whole are not answers and are left out.
func (f *form) carried() []*pb.OpenQuestion {
	var all []*pb.OpenQuestion
	for _, o := range f.Inputs.GetConsultation().GetOrigins() {
		p, err := fieldpath.Parse(o.GetField())
		if err != nil || o.GetOrigin() != pb.AnswerOrigin_ANSWER_ORIGIN_CARRIED || p.IsElement() {
			continue
		}
		value, answered := p.Get(f.Inputs)
		if !answered {
			continue
		}
		q := &pb.OpenQuestion{Field: o.GetField(), Question: f.Engine.QuestionAt(o.GetField()), CarriedTime: o.GetAnswerTime(),
			CarriedFrom: o.GetConsultation(), CarriedValue: inWords(p, value, f.Language)}
		if q.CarriedFrom == "" {
			q.CarriedFrom = o.GetSession()
		}
		Describe(q, f.Language)
		translate(q, f.Language)
		all = append(all, q)
	}
	return all
}

// fillUsual fills in the usual answer to a question that adds or removes a condition and
// decides nothing else: that of the last visit. A yes or a no is never filled in. The
// product of a strand test is usually the one that is planned.
func (f *form) fillUsual(q *pb.OpenQuestion, n rules.Need) {
	if n.Field == "consultation.tests.strand_product" {
		q.UsualValue = f.Inputs.GetProduct().GetName()
		return
	}
	p, err := fieldpath.Parse(n.Path)
	fillable := q.GetKind() == pb.QuestionKind_QUESTION_KIND_CHOICE || q.GetKind() == pb.QuestionKind_QUESTION_KIND_NUMBER
	if err != nil || !fillable || f.earlier == nil || n.Worst != pb.Severity_SEVERITY_CONDITION {
		return
	}
	value, answered := p.Get(f.earlier)
	if !answered {
		return
	}
	if q.UsualValue = display(value); q.GetKind() == pb.QuestionKind_QUESTION_KIND_CHOICE {
		q.UsualValue = string(p.Field().Enum().Values().ByNumber(value.Enum()).Name())
	}
	q.CarriedValue, q.CarriedFrom, q.CarriedTime = inWords(p, value, f.Language), f.Earlier.GetName(), f.Earlier.GetSubmitTime()
}

// inWords is an answer in words.
func inWords(p fieldpath.Path, value protoreflect.Value, lang string) string {
	if e := p.Field().Enum(); e != nil {
		if v := e.Values().ByNumber(value.Enum()); v != nil {
			if text, _ := texts.Choice(lang, v); text != "" {
				return text
			}
		}
	}
	return display(value)
}
