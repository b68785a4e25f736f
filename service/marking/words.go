package marking

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
)

// Label is a path in words: "hair, ends: condition" for
// "consultation.hair.zones[ends].condition".
// It is for people who read a sheet; programs compare the path.
func Label(path string) string {
	path = strings.TrimPrefix(path, "consultation.")
	path = strings.NewReplacer("hair.zones[", "hair, ", "hair.sections[", "section ", "].", ": ", "_", " ", ".", ": ", "[", " ", "]", "").Replace(path)
	return path
}

// lower is an enum's value in words, without the prefix of its enum.
func lower(value, prefix string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(value, prefix), "_", " "))
}

// VerdictWords is a verdict in words.
func VerdictWords(v pb.Verdict) string {
	if v == pb.Verdict_VERDICT_UNSPECIFIED {
		return "nothing"
	}
	return lower(v.String(), "VERDICT_")
}

// strengthWords is a strength in words.
func strengthWords(s pb.Strength) string {
	if s == pb.Strength_STRENGTH_UNSPECIFIED {
		return "nothing"
	}
	return lower(s.String(), "STRENGTH_")
}

// answerWords is an answer in words.
func answerWords(a pb.Answer) string {
	if a == pb.Answer_ANSWER_UNSPECIFIED {
		return "not stated"
	}
	return lower(a.String(), "ANSWER_")
}

// ValueAt is the answer of a case at a path, in words as a client would say it; empty if
// the case has none. Times are told as days or hours before the visit, since a case is
// played on any day.
// It tells the bare answer. What follows from it is for the student to say, so no severity
// and no rule is in it.
func ValueAt(in *pb.DecisionInputs, path string) string {
	p, err := fieldpath.Parse(path)
	if err != nil {
		return ""
	}
	value, ok := p.Get(in)
	if !ok {
		return ""
	}
	visit := in.GetDecideTime().AsTime()
	switch d := p.Describe(); d.Kind {
	case fieldpath.KindAnswer, fieldpath.KindChoice:
		for _, c := range d.Choices {
			if c.Number == value.Enum() {
				return strings.ReplaceAll(c.Word, "_", " ")
			}
		}
		return "other"
	case fieldpath.KindNumber:
		number := value.Interface()
		if f, ok := number.(float64); ok {
			number = strconv.FormatFloat(f, 'f', -1, 64)
		}
		return strings.TrimSpace(fmt.Sprint(number, " ", d.Unit))
	case fieldpath.KindTime:
		if t, ok := value.Message().Interface().(*timestamppb.Timestamp); ok {
			return before(visit, t.AsTime())
		}
	case fieldpath.KindDate:
		if day, ok := value.Message().Interface().(*date.Date); ok {
			return dayWords(day)
		}
	case fieldpath.KindEvent:
		if e, ok := value.Message().Interface().(*pb.PastEvent); ok {
			return eventWords(visit, e)
		}
	case fieldpath.KindDoctorsWords:
		return fmt.Sprintf("%d doctor's words", value.List().Len())
	case fieldpath.KindText:
		return value.String()
	}
	return "yes"
}

// eventWords is a past event in words.
// When it happened is left out where the case does not say.
func eventWords(visit time.Time, e *pb.PastEvent) string {
	words := answerWords(e.Happened)
	switch {
	case e.LastTime != nil:
		words += ", " + before(visit, e.LastTime.AsTime())
	case e.LastDate != nil:
		words += ", " + dayWords(e.LastDate)
	}
	return words
}

// dayWords is a calendar day, month or year.
func dayWords(d *date.Date) string {
	switch {
	case d.Month == 0:
		return fmt.Sprintf("%04d", d.Year)
	case d.Day == 0:
		return fmt.Sprintf("%04d-%02d", d.Year, d.Month)
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day)
}

// before is how long before the visit something was: in hours up to three days, in days
// after that.
// Rules count some waits in hours, and a client would tell a recent one in hours as well.
func before(visit, at time.Time) string {
	hours := visit.Sub(at).Hours()
	if hours <= 72 {
		return fmt.Sprintf("%.0f hours before the visit", hours)
	}
	return fmt.Sprintf("%.0f days before the visit", hours/24)
}
