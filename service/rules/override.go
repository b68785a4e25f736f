package rules

import (
	"slices"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// Standing is a decision's verdict with the findings left out that an accepted
// override has set aside. Findings that nobody may override always count. So do
// unanswered questions: those that are open, and those that did not matter while
// the finding stood but would now (see "unanswered" in conditions).
func Standing(d *pb.Decision) pb.Verdict {
	standing := pb.Verdict_VERDICT_PROCEED
	for _, f := range d.GetFindings() {
		if !setAside(d, f) {
			standing = contract.MostSevere(standing, verdictOf(f.GetSeverity()))
		}
	}
	for _, q := range d.GetOpenQuestions() {
		standing = contract.MostSevere(standing, contract.LeastSevere(verdictOf(q.GetWorstSeverity()), pb.Verdict_VERDICT_ASK))
	}
	for _, c := range d.GetConditions() {
		standing = contract.MostSevere(standing, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
		if strings.HasPrefix(c.GetConditionId(), unanswered) {
			standing = contract.MostSevere(standing, pb.Verdict_VERDICT_ASK)
		}
	}
	return standing
}

// setAside tells whether an accepted override names the finding.
func setAside(d *pb.Decision, f *pb.Finding) bool {
	return f.GetOverrideTerms().GetAllowed() && slices.ContainsFunc(d.GetOverrides(), func(o *pb.Override) bool {
		return o.GetDenial() == pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED && o.GetRuleId() == f.GetRuleId() && o.GetSubject() == f.GetSubject()
	})
}

// JudgeOverride says whether somebody may set a finding aside, and if not, why.
// as is the role in which the person acts; the directory must know the person in
// a role that the finding names, too. It takes a second person: the practitioner who is to do
// the service sets nothing aside, in whatever role, and not in the name of somebody
// whom they may act for either; caller is who asks. Began says that the service on
// the decision has begun: nothing is set aside afterwards.
func JudgeOverride(d *pb.Decision, by *pb.Practitioner, caller string, as pb.Role, ruleID, subject, reason string, began bool, at time.Time) pb.OverrideDenial {
	f := findingOf(d, ruleID, subject)
	if f == nil {
		return pb.OverrideDenial_OVERRIDE_DENIAL_NO_SUCH_FINDING
	}
	terms, salon := f.GetOverrideTerms(), d.GetInputs().GetSalon()
	switch {
	case began:
		return pb.OverrideDenial_OVERRIDE_DENIAL_SERVICE_BEGAN
	case d.GetCreateTime() != nil && at.Sub(d.GetCreateTime().AsTime()) > DecisionHolds:
		return pb.OverrideDenial_OVERRIDE_DENIAL_EXPIRED
	case setAside(d, f):
		return pb.OverrideDenial_OVERRIDE_DENIAL_SET_ASIDE_ALREADY
	case !terms.GetAllowed():
		return pb.OverrideDenial_OVERRIDE_DENIAL_ABSOLUTE
	case slices.Contains([]string{by.GetName(), caller}, d.GetInputs().GetPractitioner().GetName()):
		return pb.OverrideDenial_OVERRIDE_DENIAL_OWN_REFUSAL
	case !slices.Contains(terms.GetRoles(), as) || !slices.Contains(terms.GetRoles(), by.GetRole()):
		return pb.OverrideDenial_OVERRIDE_DENIAL_ROLE
	case len(by.GetSalons()) > 0 && !slices.Contains(by.GetSalons(), salon.GetName()):
		return pb.OverrideDenial_OVERRIDE_DENIAL_OTHER_SALON
	case !isLicensed(by, salon, at):
		return pb.OverrideDenial_OVERRIDE_DENIAL_LICENCE
	case !slices.ContainsFunc(terms.GetReasons(), func(r *pb.OverrideReason) bool { return r.GetCode() == reason }):
		return pb.OverrideDenial_OVERRIDE_DENIAL_REASON
	}
	return pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED
}

// NeedsSignature tells whether a service on a decision begins only with a
// supervisor's signature: it is a student's, or a student asked for it.
func NeedsSignature(d *pb.Decision) bool {
	return d.GetRole() == pb.Role_ROLE_STUDENT || d.GetInputs().GetPractitioner().GetRole() == pb.Role_ROLE_STUDENT
}

// JudgeSignature says why somebody may not sign a student's decision, as a coded
// reason and as text; both are zero when they may.
func JudgeSignature(d *pb.Decision, by *pb.Practitioner, at time.Time) (reason pb.ErrorReason, message string) {
	salon := d.GetInputs().GetSalon().GetName()
	switch {
	case !NeedsSignature(d):
		return pb.ErrorReason_ERROR_REASON_NOT_A_STUDENTS_DECISION, "the decision is not a student's and needs no signature"
	case d.GetCountersignature() != nil:
		return pb.ErrorReason_ERROR_REASON_COUNTERSIGNED_ALREADY, "the decision is signed already"
	case by.GetName() == d.GetInputs().GetPractitioner().GetName(), by.GetName() == d.GetActor() && d.GetRole() == pb.Role_ROLE_STUDENT:
		return pb.ErrorReason_ERROR_REASON_OWN_DECISION, "nobody signs their own decision"
	case by.GetRole() != pb.Role_ROLE_SUPERVISOR:
		return pb.ErrorReason_ERROR_REASON_NOT_A_SUPERVISOR, "the directory does not know the signer as a supervisor"
	case !isLicensed(by, d.GetInputs().GetSalon(), at):
		return pb.ErrorReason_ERROR_REASON_LICENCE_NOT_VALID, "the signer's licence has run out or is not known"
	case len(by.GetSalons()) > 0 && !slices.Contains(by.GetSalons(), salon):
		return pb.ErrorReason_ERROR_REASON_SUPERVISOR_OF_ANOTHER_SALON, "the signer does not work in the salon that the decision is for"
	}
	return pb.ErrorReason_ERROR_REASON_UNSPECIFIED, ""
}

// isLicensed tells whether a licence is known and runs beyond at, where
// hairdressers are licensed; elsewhere nobody needs one.
func isLicensed(p *pb.Practitioner, in *pb.Salon, at time.Time) bool {
	if !licenses(Jurisdiction(in)) {
		return true
	}
	return p.GetLicenceNumber() != "" && p.GetLicenceExpireTime().IsValid() && p.GetLicenceExpireTime().AsTime().After(at)
}
