package demo

import (
	"context"
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// audit shows that the audit log has everything that was refused, referred,
// overridden or went wrong, with who, when and why. The log is the only thing that
// an authority or a court can rely on afterwards, so the story reads it with the
// auditor's rights and not with those of the people who wrote it. Every kind of
// entry that the story must have caused is expected.
func (d *run) audit() {
	d.page.act("The auditor reads it back")
	d.page.say("Vesna audits the chain. She can read everything and change nothing. She filters out the set-up entries of the morning; they are counted below.")
	kinds := map[pb.EntryKind]bool{}
	for _, e := range d.entries(d.people.auditor, clientEventsFilter()) {
		d.page.printEntry(e)
		kinds[e.GetKind()] = true
	}
	for _, kind := range []pb.EntryKind{
		pb.EntryKind_ENTRY_KIND_REFUSAL, pb.EntryKind_ENTRY_KIND_REFERRAL, pb.EntryKind_ENTRY_KIND_OVERRIDE,
		pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED, pb.EntryKind_ENTRY_KIND_ALARM, pb.EntryKind_ENTRY_KIND_DEVIATION,
		pb.EntryKind_ENTRY_KIND_INCIDENT, pb.EntryKind_ENTRY_KIND_FOLLOW_UP,
	} {
		d.expect(kinds[kind], "the audit log has a %s", enumLabel(kind))
	}
	d.page.say("She lists only the overrides, granted and denied, and then the counts.")
	overrides := d.entries(d.people.auditor, `kind = "OVERRIDE" OR kind = "OVERRIDE_DENIED"`)
	for _, e := range overrides {
		d.page.printEntry(e)
	}
	d.expect(len(overrides) == 2, "there are two attempts to override, not %d", len(overrides))
	d.counts()
	d.replay(overrides[:min(1, len(overrides))])
}

// clientEventsFilter selects entries about clients. The set-up entries of the
// morning would hide them. Filters follow AIP-160.
func clientEventsFilter() string {
	var parts []string
	for _, kind := range []string{"AUDITOR_READ", "ACCESS_DENIED", "CHAIN_CHANGED", "SALON_CHANGED", "PRACTITIONER_CHANGED", "PRODUCT_CHANGED"} {
		parts = append(parts, `NOT kind = "`+kind+`"`)
	}
	return strings.Join(parts, " AND ")
}

// replay evaluates the decision of each entry again from its stored inputs. The
// rules, the answers and the product are stored with a decision, so it can be made
// again years later, when all of them have changed, and must be identical.
func (d *run) replay(entries []*pb.AuditEntry) {
	d.page.say("She replays Nia's refusal from the answers, the product and the rules that are stored with it.")
	for _, e := range entries {
		again := call(d, d.people.auditor, d.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: e.GetDecision()})
		d.page.answer("identical: %t, by engine version %s", again.GetIdentical(), again.GetEngineVersion())
		d.expect(again.GetIdentical(), "a decision made again is the same, not different in %q", again.GetDifferences())
	}
}

// entries reads all entries that match, a few per page. The small page shows that
// following the page token loses and repeats nothing.
func (d *run) entries(who person, filter string) []*pb.AuditEntry {
	request := &pb.ListEntriesRequest{Parent: ebb, Filter: filter, PageSize: 5}
	var all []*pb.AuditEntry
	for {
		answer := call(d, who, d.auditing.ListEntries, request)
		all = append(all, answer.GetEntries()...)
		if request.PageToken = answer.GetNextPageToken(); request.PageToken == "" {
			return all
		}
	}
}

// counts prints the number of entries by kind, once all are counted. It leaves out
// the auditor's own reads. Counting lags behind recording by a moment, and the
// answer says how many entries are not counted yet.
func (d *run) counts() {
	d.waitFor("everything is counted", func() (bool, error) {
		ctx, cancel := context.WithTimeout(d.people.manager.identify(d.ctx), callTimeout)
		defer cancel()
		summary, err := d.auditing.SummarizeEntries(ctx, &pb.SummarizeEntriesRequest{Parent: ebb})
		return summary.GetUncounted() == 0, err
	})
	summary := call(d, d.people.auditor, d.auditing.SummarizeEntries, &pb.SummarizeEntriesRequest{
		Parent: ebb, Dimension: pb.SummaryDimension_SUMMARY_DIMENSION_KIND,
	})
	slices.SortFunc(summary.GetRows(), func(a, b *pb.SummaryRow) int { return int(a.GetKind() - b.GetKind()) })
	for _, r := range summary.GetRows() {
		if k := r.GetKind(); k != pb.EntryKind_ENTRY_KIND_AUDITOR_READ && k != pb.EntryKind_ENTRY_KIND_ACCESS_DENIED {
			d.page.answer("%s: %d", enumLabel(k), r.GetCount())
		}
	}
}

// printEntry prints one audit entry; the deciding rule comes first. An entry holds
// no personal data: who is named by resource name, and what by rule.
func (p *page) printEntry(e *pb.AuditEntry) {
	p.answer("%s  %s by %s: %s", formatTime(e.GetOccurTime(), "2 Jan 15:04:05"), strings.ToUpper(enumLabel(e.GetKind())), actorOf(e), e.GetSummary())
	var behind []string
	if rules := e.GetRules(); len(rules) > 0 {
		behind = append(behind, fmt.Sprintf("rule %s, version %d", rules[0].GetRuleId(), rules[0].GetVersion()))
	}
	if e.GetReasonCode() != "" {
		behind = append(behind, "reason "+e.GetReasonCode())
	}
	if len(behind) > 0 {
		p.detail("%s", strings.Join(behind, "; "))
	}
}

// actorOf names the actor and role of an entry; the server itself has no role. What
// time alone brings about is recorded by the server itself.
func actorOf(e *pb.AuditEntry) string {
	if e.GetRole() == pb.Role_ROLE_UNSPECIFIED {
		return lastSegment(e.GetActor())
	}
	return fmt.Sprintf("%s (%s)", lastSegment(e.GetActor()), enumLabel(e.GetRole()))
}
