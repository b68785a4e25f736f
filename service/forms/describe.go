package forms

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
	"alkalog/service/texts"
)

// Describe fills in what kind of answer a question takes, with the words of its choices in
// a language. It changes nothing that was decided. A field that is no answer stays as it is.
func Describe(q *pb.OpenQuestion, lang string) {
	p, err := fieldpath.Parse(q.GetField())
	if err != nil {
		return
	}
	d := p.Describe()
	q.Kind, q.Unit, q.Minimum, q.Maximum = kindOf(p, d.Kind), d.Unit, d.Min, d.Max
	q.Choices = Choices(p, lang)
}

// translate puts the question itself into a language.
func translate(q *pb.OpenQuestion, lang string) {
	translated, reviewed := texts.Question(lang, q.GetField(), q.GetQuestion())
	if translated == "" {
		return
	}
	if !reviewed {
		q.EnglishQuestion = q.Question
	}
	q.Question = translated
}

// DescribeAll describes the open questions of a decision. The questions themselves stay
// in English: their translations are among the decision's texts.
func DescribeAll(d *pb.Decision, lang string) {
	for _, q := range d.GetOpenQuestions() {
		Describe(q, lang)
	}
}

// kindOf is the contract's name for a kind of answer. Whether a past event happened is
// asked together with its time.
func kindOf(p fieldpath.Path, k fieldpath.Kind) pb.QuestionKind {
	switch k {
	case fieldpath.KindAnswer:
		if strings.HasSuffix(p.String(), ".happened") {
			return pb.QuestionKind_QUESTION_KIND_PAST_EVENT
		}
		return pb.QuestionKind_QUESTION_KIND_ANSWER
	case fieldpath.KindChoice:
		return pb.QuestionKind_QUESTION_KIND_CHOICE
	case fieldpath.KindNumber:
		return pb.QuestionKind_QUESTION_KIND_NUMBER
	case fieldpath.KindTime, fieldpath.KindDate:
		return pb.QuestionKind_QUESTION_KIND_TIME
	case fieldpath.KindEvent:
		return pb.QuestionKind_QUESTION_KIND_PAST_EVENT
	case fieldpath.KindDoctorsWords:
		return pb.QuestionKind_QUESTION_KIND_DOCTORS_WORDS
	case fieldpath.KindText:
		return pb.QuestionKind_QUESTION_KIND_TEXT
	}
	return pb.QuestionKind_QUESTION_KIND_UNSPECIFIED
}

// Choices are what can be chosen at a path, with words in a language; none for an answer
// that is no choice.
func Choices(p fieldpath.Path, lang string) []*pb.QuestionChoice {
	var all []*pb.QuestionChoice
	for _, c := range p.Describe().Choices {
		choice := &pb.QuestionChoice{Value: c.Value, Label: c.Word}
		value := p.Field().Enum().Values().ByNumber(c.Number)
		if english, _ := texts.Choice(texts.English, value); english != "" {
			choice.Label = english
			if text, reviewed := texts.Choice(lang, value); text != english {
				choice.Label = text
				if !reviewed {
					choice.EnglishLabel = english
				}
			}
		}
		all = append(all, choice)
	}
	return all
}

// display is an answer that is no choice, as it is shown: times as RFC 3339 in UTC, dates as
// ISO 8601, without the month or the day when they are not known.
func display(v protoreflect.Value) string {
	m, ok := v.Interface().(protoreflect.Message)
	if !ok {
		return fmt.Sprint(v.Interface())
	}
	switch m := m.Interface().(type) {
	case *timestamppb.Timestamp:
		return m.AsTime().Format(time.RFC3339)
	case *date.Date:
		switch {
		case m.GetMonth() == 0:
			return fmt.Sprintf("%04d", m.GetYear())
		case m.GetDay() == 0:
			return fmt.Sprintf("%04d-%02d", m.GetYear(), m.GetMonth())
		}
		return fmt.Sprintf("%04d-%02d-%02d", m.GetYear(), m.GetMonth(), m.GetDay())
	}
	return ""
}
