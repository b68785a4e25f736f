package rules

import (
	"fmt"
	"strings"
	"time"

	"cel.dev/cel-go/common/types/ref"

	pb "alkalog/proto/alkalogv1"
)

// A doctor's word clears one cause: rules read cleared.pregnancy and its like.
//
//	YES      a word for this cause has a date and a reference, is not older than
//	         parameters.clearance_days and covers what is asked about
//	NO       there is none, it is too old, or it covers something else
//	unknown  nobody said whether there is one; or there is one without a date or a
//	         reference, or only the old answer medical_clearance without a cause:
//	         then consultation.history.doctors_words is asked for
//
// A word never covers what began after the day on which it was given.

const (
	wordsPath = "consultation.history.doctors_words"
	anyWord   = "consultation.history.medical_clearance"
)

// clearanceFields are one field per cause but for incidents, which are cleared one
// by one.
func clearanceFields(v vocabulary) []field {
	fields := []field{{path: wordsPath, kind: answerKind(v), asked: true, get: func(s *state) ref.Val {
		if words := s.doctorsWords(); len(words) > 0 {
			return s.book.answer(pb.Answer_ANSWER_YES)
		}
		return nil
	}}}
	causes := pb.ClearanceCause(0).Descriptor().Values()
	for i := 1; i < causes.Len(); i++ {
		cause := pb.ClearanceCause(causes.Get(i).Number())
		if cause == pb.ClearanceCause_CLEARANCE_CAUSE_INCIDENT {
			continue
		}
		name := strings.ToLower(strings.TrimPrefix(string(causes.Get(i).Name()), "CLEARANCE_CAUSE_"))
		fields = append(fields, derive("cleared."+name, answerKind(v),
			func(s *state) ref.Val { return s.cleared(cause, "", time.Time{}) },
			func(s *state) []*pb.SeenAnswer { return s.seenWords(cause) }))
	}
	return fields
}

func (s *state) doctorsWords() []*pb.DoctorsWord {
	return s.in.GetConsultation().GetHistory().GetDoctorsWords()
}

// cleared tells whether a doctor's word clears a cause that began at a time; the
// zero time is not known. For an incident, the word must name it.
func (s *state) cleared(cause pb.ClearanceCause, incident string, began time.Time) ref.Val {
	words := s.doctorsWords()
	incomplete := false
	for _, w := range words {
		if w.GetCause() != cause || incident != "" && w.GetIncident() != incident {
			continue
		}
		given, dated := dateSpan(w.GetGiveDate(), s.location())
		switch {
		case w.GetGiveDate() == nil || strings.TrimSpace(w.GetReference()) == "":
			incomplete = true
		case dated && s.holds(given, began):
			return s.book.answer(pb.Answer_ANSWER_YES)
		}
	}
	switch said := s.in.GetConsultation().GetHistory().GetMedicalClearance(); {
	case incomplete:
		return s.ask(wordsPath)
	case len(words) == 0 && said == pb.Answer_ANSWER_YES:
		return s.ask(wordsPath)
	case len(words) == 0 && said == pb.Answer_ANSWER_UNSPECIFIED:
		return s.ask(anyWord)
	}
	return s.book.answer(pb.Answer_ANSWER_NO)
}

// holds tells whether a word given in an interval is neither of the future nor
// too old, and was not given before something began. The earliest day that fits
// counts, because an older word clears less.
func (s *state) holds(given interval, began time.Time) bool {
	days := s.daysAgo(given.earliest)
	return days >= 0 && days <= int64(s.in.GetParameters().GetClearanceDays()) &&
		(began.IsZero() || days <= s.daysAgo(began))
}

// seenWords shows what was said of a doctor's word for a cause: never the
// reference, which is personal, only whether there is one.
func (s *state) seenWords(cause pb.ClearanceCause) []*pb.SeenAnswer {
	var answers []*pb.SeenAnswer
	for i, w := range s.doctorsWords() {
		if w.GetCause() != cause {
			continue
		}
		value := "without a date"
		if w.GetGiveDate() != nil {
			value = plainDate(w.GetGiveDate())
		}
		if strings.TrimSpace(w.GetReference()) == "" {
			value += ", without a reference"
		}
		answers = append(answers, &pb.SeenAnswer{Field: fmt.Sprintf("%s[%d]", wordsPath, i), Value: value})
	}
	if len(answers) == 0 {
		if said := s.in.GetConsultation().GetHistory().GetMedicalClearance(); said != 0 {
			answers = append(answers, &pb.SeenAnswer{Field: anyWord, Value: s.book.answer(said).plain()})
		}
	}
	return answers
}
