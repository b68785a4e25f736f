package report

import (
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/service/ledger"
)

// pageView is what the page shows, ready to be formatted. The template prints its
// fields and decides only what is left out when it is empty.
type pageView struct {
	// Chain, From and To are in the title; Made is when the report was made, to the
	// minute, in UTC.
	Chain, From, To, Made string
	// WholeDays is set if the figures cover more than the period, because the
	// server counts by whole days.
	WholeDays bool
	// Warnings say what on the page is unreliable; none: no damage is known.
	Warnings []string

	// Total is the number of entries of the period. Counted is the number of
	// entries in the figures, which can differ; Apart says where the entries are
	// shown.
	Total   int
	Counted int64
	Apart   sectionCounts
	// Decisions is the number of decisions of the period, which rates are of.
	// Uncounted is the number of entries that the server has not counted yet.
	Decisions int64
	Uncounted int64

	// Looks is what to look at first.
	Looks []look
	// Followed are refusals that were followed elsewhere, Water the times from discomfort
	// to water, Cross the refusals by salon and rule.
	Followed []followedView
	Water    []waterView
	Cross    crossTable

	// The figures, all counted by the server.
	Kinds  []kindCount
	Weeks  weekChart
	Groups []group
	Follow []proportion
	People []person

	// The entries, in the order of the log. Refusals and overrides are shown in
	// full, all others in one table. Reads by auditors and entries that cover
	// records are summed up, because there are many of them.
	Refusals  []entryView
	Overrides []entryView
	Others    []entryView
	Reads     []readCount
	Covered   coverageView

	Seal checkpointView
}

// sectionCounts is the number of entries in each part of the page. They add up to
// Total.
type sectionCounts struct{ Refusals, Overrides, Others, Reads, Covering int }

// coverageView sums up the entries that cover records by digest.
type coverageView struct {
	Entries     int
	First, Last int64 // indexes on the log
	// Writes and Records are how many of them the entries cover.
	Writes, Records int64
}

// entryView is an entry as the page shows it, with the decision that it is about
// if that can still be read.
type entryView struct {
	Entry
	Kind  string // in words
	Class class
	Who   string // who acted, in which role and for whom
	Salon string
	// When is when it happened. Recorded is when it was recorded; empty if that is
	// the same second.
	When     string
	Recorded string
	LeafText string // the leaf hash in base64, as in a copy of the log
	Rules    string // with their versions
	// Readable is set if the decision can still be read. Its client may have been
	// erased, or its retention may have ended.
	Readable bool
	Decision *pb.Decision
	// Findings are those that led to the decision; Left counts the others, which
	// were only conditions.
	Findings []*pb.Finding
	Left     int
	Reason   string   // the coded reason, in words
	Changed  []string // paths of changed fields, in words
	Override overrideView
	// Links lead from a refusal to its overrides, from an override to its refusal,
	// and from a withdrawal to the entry that it withdraws.
	Links []link
}

// link leads to another entry of the page.
type link struct{ To, Text string }

// overrideView is what the page shows of an override besides its entry.
type overrideView struct {
	Reason     string // the coded reason in words, or why it was denied
	Commitment string // in hex
	Kept       string // whether the stored comment matches it
}

// checkpointView is the checkpoint as the page shows it.
type checkpointView struct {
	Checkpoint string // the signed note as text
	Size       int64  // entries that it covers
	Keys       []string
	// Handovers is how often the key of the log was replaced.
	Handovers int
	// Signed says whether a key above signed the checkpoint; Wrong is set if none
	// did, or if its size is not the one that the server states.
	Signed string
	Wrong  bool
}

