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

// pageView is the facts as the page shows them.
type pageView struct {
	Chain, From, To, Made string
	// WholeDays is set when the figures are of more than the period, because
	// they are kept by the day.
	WholeDays bool
	Warnings  []string // what cannot be relied upon
	Total     int
	Counted   int64 // what the figures count; see Apart
	Apart     sectionCounts
	Decisions int64
	Uncounted int64
	Kinds     []kindCount
	Weeks     weekChart
	Groups    []group
	Follow    []proportion
	People    []person
	Refusals  []entryView
	Overrides []entryView
	Others    []entryView
	Reads     []readCount
	Covered   coverageView
	Seal      checkpointView
}

// sectionCounts is the entries of the page by where they are shown.
type sectionCounts struct{ Refusals, Overrides, Others, Reads, Covering int }

// coverageView is the entries that cover records, told in one line.
type coverageView struct {
	Entries         int
	First, Last     int64 // their places
	Writes, Records int64
}

// entryView is an entry as the page shows it.
type entryView struct {
	Entry
	Kind     string
	Class    class
	Who      string
	Salon    string
	When     string
	Recorded string // empty when it is the same
	LeafText string
	Rules    string
	Readable bool
	Decision *pb.Decision
	Findings []*pb.Finding
	Left     int // findings that are only conditions
	Reason   string
	Changed  []string // fields, in words
	Override overrideView
	Links    []link // of a refusal: its overrides; of an override: its refusal
}

// link leads to another entry of the page.
type link struct{ To, Text string }

// overrideView is what a try to override says beyond its entry.
type overrideView struct {
	Reason     string // the coded reason in words, or why it was denied
	Commitment string // in hex
	Kept       string // whether the free words that are kept fit it
}

// checkpointView is the checkpoint as the page shows it.
type checkpointView struct {
	Checkpoint string
	Size       int64
	Keys       []string
	Handovers  int
	Signed     string // whether the signature is right
	Wrong      bool
}

// newPageView works out what the page shows.
func newPageView(f *Data) pageView {
	byKind := f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_KIND]
	v := pageView{
		Chain: f.Chain, From: boundText(f.Period.From, "the beginning"), To: boundText(f.Period.To, "the end of the log"), Made: minuteText(f.CreateTime),
		WholeDays: !wholeDay(f.Period.From) || !wholeDay(f.Period.To), Warnings: f.warnings(),
		Total: len(f.Entries), Counted: counted(byKind), Decisions: byKind.GetDecisions(), Uncounted: byKind.GetUncounted(),
		Kinds: newKindCounts(byKind), Weeks: newWeekChart(f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_WEEK]),
		Groups: newGroups(f), Follow: newFollowUps(byKind.GetOverrides()), People: newPeople(byKind.GetPractitioners()), Seal: newCheckpointView(f.Checkpoint), Reads: countReads(f.Entries),
	}
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

// counted is how many entries the figures count.
func counted(s *pb.SummarizeEntriesResponse) int64 {
	var n int64
	for _, r := range s.GetRows() {
		n += r.GetCount()
	}
	return n
}

// add takes in an entry that covers records.
func (c *coverageView) add(e Entry) {
	if c.Entries == 0 {
		c.First = e.Index
	}
	c.Last = e.Index
	c.Entries++
	c.Writes += e.GetCoveredWrites()
	c.Records += e.GetCoveredRecords()
}

// viewEntry works out how an entry is shown.
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

// links leads from a refusal to its overrides, and back.
func links(e Entry, related []Entry) []link {
	var all []link
	for _, other := range related {
		if ofDecision(e.GetKind()) && isRefusal(e.GetKind()) != isRefusal(other.GetKind()) {
			all = append(all, link{fmt.Sprintf("#entry-%d", other.Index), fmt.Sprintf("%s, entry %d", kindWords(other.GetKind()), other.Index)})
		}
	}
	return all
}

// newOverrideView finds a try to override in its decision, by its commitment, and
// says whether what is kept fits what was committed to.
func newOverrideView(e *pb.AuditEntry, d *pb.Decision) overrideView {
	o := overrideView{Reason: codeWords(e.GetReasonCode()), Commitment: hex.EncodeToString(e.GetCommentCommitment())}
	if d == nil {
		o.Kept = "The decision can be read no more, and with it the free words: the commitment is all that is left of them."
		return o
	}
	o.Kept = "NOT in the record: no override of this decision has words that fit the commitment."
	if len(e.GetCommentCommitment()) == 0 {
		o.Kept = "No free words were given."
	}
	for _, kept := range d.GetOverrides() {
		if len(e.GetCommentCommitment()) > 0 && slices.Equal(ledger.Commit(kept.GetCommentSalt(), kept.GetComment()), e.GetCommentCommitment()) {
			o.Kept = "Kept with the decision; they fit the commitment."
			o.Reason = reason(d, kept)
		}
	}
	return o
}

// reason is why somebody overrode, and if it was denied, why that.
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
		text = fmt.Sprintf("denied (%s); the reason given: %s", enumLabel(o.GetDenial()), text)
	}
	return text
}

// newCheckpointView checks the checkpoint with the keys that came with it.
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
		shown.Signed, shown.Wrong = "The signature does NOT fit the keys below: "+err.Error(), true
	case head.Size != s.GetTreeSize():
		shown.Signed, shown.Wrong = fmt.Sprintf("The checkpoint is signed for %d entries and NOT for the %d that the server states.", head.Size, s.GetTreeSize()), true
	default:
		shown.Signed = "Checked while this page was made: it is signed by a key below."
	}
	return shown
}

// actorText is who acted, in which role, and for whom.
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

// ruleText lists the rules of an entry with their versions.
func ruleText(e *pb.AuditEntry) string {
	var all []string
	for _, r := range e.GetRules() {
		all = append(all, fmt.Sprintf("%s, version %d", r.GetRuleId(), r.GetVersion()))
	}
	return strings.Join(all, "; ")
}

// enumLabel says an enum value in plain words.
func enumLabel(value protoreflect.Enum) string {
	values := value.Descriptor().Values()
	named := values.ByNumber(value.Number())
	if named == nil {
		return fmt.Sprintf("value %d", value.Number())
	}
	prefix := strings.TrimSuffix(string(values.Get(0).Name()), "UNSPECIFIED")
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(string(named.Name()), prefix), "_", " "))
}

// lastSegment is the last segment of a resource name.
func lastSegment(name string) string { return name[strings.LastIndex(name, "/")+1:] }

// secondText is a time to the second; "not stated" when absent.
func secondText(t *timestamppb.Timestamp) string {
	if t == nil {
		return "not stated"
	}
	return t.AsTime().Format("2 Jan 2006 15:04:05") + " UTC"
}

// minuteText is a time to the minute.
func minuteText(t time.Time) string { return t.UTC().Format("2 Jan 2006 15:04") + " UTC" }

// boundText is an end of the period.
func boundText(t time.Time, none string) string {
	if t.IsZero() {
		return none
	}
	return minuteText(t)
}

// wholeDay reports whether a day begins at a time, or there is no time.
func wholeDay(t time.Time) bool { return t.IsZero() || t.Equal(t.UTC().Truncate(24*time.Hour)) }
