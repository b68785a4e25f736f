package contract

import (
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

func TestUnknownValuesAreTheMostSevere(t *testing.T) {
	const later = 99
	if CompareRank(pb.Verdict(later), pb.Verdict_VERDICT_REFUSE) != 0 {
		t.Error("a verdict of a later revision does not count as REFUSE")
	}
	if CompareRank(pb.AlarmKind(later), pb.AlarmKind_ALARM_KIND_RINSE_NOW) != 0 {
		t.Error("an alarm of a later revision does not count as RINSE_NOW")
	}
	if CompareRank(pb.Severity(later), pb.Severity_SEVERITY_REFUSE) != 0 {
		t.Error("a severity of a later revision does not count as REFUSE")
	}
	if !AtLeast(pb.Verdict(later), pb.Verdict_VERDICT_REFER) || AtLeast(pb.Verdict_VERDICT_ASK, pb.Verdict_VERDICT_REFER) {
		t.Error("AtLeast goes by something else than rank")
	}
}

// TestRankIsNotTheNumber compares two alarms whose numbers are the other way
// round than their ranks.
func TestRankIsNotTheNumber(t *testing.T) {
	rinse, due := pb.AlarmKind_ALARM_KIND_RINSE_NOW, pb.AlarmKind_ALARM_KIND_RINSE_DUE
	if rinse > due || CompareRank(rinse, due) <= 0 || MostSevere(rinse, due) != rinse || MostSevere(due, rinse) != rinse || LeastSevere(rinse, due) != due {
		t.Error("alarms are compared by number")
	}
}

// TestEveryValueIsRanked requires a rank for each value of the enums that are
// compared, and each rank once.
func TestEveryValueIsRanked(t *testing.T) {
	for _, enum := range []protoreflect.Enum{pb.Verdict(0), pb.Severity(0), pb.AlarmKind(0)} {
		seen := map[int32]bool{}
		for i := range enum.Descriptor().Values().Len() {
			v := enum.Descriptor().Values().Get(i)
			if got := statedRank(v); got == 0 != (v.Number() == 0) || seen[got] {
				t.Errorf("%s has rank %d", v.Name(), got)
			}
			seen[statedRank(v)] = true
		}
	}
}
