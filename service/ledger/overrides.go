package ledger

import (
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// Overridden returns the entry of an override, accepted or denied. A denied one has the
// denial as its reason. Rules and subjects are taken from the finding in the decision
// and never from the request, which can contain any text.
//
// The comment of the person who overrides is on the log as a commitment only.
func (ec EntryContext) Overridden(d *pb.Decision, o *pb.Override) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_OVERRIDE, o)
	ec.about(e, d)
	e.ReasonCode, e.Denial = o.ReasonCode, o.Denial
	e.Summary = fmt.Sprintf("finding %s overridden", o.RuleId)
	if len(o.RuleIds) > 1 {
		e.Summary = fmt.Sprintf("findings of one cause overridden: %s", strings.Join(o.RuleIds, ", "))
	}
	if o.Alone {
		e.ReasonCode = Alone
		e.Summary += ", by the only practitioner of the salon"
	}
	if o.Denial != pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED {
		e.Kind, e.ReasonCode = pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED, o.Denial.String()
		e.Summary = fmt.Sprintf("override of finding %s denied: %s", o.RuleId, denied(o.Denial))
		if o.Denial == pb.OverrideDenial_OVERRIDE_DENIAL_NO_SUCH_FINDING {
			e.Summary = "override denied: " + denied(o.Denial) // what was typed as its rule can be any text
		}
	}
	e.OnBehalfOf = ""
	if o.Practitioner != ec.Actor {
		e.OnBehalfOf = o.Practitioner
	}
	e.CommentCommitment = Commit(o.CommentSalt, o.Comment)
	for _, f := range d.Findings {
		if f.RuleId == o.RuleId && f.Subject == o.Subject {
			e.Rules = append(e.Rules, causeRules(d, f, o)...)
			concerns(e, f.Subject)
			// What else was typed as a reason can be any text.
			if slices.ContainsFunc(f.GetOverrideTerms().GetReasons(), func(r *pb.OverrideReason) bool { return r.Code == o.ReasonCode }) {
				e.OverrideReason = o.ReasonCode
			}
		}
	}
	return e
}

// Alone is the reason code of an accepted override by somebody who works alone, so
// that these are counted apart from those of a second person.
const Alone = "ALONE"

// causeRules are the rules whose findings an override is about: first the named one,
// then the others of its cause.
func causeRules(d *pb.Decision, named *pb.Finding, o *pb.Override) []*pb.RuleRef {
	refs := []*pb.RuleRef{{RuleId: named.RuleId, Version: named.RuleVersion}}
	for _, id := range o.RuleIds {
		i := slices.IndexFunc(d.Findings, func(f *pb.Finding) bool { return f.RuleId == id && f.RuleId != named.RuleId && f.Cause == named.Cause })
		if i >= 0 {
			refs = append(refs, &pb.RuleRef{RuleId: id, Version: d.Findings[i].RuleVersion})
		}
	}
	return refs
}

// denied says why an override was not accepted.
func denied(d pb.OverrideDenial) string {
	switch d {
	case pb.OverrideDenial_OVERRIDE_DENIAL_NO_SUCH_FINDING:
		return "the decision has no such finding"
	case pb.OverrideDenial_OVERRIDE_DENIAL_ABSOLUTE:
		return "nobody may override it"
	case pb.OverrideDenial_OVERRIDE_DENIAL_ROLE:
		return "not in this role"
	case pb.OverrideDenial_OVERRIDE_DENIAL_REASON:
		return "the reason did not come with the finding"
	case pb.OverrideDenial_OVERRIDE_DENIAL_OWN_REFUSAL:
		return "it takes a second person: nobody overrides for a service of their own"
	case pb.OverrideDenial_OVERRIDE_DENIAL_LICENCE:
		return "the licence has run out or is not known"
	case pb.OverrideDenial_OVERRIDE_DENIAL_ALONE_EVIDENCE:
		return "who works alone needs a photo, or a second look at least ten minutes after the decision"
	case pb.OverrideDenial_OVERRIDE_DENIAL_ALONE_LIMIT:
		return "too little time has passed for somebody who works alone"
	case pb.OverrideDenial_OVERRIDE_DENIAL_EXPIRED:
		return "the decision is too old for a service to begin on it"
	case pb.OverrideDenial_OVERRIDE_DENIAL_SERVICE_BEGAN:
		return "the service has begun"
	case pb.OverrideDenial_OVERRIDE_DENIAL_SET_ASIDE_ALREADY:
		return "it is set aside already"
	case pb.OverrideDenial_OVERRIDE_DENIAL_OTHER_SALON:
		return "the overriding person does not work in the salon"
	}
	return "no reason given"
}

// Countersigned returns the entry of a supervisor's signature on a student's decision.
func (ec EntryContext) Countersigned(d *pb.Decision, c *pb.Countersignature) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_COUNTERSIGNED, c)
	ec.about(e, d)
	e.OnBehalfOf = ""
	if c.Practitioner != ec.Actor {
		e.OnBehalfOf = c.Practitioner
	}
	e.Summary = "a student's decision countersigned"
	return e
}
