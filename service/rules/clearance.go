package rules

import (
	"fmt"
	"strings"
	"time"
	"unicode"

	"cel.dev/cel-go/common/types/ref"

	pb "alkalog/proto/alkalogv1"
)

// What a doctor said is an answer like any other, with a cause, a date and a reference.
// One word for everything, without a date, is worth nothing and would clear things that
// the doctor never heard of.

// A doctor's word clears one cause: rules read cleared.pregnancy and its like.
//
//	YES      a word for this cause has a date and a reference, is not older than
//	         parameters.clearance_days and covers what is asked about
//	NO       there is none, it is too old, or it covers something else
//	unknown  there is one without a date or a reference, or only the old answer
//	         medical_clearance without a cause: then
//	         consultation.history.doctors_words is asked for
//
// A word never covers what began after the day on which it was given. Revision 0
// asked whether there was a word when nobody had said, knew no beginning of a
// medicine or a treatment, and took any character for a reference.

const (
	// wordsPath are the doctors' words, each with its cause, date and reference.
	wordsPath = "consultation.history.doctors_words"
	// anyWord is the older answer without a cause. It clears nothing; a yes only
	// asks for the words themselves.
	anyWord = "consultation.history.medical_clearance"
)

// clearanceFields are one field per cause but for incidents, which are cleared one
// by one.
func clearanceFields(v enumTable) []field {
	fields := []field{{path: wordsPath, celType: answerType(v), asked: true, get: func(s *state) ref.Val {
		if words := s.doctorsWords(); len(words) > 0 {
			return s.lang.answer(pb.Answer_ANSWER_YES)
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
		fields = append(fields, derive("cleared."+name, answerType(v),
			func(s *state) ref.Val { return s.cleared(cause, "", s.began(cause)) },
			func(s *state) []*pb.SeenAnswer { return s.evidenceOfClearance(cause) }))
	}
	return fields
}

// A word covers what was known when it was given. Treatments have dates, so a word of
// before the treatment began does not cover it; pregnancy, an allergy or an illness have
// none in the consultation, and the word's age is the limit.

// began is when a cause that has a date was last given or taken, at the latest; the
// zero time is not known.
func (s *state) began(cause pb.ClearanceCause) time.Time {
	var event *pb.PastEvent
	switch history := s.in.GetConsultation().GetHistory(); {
	case s.revision < 1:
	case cause == pb.ClearanceCause_CLEARANCE_CAUSE_ISOTRETINOIN:
		event = history.GetIsotretinoin()
	case cause == pb.ClearanceCause_CLEARANCE_CAUSE_CANCER_TREATMENT:
		event = history.GetCancerTreatment()
	}
	if at, dated := s.when(event); dated {
		return at.latest
	}
	return time.Time{}
}

// minimumReference is how many letters and digits a reference has at least, so that
// a dot or a dash is none. Our own choice.
const minimumReference = 3

// hasReference tells whether a doctor's word has a reference.
func (s *state) hasReference(w *pb.DoctorsWord) bool {
	if s.revision < 1 {
		return strings.TrimSpace(w.GetReference()) != ""
	}
	n := 0
	for _, c := range w.GetReference() {
		if unicode.IsLetter(c) || unicode.IsDigit(c) {
			n++
		}
	}
	return n >= minimumReference
}

func (s *state) doctorsWords() []*pb.DoctorsWord {
	return s.in.GetConsultation().GetHistory().GetDoctorsWords()
}

// cleared tells whether a doctor's word clears a cause that began at a time; the
// zero time is not known. For an incident, the word must name it.
// A complete word counts at once. An incomplete one asks for what it lacks only when
// no other word clears the cause.
func (s *state) cleared(cause pb.ClearanceCause, incident string, began time.Time) ref.Val {
	words := s.doctorsWords()
	incomplete := false
	for _, w := range words {
		if w.GetCause() != cause || incident != "" && w.GetIncident() != incident {
			continue
		}
		given, dated := dateSpan(w.GetGiveDate(), s.location())
		switch {
		case w.GetGiveDate() == nil || !s.hasReference(w):
			incomplete = true
		case dated && s.holds(given, began):
			return s.lang.answer(pb.Answer_ANSWER_YES)
		}
	}
	switch said := s.in.GetConsultation().GetHistory().GetMedicalClearance(); {
	case incomplete:
		return s.unknownOf(wordsPath)
	case len(words) == 0 && said == pb.Answer_ANSWER_YES:
		return s.unknownOf(wordsPath)
	case len(words) == 0 && said == pb.Answer_ANSWER_UNSPECIFIED && s.revision < 1:
		return s.unknownOf(anyWord)
	}
	return s.lang.answer(pb.Answer_ANSWER_NO)
}

// holds tells whether a word given in an interval is neither of the future nor
// too old, and was not given before something began. The earliest day that fits
// counts, because an older word clears less.
// Days are calendar days of the salon.
func (s *state) holds(given interval, began time.Time) bool {
	days := s.daysAgo(given.earliest)
	return days >= 0 && days <= int64(s.in.GetParameters().GetClearanceDays()) &&
		(began.IsZero() || days <= s.daysAgo(began))
}

// evidenceOfClearance shows what was said of a doctor's word for a cause: never the
// reference, which is personal, only whether there is one.
func (s *state) evidenceOfClearance(cause pb.ClearanceCause) []*pb.SeenAnswer {
	var answers []*pb.SeenAnswer
	for i, w := range s.doctorsWords() {
		if w.GetCause() != cause {
			continue
		}
		value := "without a date"
		if w.GetGiveDate() != nil {
			value = displayDate(w.GetGiveDate())
		}
		if !s.hasReference(w) {
			value += ", without a reference"
		}
		answers = append(answers, &pb.SeenAnswer{Field: fmt.Sprintf("%s[%d]", wordsPath, i), Value: value})
	}
	if len(answers) == 0 {
		if said := s.in.GetConsultation().GetHistory().GetMedicalClearance(); said != 0 {
			answers = append(answers, &pb.SeenAnswer{Field: anyWord, Value: s.lang.answer(said).text()})
		}
	}
	return answers
}
