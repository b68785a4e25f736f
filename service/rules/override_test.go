package rules

import (
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// washedYesterday is refused with a finding that a supervisor may override, and
// concerns a broken scalp, which nobody may override.
func washedYesterday(t *testing.T) *pb.Decision {
	t.Helper()
	in := soundHead()
	in.Salon.Jurisdiction = pb.Jurisdiction_JURISDICTION_US
	in.Practitioner = licensed("stu", pb.Role_ROLE_STUDENT)
	in.Supervisor = licensed("sol", pb.Role_ROLE_SUPERVISOR)
	in.Consultation.History.Shampoo = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(day)}
	in.Consultation.Scalp.BrokenSkin = pb.Answer_ANSWER_YES
	return mustDecide(t, newEngine(t), in)
}

func TestJudgeOverride(t *testing.T) {
	expired := licensed("sol", pb.Role_ROLE_SUPERVISOR)
	expired.LicenceExpireTime = ago(day)
	unknownEnd := licensed("sol", pb.Role_ROLE_SUPERVISOR)
	unknownEnd.LicenceExpireTime = nil
	noNumber := licensed("sol", pb.Role_ROLE_SUPERVISOR)
	noNumber.LicenceNumber = ""
	const accepted = pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED
	for _, c := range []struct {
		name          string
		by            *pb.Practitioner
		as            pb.Role
		rule, subject string
		reason        string
		want          pb.OverrideDenial
	}{
		{"a supervisor with a reason that came with the finding", licensed("sol", 4), 4, "wait.shampoo", "", "SCALP_CALM", accepted},
		{"no such rule", licensed("sol", 4), 4, "wait.colour", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_NO_SUCH_FINDING},
		{"another subject", licensed("sol", 4), 4, "wait.shampoo", "zone:ends", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_NO_SUCH_FINDING},
		{"broken skin", licensed("sol", 4), 4, "scalp.broken-skin", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_ABSOLUTE},
		{"a practitioner where a supervisor is named", licensed("ada", 3), 3, "wait.shampoo", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_ROLE},
		{"a practitioner who acts as a supervisor", licensed("ada", 3), 4, "wait.shampoo", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_ROLE},
		{"a supervisor who acts as a practitioner", licensed("sol", 4), 3, "wait.shampoo", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_ROLE},
		{"a reason of one's own", licensed("sol", 4), 4, "wait.shampoo", "", "IN_A_HURRY", pb.OverrideDenial_OVERRIDE_DENIAL_REASON},
		{"the student whose refusal it is", licensed("stu", 2), 2, "wait.shampoo", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_OWN_REFUSAL},
		{"that student in a borrowed role", licensed("stu", 2), 4, "wait.shampoo", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_OWN_REFUSAL},
		{"a supervisor whose own service it is", licensed("stu", 4), 4, "wait.shampoo", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_OWN_REFUSAL},
		{"another student", licensed("bo", 2), 2, "wait.shampoo", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_ROLE},
		{"a licence that ran out", expired, 4, "wait.shampoo", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_LICENCE},
		{"a licence whose end is not known", unknownEnd, 4, "wait.shampoo", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_LICENCE},
		{"no licence number", noNumber, 4, "wait.shampoo", "", "SCALP_CALM", pb.OverrideDenial_OVERRIDE_DENIAL_LICENCE},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := JudgeOverride(washedYesterday(t), Attempt{By: c.by, Caller: c.by.Name, As: c.as, RuleID: c.rule, Subject: c.subject, Reason: c.reason, At: today}); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
		})
	}
}

// A supervisor whose own service it is does not get round the second person by
// acting for a colleague, where a house lets practitioners override.
func TestNobodyOverridesThroughAnother(t *testing.T) {
	d := washedYesterday(t)
	for _, f := range d.GetFindings() {
		f.GetOverrideTerms().Roles = []pb.Role{pb.Role_ROLE_PRACTITIONER, pb.Role_ROLE_SUPERVISOR}
	}
	ada, own := licensed("ada", pb.Role_ROLE_PRACTITIONER), d.GetInputs().GetPractitioner().GetName()
	judge := func(caller string) pb.OverrideDenial {
		return JudgeOverride(d, Attempt{By: ada, Caller: caller, As: pb.Role_ROLE_SUPERVISOR, RuleID: "wait.shampoo", Reason: "SCALP_CALM", At: today})
	}
	if got := judge(own); got != pb.OverrideDenial_OVERRIDE_DENIAL_OWN_REFUSAL {
		t.Errorf("for a service of one's own, in another's name: %s", got)
	}
	if got := judge(ada.GetName()); got != pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED {
		t.Errorf("by the other: %s", got)
	}
}

// An override adds to a decision and removes no finding; what nobody may override
// stands whatever is recorded.
func TestStandingAfterOverride(t *testing.T) {
	d := washedYesterday(t)
	findings := len(d.GetFindings())
	d.Overrides = []*pb.Override{
		{RuleId: "wait.shampoo", Denial: pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED},
		{RuleId: "scalp.broken-skin", Denial: pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED},
	}
	if got := Standing(d); got != pb.Verdict_VERDICT_REFUSE || len(d.GetFindings()) != findings {
		t.Errorf("stands at %s with %d findings", got, len(d.GetFindings()))
	}
}

// A denied attempt changes nothing.
func TestDeniedOverrideDoesNotCount(t *testing.T) {
	in := soundHead()
	in.Consultation.History.Shampoo = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(day)}
	d := mustDecide(t, newEngine(t), in)
	d.Overrides = []*pb.Override{{RuleId: "wait.shampoo", Denial: pb.OverrideDenial_OVERRIDE_DENIAL_ROLE, CreateTime: timestamppb.New(today)}}
	if got := Standing(d); got != pb.Verdict_VERDICT_REFUSE {
		t.Errorf("stands at %s", got)
	}
	d.Overrides = append(d.Overrides, &pb.Override{RuleId: "wait.shampoo"})
	if got := Standing(d); got != pb.Verdict_VERDICT_PROCEED {
		t.Errorf("stands at %s after an accepted override", got)
	}
}

// A refusal outweighs an open question, so nothing is asked; overriding the
// refusal must not let the service go ahead without the answer.
func TestOverrideBringsQuestionBack(t *testing.T) {
	in := soundHead()
	in.Consultation.History.Shampoo = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(day)}
	in.Consultation.Scalp.Sores = pb.Answer_ANSWER_UNSPECIFIED
	d := mustDecide(t, newEngine(t), in)
	if d.GetVerdict() != pb.Verdict_VERDICT_REFUSE || len(d.GetOpenQuestions()) != 0 {
		t.Fatalf("%s with %d questions", d.GetVerdict(), len(d.GetOpenQuestions()))
	}
	if !proto.Equal(d.GetConditions()[0], &pb.Condition{
		ConditionId: "unanswered:consultation.scalp.sores", RuleId: "scalp.sores",
		Text:          "Answer first: Are there open sores, blisters or weeping skin on the scalp?",
		BeforeContact: true,
	}) {
		t.Errorf("conditions: %v", d.GetConditions())
	}
	d.Overrides = []*pb.Override{{RuleId: "wait.shampoo"}}
	if got := Standing(d); got != pb.Verdict_VERDICT_ASK {
		t.Errorf("stands at %s, want ASK", got)
	}
}
