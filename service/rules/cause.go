package rules

import (
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// Several rules can refuse for one cause: a retouch that is a week early is also
// early by the record card. Findings that name the same cause about the same zone
// are one override, on the terms of the strictest: who may override all of them, for
// a reason that came with all of them. One that nobody may override makes the others
// absolute too. Each finding shows these terms.

// Why the strictest, and not any: a supervisor who sets aside the weaker finding would
// otherwise also set aside the one that asks for more. And why shown on each finding: a
// till draws the choice of reasons from the finding it shows, and must not offer one
// that will be denied.

// joinCauses gives the findings of each cause the terms that hold for all of them.
func joinCauses(findings []*pb.Finding) {
	for _, f := range findings {
		members := causeMembers(findings, f)
		if len(members) < 2 || members[0] != f {
			continue // alone, or done with the first of them
		}
		terms := f.GetOverrideTerms()
		for _, m := range members[1:] {
			terms = strictestTerms(terms, m.GetOverrideTerms())
		}
		for _, m := range members {
			m.OverrideTerms = terms
		}
	}
}

// causeMembers are the findings that are overridden together with f, in their order,
// f among them.
// A finding without a cause is alone.
func causeMembers(findings []*pb.Finding, f *pb.Finding) []*pb.Finding {
	var members []*pb.Finding
	for _, other := range findings {
		if other == f || sameCause(other, f) {
			members = append(members, other)
		}
	}
	return members
}

// sameCause tells whether two findings have one cause about the same hair. Findings
// that nobody overrides because they are met or answered have none.
func sameCause(a, b *pb.Finding) bool {
	return a.GetCause() != "" && a.GetCause() == b.GetCause() && zoneOfSubject(a) == zoneOfSubject(b) &&
		contract.AtLeast(a.GetSeverity(), pb.Severity_SEVERITY_REFER) && contract.AtLeast(b.GetSeverity(), pb.Severity_SEVERITY_REFER)
}

// A section with its own product is asked about again, with the same answers; the finding
// about it is the same finding to the person who decides about it. Another zone of the hair is
// not: a sound strand of the ends says nothing about the new growth.

// zoneOfSubject is the subject of a finding without the section whose own product
// it is about.
func zoneOfSubject(f *pb.Finding) string {
	_, zone, found := strings.Cut(f.GetSubject(), "/")
	switch {
	case found:
		return zone
	case strings.HasPrefix(f.GetSubject(), "section:"):
		return ""
	}
	return f.GetSubject()
}

// strictestTerms are what two findings' terms have in common.
// Terms without a common role or a common reason could be met by nobody: the result
// then allows nothing and keeps none of the parts. For somebody who works alone the
// longer of the two times counts.
func strictestTerms(a, b *pb.OverrideTerms) *pb.OverrideTerms {
	terms := &pb.OverrideTerms{Alone: a.GetAlone() && b.GetAlone()}
	for _, role := range a.GetRoles() {
		if slices.Contains(b.GetRoles(), role) {
			terms.Roles = append(terms.Roles, role)
		}
	}
	for _, reason := range a.GetReasons() {
		if slices.ContainsFunc(b.GetReasons(), func(r *pb.OverrideReason) bool { return r.GetCode() == reason.GetCode() }) {
			terms.Reasons = append(terms.Reasons, reason)
		}
	}
	if terms.Alone {
		terms.AloneMinimumHours = larger(a.AloneMinimumHours, b.AloneMinimumHours)
		terms.AloneMinimumDays = larger(a.AloneMinimumDays, b.AloneMinimumDays)
	}
	terms.Allowed = a.GetAllowed() && b.GetAllowed() && len(terms.Roles) > 0 && len(terms.Reasons) > 0
	if !terms.Allowed {
		return &pb.OverrideTerms{}
	}
	return terms
}

// CauseRules are the rules whose findings an override of one of them sets aside,
// each once; only its own when the finding stands alone.
// An override keeps them as its rule_ids; setAside reads there what it covered.
func CauseRules(d *pb.Decision, ruleID, subject string) []string {
	f := findingOf(d, ruleID, subject)
	if f == nil {
		return nil
	}
	var ids []string
	for _, m := range causeMembers(d.GetFindings(), f) {
		if !slices.Contains(ids, m.GetRuleId()) {
			ids = append(ids, m.GetRuleId())
		}
	}
	return ids
}
