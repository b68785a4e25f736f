package ledger

import (
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// mostFieldsNamed bounds the summary of an entry of changed answers. Our own choice.
const mostFieldsNamed = 10

// AnswersChanged returns the entry of a decision that uses answers which were dangerous
// when a service was refused within the last 24 hours, and are not any more; none for
// other decisions. It names fields and rules. The answers themselves are in the
// decision, sealed.
func (ec EntryContext) AnswersChanged(d *pb.Decision) []*pb.AuditEntry {
	changes := d.GetInputs().GetAnswerChanges()
	if len(changes) == 0 || d.GetReplaces() != "" {
		return nil // the decision that is replaced has an entry of the same changes
	}
	e := ec.entry(pb.EntryKind_ENTRY_KIND_ANSWER_CHANGED, d)
	ec.about(e, d)
	var fields []string
	for _, c := range changes {
		fields = append(fields, c.Field)
		for _, id := range c.RuleIds {
			if !slices.ContainsFunc(e.Rules, func(r *pb.RuleRef) bool { return r.RuleId == id }) {
				e.Rules = append(e.Rules, &pb.RuleRef{RuleId: id})
			}
		}
	}
	e.Summary = "changed after a refusal: " + strings.Join(fields[:min(len(fields), mostFieldsNamed)], ", ")
	return []*pb.AuditEntry{e}
}