// newPageView computes what the page shows. Entries keep the order of the log.
func newPageView(f *Data) pageView {
	byKind := f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_KIND]
	v := pageView{
		Chain: f.Chain, From: boundText(f.Period.From, "the beginning"), To: boundText(f.Period.To, "the end of the log"), Made: minuteText(f.CreateTime),
		WholeDays: !wholeDay(f.Period.From) || !wholeDay(f.Period.To), Warnings: f.warnings(),
		Total: len(f.Entries), Counted: counted(byKind), Decisions: byKind.GetDecisions(), Uncounted: byKind.GetUncounted(),
		Looks: newLooks(f), Followed: newFollowed(f.Followed), Water: newWater(f.Discomfort), Cross: newCrossTable(f),
		Kinds: newKindCounts(byKind), Weeks: newWeekChart(f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_WEEK]),
		Groups: newGroups(f), Follow: newFollowUps(byKind.GetOverrides()), People: newPeople(byKind.GetPractitioners()), Seal: newCheckpointView(f.Checkpoint), Reads: countReads(f.Entries),
	}
	// An entry can be about another one further down, so all are indexed first.
	related, places := map[string][]Entry{}, map[string]int64{}
	for _, e := range f.Entries {
		places[e.GetName()] = e.Index
		if ofDecision(e.GetKind()) {
			related[e.GetDecision()] = append(related[e.GetDecision()], e)
		}
	}
	for _, e := range f.Entries {
		s := f.viewEntry(e)
		s.Links = links(e, related[e.GetDecision()])
		if at, shown := places[e.GetWithdraws()]; shown && e.GetWithdraws() != "" {
			s.Links = append(s.Links, link{fmt.Sprintf("#entry-%d", at), fmt.Sprintf("withdraws entry %d", at)})
		}
		switch {
		case isCoverage(e.GetKind()):
			v.Covered.add(e)
		case isRefusal(e.GetKind()):
			v.Refusals = append(v.Refusals, s)
		case isOverride(e.GetKind()):
			v.Overrides = append(v.Overrides, s)
		case e.GetKind() != pb.EntryKind_ENTRY_KIND_AUDITOR_READ:
			v.Others = append(v.Others, s)
		}
	}
	v.Apart = sectionCounts{len(v.Refusals), len(v.Overrides), len(v.Others), len(f.Entries) - len(v.Refusals) - len(v.Overrides) - len(v.Others) - v.Covered.Entries, v.Covered.Entries}
	return v
}

// counted returns how many entries the figures count.
func counted(s *pb.SummarizeEntriesResponse) int64 {
	var n int64
	for _, r := range s.GetRows() {
		n += r.GetCount()
	}
	return n
}

// add adds an entry that covers records.
func (c *coverageView) add(e Entry) {
	if c.Entries == 0 {
		c.First = e.Index
	}
	c.Last = e.Index
	c.Entries++
	c.Writes += e.GetCoveredWrites()
	c.Records += e.GetCoveredRecords()
}

// viewEntry computes how an entry is shown. Findings that are only conditions are
// counted and not listed: they did not lead to the entry. The decision is the
// stored one as the server returns it now, with its overrides.
func (f *Data) viewEntry(e Entry) entryView {
	s := entryView{
		Entry: e, Kind: kindWords(e.GetKind()), Class: classOf(e.GetKind()), Reason: codeWords(e.GetReasonCode()), Who: actorText(e.AuditEntry), Salon: lastSegment(e.GetSalon()),
		When: secondText(e.GetOccurTime()), LeafText: base64.StdEncoding.EncodeToString(e.Leaf[:]), Rules: ruleText(e.AuditEntry),
	}
	if r := secondText(e.GetRecordTime()); r != s.When {
		s.Recorded = r
	}
	for _, path := range e.GetChangedFields() {
		s.Changed = append(s.Changed, fieldWords(path))
	}
	s.Decision, s.Readable = f.Decisions[e.AuditEntry.GetDecision()]
	for _, finding := range s.Decision.GetFindings() {
		if contract.CompareRank(finding.GetSeverity(), pb.Severity_SEVERITY_CONDITION) > 0 {
			s.Findings = append(s.Findings, finding)
		} else {
			s.Left++
		}
	}
	if isOverride(e.GetKind()) {
		s.Override = newOverrideView(e.AuditEntry, s.Decision)
	}
	return s
}

// links returns the links from a refusal to the overrides of its decision, and
// from an override to the refusal. related are the entries about the same
// decision.
func links(e Entry, related []Entry) []link {
	var all []link
	for _, other := range related {
		if ofDecision(e.GetKind()) && isRefusal(e.GetKind()) != isRefusal(other.GetKind()) {
			all = append(all, link{fmt.Sprintf("#entry-%d", other.Index), fmt.Sprintf("%s, entry %d", kindWords(other.GetKind()), other.Index)})
		}
	}
	return all
}

// newOverrideView finds the override of an entry in the decision, by the
// commitment in the entry, and says whether the stored comment fits the
// commitment. A comment that was changed in the database fits none.
func newOverrideView(e *pb.AuditEntry, d *pb.Decision) overrideView {
	o := overrideView{Reason: codeWords(e.GetReasonCode()), Commitment: hex.EncodeToString(e.GetCommentCommitment())}
	if d == nil {
		o.Kept = "The decision can no longer be read, nor can its comment: only the commitment is left."
		return o
	}
	o.Kept = "NOT in the record: no override of this decision has a comment that matches the commitment."
	if len(e.GetCommentCommitment()) == 0 {
		o.Kept = "No comment was given."
	}
	for _, kept := range d.GetOverrides() {
		if len(e.GetCommentCommitment()) > 0 && slices.Equal(ledger.Commit(kept.GetCommentSalt(), kept.GetComment()), e.GetCommentCommitment()) {
			o.Kept = "Stored with the decision; it matches the commitment."
			o.Reason = reason(d, kept)
		}
	}
	return o
}

