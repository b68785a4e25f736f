package rules

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// A finding is set aside before the service, within the day, once, and by somebody
// who works there.
func TestLateAndForeignOverridesAreDenied(t *testing.T) {
	sol := licensed("sol", pb.Role_ROLE_SUPERVISOR)
	there, elsewhere := proto.CloneOf(sol), proto.CloneOf(sol)
	salon := soundHead().GetSalon().GetName()
	there.Salons, elsewhere.Salons = []string{salon}, []string{salon + "-elsewhere"}
	aside := []*pb.Override{{RuleId: "wait.shampoo"}}
	denied := []*pb.Override{{RuleId: "wait.shampoo", Denial: pb.OverrideDenial_OVERRIDE_DENIAL_REASON}}
	for _, c := range []struct {
		name  string
		by    *pb.Practitioner
		age   time.Duration
		began bool
		past  []*pb.Override
		want  pb.OverrideDenial
	}{
		{"at the last moment", sol, DecisionHolds, false, nil, 0},
		{"too late", sol, DecisionHolds + time.Second, false, nil, pb.OverrideDenial_OVERRIDE_DENIAL_EXPIRED},
		{"while the service goes on", sol, time.Minute, true, nil, pb.OverrideDenial_OVERRIDE_DENIAL_SERVICE_BEGAN},
		{"for the second time", sol, time.Minute, false, aside, pb.OverrideDenial_OVERRIDE_DENIAL_SET_ASIDE_ALREADY},
		{"after an attempt that was denied", sol, time.Minute, false, denied, 0},
		{"where they work", there, time.Minute, false, nil, 0},
		{"where they do not work", elsewhere, time.Minute, false, nil, pb.OverrideDenial_OVERRIDE_DENIAL_OTHER_SALON},
	} {
		d := washedYesterday(t)
		d.CreateTime, d.Overrides = timestamppb.New(today.Add(-c.age)), c.past
		if got := JudgeOverride(d, Attempt{By: c.by, Caller: c.by.Name, As: pb.Role_ROLE_SUPERVISOR, RuleID: "wait.shampoo", Reason: "SCALP_CALM", Began: c.began, At: today}); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// overridden is a case that goes ahead because a finding was set aside.
func overridden(t *testing.T, e *Engine) *pb.Decision {
	t.Helper()
	in := soundHead()
	in.Consultation.History.Shampoo = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(40 * time.Hour)}
	d := mustDecide(t, e, in)
	d.Name = "chains/ebb-and-flow/clients/c/decisions/earlier"
	d.Overrides = []*pb.Override{{RuleId: "wait.shampoo", Practitioner: "sol"}, {RuleId: "scalp.redness", Denial: pb.OverrideDenial_OVERRIDE_DENIAL_ABSOLUTE}}
	if got := Standing(d); got != pb.Verdict_VERDICT_PROCEED && got != pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS {
		t.Fatalf("it stands at %s: %v", got, d.GetFindings())
	}
	return d
}

// An override holds for what was known when it was given, and for nothing else.
func TestOverridesCarryOnlyWithTheSameAnswers(t *testing.T) {
	e := newEngine(t)
	earlier := overridden(t, e)
	again := func(change func(*pb.DecisionInputs)) *pb.Decision {
		in := proto.CloneOf(earlier.GetInputs())
		in.DecideTime = timestamppb.New(in.DecideTime.AsTime().Add(10 * time.Minute))
		change(in)
		d := mustDecide(t, e, in)
		d.Overrides = Carried(earlier, d)
		return d
	}
	same := again(func(*pb.DecisionInputs) {})
	if len(same.Overrides) != 1 || same.Overrides[0].Practitioner != "sol" {
		t.Errorf("carried over: %v", same.Overrides)
	}
	if lines := Stricter(earlier, same); len(lines) > 0 {
		t.Errorf("the same ten minutes later is stricter: %v", lines)
	}
	washed := again(func(in *pb.DecisionInputs) { in.Consultation.History.Shampoo.LastTime = ago(30 * time.Hour) })
	if len(washed.Overrides) != 0 {
		t.Errorf("carried over to another answer: %v", washed.Overrides)
	}
	if lines := Stricter(earlier, washed); !slices.ContainsFunc(lines, func(l string) bool { return strings.HasPrefix(l, "no longer overridden") }) {
		t.Errorf("what makes it stricter: %v", lines)
	}
	version := proto.CloneOf(same)
	version.Overrides = nil
	findingOf(version, "wait.shampoo", "").RuleVersion++
	if carried := Carried(earlier, version); len(carried) > 0 {
		t.Errorf("carried over to another version of the rule: %v", carried)
	}
	red := again(func(in *pb.DecisionInputs) { in.Consultation.Scalp.BrokenSkin = pb.Answer_ANSWER_YES })
	if len(red.Overrides) != 1 {
		t.Errorf("a new finding undid an override of another: %v", red.Overrides)
	}
	lines := strings.Join(Stricter(earlier, red), "\n")
	for _, want := range []string{"verdict: ", "-> refuse", "new: scalp.broken-skin"} {
		if !strings.Contains(lines, want) {
			t.Errorf("what makes it stricter: %s, want %q", lines, want)
		}
	}
	milder := again(func(in *pb.DecisionInputs) { in.Consultation.History.Shampoo.LastTime = ago(20 * day) })
	if lines := Stricter(earlier, milder); len(lines) > 0 {
		t.Errorf("milder is stricter: %v", lines)
	}
}

// A signature holds as long as there is no finding that the supervisor has not seen.
func TestSignatureCarriesOverWhatWasSeen(t *testing.T) {
	e := newEngine(t)
	earlier := overridden(t, e)
	earlier.Countersignature = &pb.Countersignature{Practitioner: "sol"}
	same := mustDecide(t, e, proto.CloneOf(earlier.GetInputs()))
	if CarriedSignature(earlier, same) == nil {
		t.Error("the signature does not hold for the same findings")
	}
	in := proto.CloneOf(earlier.GetInputs())
	in.Consultation.Scalp.Redness = pb.Answer_ANSWER_YES
	if CarriedSignature(earlier, mustDecide(t, e, in)) != nil {
		t.Error("the signature holds for a finding that nobody has seen")
	}
	earlier.Countersignature = nil
	if CarriedSignature(earlier, same) != nil {
		t.Error("there is a signature that nobody gave")
	}
}
