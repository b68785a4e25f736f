// Package severity compares values of the contract's enums by how severe they are.
// Enum numbers say nothing about severity: a verdict, severity or alarm that is
// added later takes the next free number wherever it belongs. The contract states
// severity in the enum value option "rank".
package severity

import (
	"cmp"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Of is the rank of a value; higher is more severe. A value that this program
// does not know has the highest rank of its enum: an unknown verdict counts as
// REFUSE, an unknown alarm as RINSE_NOW.
func Of[E protoreflect.Enum](v E) int32 {
	values := v.Descriptor().Values()
	if known := values.ByNumber(v.Number()); known != nil {
		return stated(known)
	}
	var highest int32
	for i := range values.Len() {
		highest = max(highest, stated(values.Get(i)))
	}
	return highest
}

func stated(v protoreflect.EnumValueDescriptor) int32 {
	return proto.GetExtension(v.Options(), pb.E_Rank).(int32)
}

// Compare orders two values, the milder first.
func Compare[E protoreflect.Enum](a, b E) int { return cmp.Compare(Of(a), Of(b)) }

// AtLeast reports whether v is as severe as limit, or more so.
func AtLeast[E protoreflect.Enum](v, limit E) bool { return Compare(v, limit) >= 0 }

// Max is the more severe of two values.
func Max[E protoreflect.Enum](a, b E) E {
	if Compare(b, a) > 0 {
		return b
	}
	return a
}

// Min is the milder of two values.
func Min[E protoreflect.Enum](a, b E) E {
	if Compare(b, a) < 0 {
		return b
	}
	return a
}