// reason returns the reason of an override in words and, if it was denied, why.
func reason(d *pb.Decision, o *pb.Override) string {
	text := codeWords(o.GetReasonCode())
	for _, finding := range d.GetFindings() {
		for _, r := range finding.GetOverrideTerms().GetReasons() {
			if finding.GetRuleId() == o.GetRuleId() && r.GetCode() == o.GetReasonCode() {
				text = fmt.Sprintf("%s (%s)", r.GetDescription(), r.GetCode())
			}
		}
	}
	if o.GetDenial() != pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED {
		text = fmt.Sprintf("denied (%s); reason given: %s", enumLabel(o.GetDenial()), text)
	}
	return text
}

// newCheckpointView verifies the checkpoint with the keys that the server sent.
// That shows only that the two fit each other; the reader compares the keys with
// those known from elsewhere. Keys that cannot be parsed are left out and thus
// verify nothing.
func newCheckpointView(s *pb.GetCheckpointResponse) checkpointView {
	shown := checkpointView{Checkpoint: s.GetCheckpoint(), Size: s.GetTreeSize(), Keys: s.GetKeys(), Handovers: len(s.GetHandovers())}
	var keys []ledger.PublicKey
	for _, text := range s.GetKeys() {
		if key, err := ledger.ParsePublicKey(text); err == nil {
			keys = append(keys, key)
		}
	}
	head, _, err := ledger.OpenCheckpoint([]byte(s.GetCheckpoint()), keys)
	switch {
	case err != nil:
		shown.Signed, shown.Wrong = "The signature does NOT match the keys below: "+err.Error(), true
	case head.Size != s.GetTreeSize():
		shown.Signed, shown.Wrong = fmt.Sprintf("The checkpoint covers %d entries and NOT the %d that the server states.", head.Size, s.GetTreeSize()), true
	default:
		shown.Signed = "Verified when this report was made: it is signed by a key below."
	}
	return shown
}

// actorText returns who acted, in which role, and for whom.
func actorText(e *pb.AuditEntry) string {
	text := lastSegment(e.GetActor())
	if e.GetRole() != pb.Role_ROLE_UNSPECIFIED {
		text += " (" + enumLabel(e.GetRole()) + ")"
	}
	if e.GetOnBehalfOf() != "" {
		text += " for " + lastSegment(e.GetOnBehalfOf())
	}
	return text
}

// ruleText lists the rules of an entry with their versions. An entry can name
// several rules: a decision has a finding for each.
func ruleText(e *pb.AuditEntry) string {
	var all []string
	for _, r := range e.GetRules() {
		all = append(all, fmt.Sprintf("%s, version %d", r.GetRuleId(), r.GetVersion()))
	}
	return strings.Join(all, "; ")
}

// enumLabel returns an enum value in words; the number of one that is not known.
func enumLabel(value protoreflect.Enum) string {
	values := value.Descriptor().Values()
	named := values.ByNumber(value.Number())
	if named == nil {
		return fmt.Sprintf("value %d", value.Number())
	}
	prefix := strings.TrimSuffix(string(values.Get(0).Name()), "UNSPECIFIED")
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(string(named.Name()), prefix), "_", " "))
}

// lastSegment is the last segment of a resource name. The chain is in the title
// of the page, so the rest of a name would only be noise.
func lastSegment(name string) string { return name[strings.LastIndex(name, "/")+1:] }

// secondText formats a time to the second; "not stated" if it is absent.
func secondText(t *timestamppb.Timestamp) string {
	if t == nil {
		return "not stated"
	}
	return t.AsTime().Format("2 Jan 2006 15:04:05") + " UTC"
}

// minuteText formats a time to the minute.
func minuteText(t time.Time) string { return t.UTC().Format("2 Jan 2006 15:04") + " UTC" }

// boundText formats a bound of the period; none is the text for no bound.
func boundText(t time.Time, none string) string {
	if t.IsZero() {
		return none
	}
	return minuteText(t)
}

// wholeDay reports whether a time is the beginning of a day in UTC, or is not
// set.
func wholeDay(t time.Time) bool { return t.IsZero() || t.Equal(t.UTC().Truncate(24*time.Hour)) }
