package rules

import (
	"fmt"
	"time"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// A strand test or a metallic-salt test that went well says something only of the
// hair as it was then: it counts when it was made after the last chemical work and
// is not older than parameters.test_days; else known.strand and known.incompatibility
// say NOT_DONE and known.strand_reason and its like say why. A test that went badly
// counts whenever it was made.

// A reading that says stop counts for ever, no matter who made it: a strand that broke is
// no less broken for being old. A reading that says go ahead counts only for the hair
// that was tested: not after later chemical work, not when it is old, not from the
// future.

// clockTolerance is how far ahead of the decision a time may lie that states the
// past: the clocks of tills differ.
const clockTolerance = 5 * time.Minute

// testFields are the readings of the strand test and of the metallic-salt test as they
// count.
// UNDER_PROCESSED does not say stop, so it counts no longer than SOUND does.
func testFields(v enumTable) []field {
	tests := func(s *state) *pb.PreliminaryTests { return s.in.GetConsultation().GetTests() }
	strand := testValidityFields[pb.StrandReading](v, "strand", pb.StrandReading_STRAND_READING_NOT_DONE,
		[]pb.StrandReading{pb.StrandReading_STRAND_READING_SOUND, pb.StrandReading_STRAND_READING_UNDER_PROCESSED},
		func(s *state) (pb.StrandReading, *timestamppb.Timestamp) {
			return tests(s).GetStrand(), tests(s).GetStrandTime()
		})
	incompatibility := testValidityFields[pb.IncompatibilityReading](v, "incompatibility", pb.IncompatibilityReading_INCOMPATIBILITY_READING_NOT_DONE,
		[]pb.IncompatibilityReading{pb.IncompatibilityReading_INCOMPATIBILITY_READING_CLEAR},
		func(s *state) (pb.IncompatibilityReading, *timestamppb.Timestamp) {
			return tests(s).GetIncompatibility(), tests(s).GetIncompatibilityTime()
		})
	return append(strand, incompatibility...)
}

// testValidityFields are the reading of a test as it counts, and why it does not count.
// The second field is for the messages of rules and has no evidence of its own.
func testValidityFields[E interface {
	protoreflect.Enum
	comparable
}](v enumTable, name string, notDone E, good []E, get func(*state) (E, *timestamppb.Timestamp)) []field {
	words := v[notDone.Descriptor().FullName()]
	path := "consultation.tests." + name
	judge := func(s *state) (reading E, j testValidity) {
		reading, at := get(s)
		for _, g := range good {
			if reading == g {
				return reading, s.validity(at, path+"_time")
			}
		}
		return reading, testValidity{}
	}
	counts := derive("known."+name, words[0].celType, func(s *state) ref.Val {
		reading, j := judge(s)
		switch {
		case enumValueOf(words, reading).number == 0:
			return s.unknownOf(path)
		case j.missing != nil:
			return s.unknownOf(j.missing...)
		case j.reason != "":
			return enumValueOf(words, notDone)
		}
		return enumValueOf(words, reading)
	}, func(s *state) []*pb.SeenAnswer {
		reading, j := judge(s)
		if enumValueOf(words, reading).number == 0 {
			return nil
		}
		return append([]*pb.SeenAnswer{{Field: path, Value: enumValueOf(words, reading).text()}}, j.answers...)
	})
	reason := derive("known."+name+"_reason", cel.StringType, func(s *state) ref.Val {
		if _, j := judge(s); j.reason != "" {
			return types.String(j.reason)
		}
		return types.String("it was not done")
	}, func(*state) []*pb.SeenAnswer { return nil })
	return []field{counts.replacing(path), reason}
}

// testValidity is whether a test that went well counts: the reason why not, the
// questions that are open, and the answers looked at.
type testValidity struct {
	reason  string
	missing []string
	answers []*pb.SeenAnswer
}

// The last chemical work of any kind ends what a strand test can say: the hair that was
// tested is not the hair that is there. Work without a date could be later than the
// test, so its date is asked for before the test counts.

// validity judges a test by the time of its own or, when that is absent, of all
// tests.
// A test that does not count for certain asks for nothing. Only where nothing speaks
// against it are the dates of later work asked for.
func (s *state) validity(own *timestamppb.Timestamp, path string) testValidity {
	const common = "consultation.tests.test_time"
	if own == nil {
		own, path = s.in.GetConsultation().GetTests().GetTestTime(), common
	}
	t, ok := moment(own).(types.Timestamp)
	if !ok {
		return testValidity{missing: []string{common}}
	}
	j := testValidity{answers: []*pb.SeenAnswer{{Field: path, Value: displayValue(t)}}}
	limit := int64(s.in.GetParameters().GetTestDays())
	last, missing := s.history().lastWork()
	switch {
	case t.Time.After(s.now().Add(clockTolerance)):
		j.reason = "its time lies ahead"
	case s.daysAgo(t.Time) > limit:
		j.reason = fmt.Sprintf("it is more than %d days old", limit)
	case last != nil && !last.at.latest.Before(t.Time):
		j.reason = "chemical work came after it: " + s.sentence(last.HistoryFact)
		j.answers = append(j.answers, s.evidenceOfFact(last)...)
	default:
		j.missing = missing
	}
	return j
}
