package contract

import (
	"cmp"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Rank is how severe a value is, as its option "rank" states; higher is more
// severe. A value that this program does not know has the highest rank of its
// enum: an unknown verdict counts as REFUSE, an unknown alarm as RINSE_NOW. An
// older server thus errs on the safe side when a newer one stored the value.
func Rank[E protoreflect.Enum](v E) int32 {
	values := v.Descriptor().Values()
	if known := values.ByNumber(v.Number()); known != nil {
		return statedRank(known)
	}
	var highest int32
	for i := range values.Len() {
		highest = max(highest, statedRank(values.Get(i)))
	}
	return highest
}

// statedRank reads the option.
func statedRank(v protoreflect.EnumValueDescriptor) int32 {
	return proto.GetExtension(v.Options(), pb.E_Rank).(int32)
}

// CompareRank orders two values, the milder first: -1 if a is milder than b, 0 if
// they are as severe, 1 if a is more severe.
func CompareRank[E protoreflect.Enum](a, b E) int { return cmp.Compare(Rank(a), Rank(b)) }

// AtLeast reports whether v is as severe as limit, or more so.
func AtLeast[E protoreflect.Enum](v, limit E) bool { return CompareRank(v, limit) >= 0 }

// MostSevere is the more severe of two values.
func MostSevere[E protoreflect.Enum](a, b E) E {
	if CompareRank(b, a) > 0 {
		return b
	}
	return a
}

// LeastSevere is the milder of two values.
func LeastSevere[E protoreflect.Enum](a, b E) E {
	if CompareRank(b, a) < 0 {
		return b
	}
	return a
}
