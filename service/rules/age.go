package rules

import (
	"fmt"
	"time"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"

	pb "alkalog/proto/alkalogv1"
)

// Age comes from two sources that can disagree, a birth date on record and a number that
// was typed. The lower one counts until a document settles it: a wrong refusal costs a
// visit, a wrong go-ahead a child's scalp.

// agePath is the age in whole years as it was typed. It is what is asked for when
// neither source gives an age.
const agePath = "consultation.consent.age_years"

// ageFields are the client's age and whether two sources of it disagree. The age
// comes from the birth date on record; a typed age that disagrees is asked about,
// and until then the lower one counts.
func ageFields() []field {
	sees := func(s *state) []*pb.SeenAnswer {
		var answers []*pb.SeenAnswer
		if born, ok := s.ageByBirth(); ok {
			answers = append(answers, &pb.SeenAnswer{Field: "birth_date", Value: fmt.Sprintf("%d years", born)})
		}
		if typed, ok := s.ageTyped(); ok {
			answers = append(answers, &pb.SeenAnswer{Field: agePath, Value: fmt.Sprint(typed)})
		}
		return answers
	}
	return []field{
		// The ages in the parameters are all minimums, so the lower of two ages is
		// the stricter one.
		derive("known.age_years", cel.IntType, func(s *state) ref.Val {
			born, onRecord := s.ageByBirth()
			typed, given := s.ageTyped()
			switch {
			case onRecord && given:
				return types.Int(min(born, typed))
			case onRecord:
				return types.Int(born)
			case given:
				return types.Int(typed)
			}
			return s.unknownOf(agePath)
		}, sees).replacing(agePath),
		// One source alone cannot disagree, so an age that is missing is no dispute.
		{path: "known.age_disputed", celType: cel.BoolType, evidence: sees, get: func(s *state) ref.Val {
			born, onRecord := s.ageByBirth()
			typed, given := s.ageTyped()
			return types.Bool(onRecord && given && born != typed)
		}},
	}
}

// ageTyped is the age in whole years that was typed into the consultation.
func (s *state) ageTyped() (years int64, ok bool) {
	if c := s.in.GetConsultation().GetConsent(); c != nil && c.AgeYears != nil {
		return int64(*c.AgeYears), true
	}
	return 0, false
}

// The day of the decision is the salon's day: at a quarter past midnight in the salon it
// can still be yesterday in UTC, and a birthday decides whether a guardian is needed.

// ageByBirth is the age in whole years on the day of the decision in the salon's
// time zone. Somebody born on 29 February has the birthday on 1 March in other
// years. A birth date that is none is as if it were not on record.
func (s *state) ageByBirth() (years int64, ok bool) {
	born, err := time.Parse(time.DateOnly, s.in.GetBirthDate())
	// 1900 is the earliest year of every time that the engine reads, see moment.
	if err != nil || born.Year() < 1900 {
		return 0, false
	}
	today := s.now().In(s.location())
	years = int64(today.Year() - born.Year())
	if today.Month() < born.Month() || today.Month() == born.Month() && today.Day() < born.Day() {
		years--
	}
	return years, years >= 0
}
