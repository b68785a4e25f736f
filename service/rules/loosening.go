package rules

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// A chain may set a number looser than the default only within a range whose ends
// have a published source. That is a field of its own in the house policy, so that
// nobody loosens by a slip of a number: a policy of before the field, and every
// number in parameters, can only tighten. A manager of the whole chain puts the
// policy in force, which is an entry on the log.
//
// No range is permitted today, because no source was read that gives one. Until one
// is, every loosening is refused when the policy is uploaded.

// looseningRange is how far a number may be set.
type looseningRange struct {
	least, most float64
	source      string // title, section, year
}

// permittedRanges are the ranges, by the name of the number.
func permittedRanges() map[protoreflect.Name]looseningRange {
	return map[protoreflect.Name]looseningRange{}
}

// highestCap is the cap of straightening in percent that no range goes beyond. Our
// own choice, with common practice: 65 to 85 % seen.
const highestCap = 80

// checkLoosening reports the numbers that a policy may not loosen.
func (e *Engine) checkLoosening(p *pb.PolicyParameters) []Problem {
	var problems []Problem
	p.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if want := e.looseningProblem(f, v); want != "" {
			problems = append(problems, Problem{"loosening." + string(f.Name()), want})
		}
		return true
	})
	slices.SortFunc(problems, func(a, b Problem) int { return strings.Compare(a.Field, b.Field) })
	return problems
}

// looseningProblem is what is not right in one number, or "".
func (e *Engine) looseningProblem(f protoreflect.FieldDescriptor, v protoreflect.Value) string {
	n := v.Float
	if f.Kind() == protoreflect.Int32Kind {
		n = func() float64 { return float64(v.Int()) }
	}
	permitted, ok := e.looserRanges[f.Name()]
	switch {
	case f.Name() == "straightening_cap_percent" && n() > highestCap:
		return fmt.Sprintf("must not be above %d, whatever the source", highestCap)
	case !ok:
		return "must not be set: no published source gives a range in which this number may be looser than the default"
	case n() < permitted.least || n() > permitted.most:
		return fmt.Sprintf("must be %g to %g (%s)", permitted.least, permitted.most, permitted.source)
	}
	return ""
}

// The range is asked again when a decision is made, and not only at the upload: when a
// source turns out to be wrong, the range goes with the next release, and policies that
// used it fall back to the default at once, without anybody having to edit them.

// looser is the default numbers with those that a house policy loosens. A number
// that is not permitted is left out: the ranges may have been narrowed since the
// policy was uploaded.
func (e *Engine) looser(p *pb.PolicyParameters) *pb.PolicyParameters {
	if p == nil {
		return e.defaults
	}
	numbers := proto.CloneOf(e.defaults)
	p.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if e.looseningProblem(f, v) == "" {
			numbers.ProtoReflect().Set(f, v)
		}
		return true
	})
	return numbers
}
