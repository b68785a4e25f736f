package contract

import (
	"cmp"
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Rank is how severe a value is, as its option "rank" states; higher is more
// severe. A value that this program does not know has the highest rank of its
// enum: an unknown verdict counts as REFUSE, an unknown alarm as RINSE_NOW. An
// older server thus errs on the safe side when a newer one stored the value.
func Rank[E protoreflect.Enum](v E) int32 {
	enum := v.Descriptor()
	found, ok := ranks.Load(enum)
	if !ok {
		found, _ = ranks.LoadOrStore(enum, newRankTable(enum))
	}
	table := found.(*rankTable)
	if n := v.Number(); n >= 0 && int(n) < len(table.byNumber) && table.byNumber[n] >= 0 {
		return table.byNumber[n]
	}
	return table.highest
}

// ranks holds the *rankTable of each enum that was asked for. A decision compares
// severities some hundred times, and reading an option takes longer than a rule.
var ranks sync.Map

// rankTable holds the ranks of an enum's values by number; -1: there is no such value.
type rankTable struct {
	byNumber []int32
	highest  int32
}

// newRankTable reads the options of an enum.
func newRankTable(enum protoreflect.EnumDescriptor) *rankTable {
	t := &rankTable{}
	for i := range enum.Values().Len() {
		v := enum.Values().Get(i)
		for len(t.byNumber) <= int(v.Number()) {
			t.byNumber = append(t.byNumber, -1)
		}
		t.byNumber[v.Number()] = statedRank(v)
		t.highest = max(t.highest, statedRank(v))
	}
	return t
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
