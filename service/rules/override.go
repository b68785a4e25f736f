package rules

import (
	"slices"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// A decision is never changed by an override. Overrides are kept beside it, and what is
// left of the verdict is worked out from both each time it is wanted. So a finding can
// be shown as set aside and still be seen, and a denied attempt is as visible as an
// accepted one.

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

// setAside tells whether an accepted override names the finding, or one of the same
// cause with which it was set aside. A finding that came later is in no override.
func setAside(d *pb.Decision, f *pb.Finding) bool {
	return f.GetOverrideTerms().GetAllowed() && slices.ContainsFunc(d.GetOverrides(), func(o *pb.Override) bool {
		switch {
		case o.GetDenial() != pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED:
			return false
		case o.GetRuleId() == f.GetRuleId() && o.GetSubject() == f.GetSubject():
			return true
		}
		named := findingOf(d, o.GetRuleId(), o.GetSubject())
		return slices.Contains(o.GetRuleIds(), f.GetRuleId()) && named != nil && sameCause(named, f)
	})
}

// secondLook is how long after the decision somebody who works alone looks a second
// time. Our own choice: long enough to do something else in between.
const secondLook = 10 * time.Minute

// noPhoto is the SHA-256 of an empty file, as sha256sum prints it. It is what a till
// sends that digests a photo that was not taken.
const noPhoto = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"

// Attempt is what somebody tries in order to set a finding aside.
type Attempt struct {
	By      *pb.Practitioner // as the directory knows the person
	Caller  string           // who asks; By, or somebody who may act for that person
	As      pb.Role          // the role in which the person acts
	RuleID  string
	Subject string
	Reason  string
	Began   bool // the service on the decision has begun: nothing is set aside afterwards
	At      time.Time

	// For a service of one's own, in a salon of one:
	OnlyOne     bool   // nobody else who may work on clients is active in the salon
	PhotoDigest string // of a photo of what was looked at; empty: none
	LookedAgain bool   // it was looked at a second time
}

// JudgeOverride says whether somebody may set a finding aside, with all of the same
// cause, and if not, why. The directory must know the person in a role that the
// finding names, too. It takes a second person: the practitioner who is to do the
// service sets nothing aside, in whatever role, and not in the name of somebody whom
// they may act for either. The exception is judgeAlone.
func JudgeOverride(d *pb.Decision, a Attempt) pb.OverrideDenial {
	f := findingOf(d, a.RuleID, a.Subject)
	if f == nil {
		return pb.OverrideDenial_OVERRIDE_DENIAL_NO_SUCH_FINDING
	}
	terms, salon := f.GetOverrideTerms(), d.GetInputs().GetSalon()
	switch {
	case a.Began:
		return pb.OverrideDenial_OVERRIDE_DENIAL_SERVICE_BEGAN
	case d.GetCreateTime() != nil && a.At.Sub(d.GetCreateTime().AsTime()) > DecisionHolds:
		return pb.OverrideDenial_OVERRIDE_DENIAL_EXPIRED
	case setAside(d, f):
		return pb.OverrideDenial_OVERRIDE_DENIAL_SET_ASIDE_ALREADY
	case !terms.GetAllowed():
		return pb.OverrideDenial_OVERRIDE_DENIAL_ABSOLUTE
	}
	own := IsOwnService(d, a)
	if own {
		if denial := judgeAlone(d, f, a); denial != pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED {
			return denial
		}
	}
	switch {
	case !own && (!slices.Contains(terms.GetRoles(), a.As) || !slices.Contains(terms.GetRoles(), a.By.GetRole())):
		return pb.OverrideDenial_OVERRIDE_DENIAL_ROLE
	case len(a.By.GetSalons()) > 0 && !slices.Contains(a.By.GetSalons(), salon.GetName()):
		return pb.OverrideDenial_OVERRIDE_DENIAL_OTHER_SALON
	case !isLicensed(a.By, salon, a.At):
		return pb.OverrideDenial_OVERRIDE_DENIAL_LICENCE
	case !slices.ContainsFunc(terms.GetReasons(), func(r *pb.OverrideReason) bool { return r.GetCode() == a.Reason }):
		return pb.OverrideDenial_OVERRIDE_DENIAL_REASON
	}
	return pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED
}

// IsOwnService tells whether an attempt is on a service of the person's own, or by
// them in another's name.
func IsOwnService(d *pb.Decision, a Attempt) bool {
	return slices.Contains([]string{a.By.GetName(), a.Caller}, d.GetInputs().GetPractitioner().GetName())
}

// judgeAlone says why somebody may not set a finding aside for a service of their
// own. In a salon of one there is no second person, and waiting for one would only
// teach to answer wrongly. So the only active practitioner may, in their own name and
// not as a student, for findings marked alone: waits after which enough time has
// passed, with a photo or a second look. Skin, health, damage, law and relaxer over
// relaxed hair are never marked so.
func judgeAlone(d *pb.Decision, f *pb.Finding, a Attempt) pb.OverrideDenial {
	switch {
	case !f.GetOverrideTerms().GetAlone(), !a.OnlyOne, a.Caller != a.By.GetName():
		return pb.OverrideDenial_OVERRIDE_DENIAL_OWN_REFUSAL
	case a.By.GetRole() == pb.Role_ROLE_STUDENT, a.As != a.By.GetRole():
		return pb.OverrideDenial_OVERRIDE_DENIAL_ROLE
	}
	for _, m := range causeMembers(d.GetFindings(), f) {
		if !aloneLimitPassed(m, d.GetInputs().GetSalon(), a.At) {
			return pb.OverrideDenial_OVERRIDE_DENIAL_ALONE_LIMIT
		}
	}
	looked := a.LookedAgain && d.GetCreateTime() != nil && a.At.Sub(d.GetCreateTime().AsTime()) >= secondLook
	if (a.PhotoDigest == "" || a.PhotoDigest == noPhoto) && !looked {
		return pb.OverrideDenial_OVERRIDE_DENIAL_ALONE_EVIDENCE
	}
	return pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED
}

// Hours are counted to the moment of the attempt and not of the decision: who waits an
// hour before trying has waited an hour. Days are those of the salon, as for the wait
// itself.

// aloneLimitPassed tells whether as much time has passed since the event behind a
// finding as its terms ask of somebody who works alone. Of an event whose time is
// not known, nobody can say so.
func aloneLimitPassed(f *pb.Finding, salon *pb.Salon, at time.Time) bool {
	terms := f.GetOverrideTerms()
	if f.GetWait().GetSinceTime() == nil {
		return false
	}
	since, in := f.GetWait().GetSinceTime().AsTime(), locationOf(salon.GetTimeZone())
	if terms.AloneMinimumHours != nil && at.Sub(since) < time.Duration(*terms.AloneMinimumHours)*time.Hour {
		return false
	}
	return terms.AloneMinimumDays == nil || dayNumber(at.In(in))-dayNumber(since.In(in)) >= int64(*terms.AloneMinimumDays)
}

// NeedsSignature tells whether a service on a decision begins only with a
// supervisor's signature: it is a student's, or a student asked for it.
func NeedsSignature(d *pb.Decision) bool {
	return d.GetRole() == pb.Role_ROLE_STUDENT || d.GetInputs().GetPractitioner().GetRole() == pb.Role_ROLE_STUDENT
}

// A signature is not an override: it changes no finding. It says that a supervisor has
// seen what a student is about to do, so it is asked for whatever the verdict is.

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

// The directory knows a licence by its number and its end. One whose end is not known is
// not a valid one, as in the rules about people.

// isLicensed tells whether a licence is known and runs beyond at, where
// hairdressers are licensed; elsewhere nobody needs one.
func isLicensed(p *pb.Practitioner, in *pb.Salon, at time.Time) bool {
	if !licenses(Jurisdiction(in)) {
		return true
	}
	return p.GetLicenceNumber() != "" && p.GetLicenceExpireTime().IsValid() && p.GetLicenceExpireTime().AsTime().After(at)
}

// Active is generous in what makes a second person: everybody who could be asked counts,
// also somebody who is not on today's list. Only who surely cannot be asked is left out,
// because to count too few would let people set aside their own refusals.

// Active tells whether somebody works on clients in a salon at a time: no student,
// with a licence where hairdressers are licensed. Who is on the list of no salon
// works in all of them, but for managers, who then work in none.
func Active(p *pb.Practitioner, in *pb.Salon, at time.Time) bool {
	if p.GetRole() == pb.Role_ROLE_STUDENT || p.GetRole() == pb.Role_ROLE_MANAGER && len(p.GetSalons()) == 0 {
		return false
	}
	return (len(p.GetSalons()) == 0 || slices.Contains(p.GetSalons(), in.GetName())) && isLicensed(p, in, at)
}
