package faults

import (
	"bytes"
	"regexp"
	"slices"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// facts are a history and what was found, arranged for comparison.
type facts struct {
	found
	calls    []call
	requests map[string]storedRequest
	records  map[string]storedRecord
	entries  map[string][]*pb.AuditEntry // by request ID
	decoded  []*pb.AuditEntry            // in the order of found.Entries
	bad      []string                    // entries that cannot be decoded
	erased   map[string]bool             // clients whose erasure was asked for
	reports  map[string]int              // by the name of a fact, how many requests have reported it
	moved    map[string]string           // by the name of a session, the one that it was moved from
}

// newFacts arranges them.
func newFacts(h history, f found) *facts {
	x := &facts{found: f, calls: calls(h), requests: map[string]storedRequest{}, records: map[string]storedRecord{},
		entries: map[string][]*pb.AuditEntry{}, erased: map[string]bool{}, reports: map[string]int{}, moved: map[string]string{}}
	f = f.only(h.Chains)
	x.found = f
	for _, r := range f.Requests {
		x.requests[r.ID] = r
	}
	for _, r := range f.Records {
		x.records[r.Name] = r
	}
	for _, e := range f.Entries {
		entry, err := e.entryOf()
		if err != nil {
			x.bad = append(x.bad, e.ID)
		}
		x.decoded = append(x.decoded, entry)
		x.entries[entry.RequestId] = append(x.entries[entry.RequestId], entry)
	}
	for _, c := range x.calls {
		if c.attempts != nil && c.attempts[0].Method == "EraseClient" {
			x.erased[c.attempts[0].Key] = true
		}
		if c.done() {
			for _, name := range c.answer().Names {
				x.reports[name]++
				if c.answer().Method == "MoveSession" {
					x.moved[name] = c.attempts[0].Key
				}
			}
		}
	}
	return x
}

// only is what was found of some chains: tests have others for their own questions.
func (f found) only(chains []string) found {
	f.Requests = slices.DeleteFunc(slices.Clone(f.Requests), func(r storedRequest) bool { return !slices.Contains(chains, r.Chain) })
	f.Entries = slices.DeleteFunc(slices.Clone(f.Entries), func(e storedEntry) bool { return !slices.Contains(chains, e.Chain) })
	f.Records = slices.DeleteFunc(slices.Clone(f.Records), func(r storedRecord) bool { return !slices.Contains(chains, strings.Split(r.Name+"//", "/")[1]) })
	return f
}

// erasable reports whether a call is about a client whose erasure was asked for. Its
// retry may be answered NOT_FOUND, because the stored answer can no longer be opened.
func (x *facts) erasable(o op) bool {
	for client := range x.erased {
		if bytes.Contains(o.Body, []byte(client)) || slices.ContainsFunc(o.Names, func(name string) bool { return name == client }) {
			return true
		}
	}
	return false
}

// checkChanges checks each change that was asked for: what was acknowledged is there,
// with one answer; what was refused was not done; nothing stays unknown.
func (x *facts) checkChanges(r *report) {
	for _, c := range x.calls {
		for _, o := range c.altered {
			if o.Outcome == acknowledged {
				r.add("I2", "%s with another body under the ID %s was acknowledged", o.Method, c.id)
			}
		}
		if len(c.attempts) == 0 {
			continue
		}
		first := c.attempts[0]
		stored, there := x.requests[c.id]
		switch {
		case c.open():
			r.add("I9", "the outcome of %s %s is still unknown: %s %s %s", first.Method, c.id, last(c).Code, last(c).Reason, last(c).Message)
		case c.done() && (!there || stored.Refused):
			r.Lost++
			r.add("I1", "%s %s was acknowledged at %v by %s and is not stored", first.Method, c.id, c.answer().Return, c.answer().Target)
		case !c.done() && there && !stored.Refused && !x.erasable(first):
			r.add("I2", "%s %s was refused (%s) and is stored as done", first.Method, c.id, last(c).Reason)
		}
		x.checkAnswers(c, r)
	}
	x.checkKnown(r)
}

// resource finds the names of records in an encoded request.
var resource = regexp.MustCompile(`chains/[a-z0-9-]+(/[a-z]+/[a-z0-9-]+)+`)

// checkKnown checks that no change is refused because something is not found that had
// been acknowledged before, unless it was erased.
func (x *facts) checkKnown(r *report) {
	since := map[string]time.Duration{}
	for _, c := range x.calls {
		if c.done() {
			for _, name := range c.answer().Names {
				if _, known := since[name]; !known {
					since[name] = c.answer().Return
				}
			}
		}
	}
	for _, c := range x.calls {
		for _, o := range c.attempts {
			if o.Code != "NotFound" || x.erasable(o) {
				continue
			}
			for _, name := range resource.FindAll(c.attempts[0].Body, -1) {
				if at, known := since[string(name)]; known && at < o.Call {
					r.add("I7", "%s %s at %v by %s did not find %s, acknowledged at %v, or something that it names", o.Method, c.id, o.Call, o.Target, name, at)
				}
			}
		}
	}
}

// last is the last attempt of a call.
func last(c call) op { return c.attempts[len(c.attempts)-1] }

// checkAnswers checks that all answers to one request are the same, and that no
// attempt says that the ID belongs to something else.
func (x *facts) checkAnswers(c call, r *report) {
	for _, o := range c.attempts {
		switch {
		case o.Outcome == acknowledged && o.Answer != c.answer().Answer:
			r.add("I2", "%s %s was answered in two ways: %v by %s, and %v by %s", o.Method, c.id, c.answer().Names, c.answer().Target, o.Names, o.Target)
		case o.Reason == "REQUEST_ID_REUSED":
			r.add("I2", "%s %s is told that its ID belongs to another request", o.Method, c.id)
		case o.Outcome == refused && c.done() && !x.erasable(c.answer()) && o.Call > c.answer().Return:
			r.add("I2", "%s %s was acknowledged, and then refused: %s %s", o.Method, c.id, o.Code, o.Reason)
		}
	}
}

// checkRecords compares the records that answers have named with those that are
// stored, as sets.
func (x *facts) checkRecords(r *report) {
	explained := map[string]bool{}
	for _, c := range x.calls {
		if !c.done() {
			for _, o := range c.attempts {
				for _, name := range o.Names {
					explained[name] = true
				}
			}
			continue
		}
		for _, name := range c.answer().Names {
			explained[name] = true
			if _, there := x.records[name]; !there && strings.Count(name, "/") > 1 {
				r.Lost++
				r.add("I1", "%s of %s %s, acknowledged at %v, is not stored", name, c.answer().Method, c.id, c.answer().Return)
			}
		}
		for _, o := range c.attempts {
			for _, name := range o.Names {
				if o.Outcome == acknowledged && !slices.Contains(c.answer().Names, name) {
					r.Doubled++
					r.add("I2", "%s %s made both %v and %s", o.Method, c.id, c.answer().Names, name)
				}
			}
		}
	}
	x.checkMoves(r)
	for name := range x.records {
		if session, id, isFact := strings.Cut(name, "/events/"); isFact && x.moved[session] != "" {
			name = x.moved[session] + "/events/" + id // the copy of a fact is explained by the fact
		}
		if !explained[name] && !x.ofErased(name) {
			r.Doubled++
			r.add("I2", "%s is stored, and no acknowledged call has made it", name)
		}
	}
}

// checkMoves checks that a moved session has all facts of the one that it was moved from.
func (x *facts) checkMoves(r *report) {
	movedTo := map[string]string{}
	for to, from := range x.moved {
		movedTo[from] = to
	}
	for name := range x.records {
		session, id, isFact := strings.Cut(name, "/events/")
		to := movedTo[session]
		if !isFact || to == "" {
			continue
		}
		if _, there := x.records[to+"/events/"+id]; !there && !x.ofErased(to) {
			r.Lost++
			r.add("I1", "fact %s of %s is not with %s, where the visit was moved", id, session, to)
		}
	}
}

// ofErased reports whether a record belongs to a client whose erasure was asked for: a
// call whose outcome was unknown until then can no longer be answered.
func (x *facts) ofErased(name string) bool {
	parts := strings.SplitN(name, "/", 5)
	return len(parts) >= 4 && x.erased[strings.Join(parts[:4], "/")]
}

// expectedEntries are the kinds of entries that an acknowledged call must have made,
// once each.
func expectedEntries(o op) []pb.EntryKind {
	switch o.Method {
	case "CheckEligibility":
		switch o.Verdict {
		case pb.Verdict_VERDICT_REFUSE.String():
			return []pb.EntryKind{pb.EntryKind_ENTRY_KIND_REFUSAL}
		case pb.Verdict_VERDICT_REFER.String():
			return []pb.EntryKind{pb.EntryKind_ENTRY_KIND_REFERRAL}
		}
	case "RecallLot":
		return []pb.EntryKind{pb.EntryKind_ENTRY_KIND_LOT_RECALLED}
	case "EraseClient":
		return []pb.EntryKind{pb.EntryKind_ENTRY_KIND_ERASURE}
	case "CreateIncident":
		return []pb.EntryKind{pb.EntryKind_ENTRY_KIND_INCIDENT}
	case "RecordFollowUp":
		return []pb.EntryKind{pb.EntryKind_ENTRY_KIND_FOLLOW_UP}
	case "UpdateProduct":
		return []pb.EntryKind{pb.EntryKind_ENTRY_KIND_PRODUCT_CHANGED}
	case "ActivateHousePolicy":
		return []pb.EntryKind{pb.EntryKind_ENTRY_KIND_POLICY_ACTIVATED}
	case "CountersignDecision":
		return []pb.EntryKind{pb.EntryKind_ENTRY_KIND_COUNTERSIGNED}
	case "MoveSession":
		return []pb.EntryKind{pb.EntryKind_ENTRY_KIND_VISIT_MOVED}
	}
	return nil
}

// checkEntries checks that causes and entries go together: by request ID, by
// transaction, and by the digest of the cause.
func (x *facts) checkEntries(r *report) {
	for _, id := range x.bad {
		r.add("I4", "entry %s cannot be decoded", id)
	}
	for _, c := range x.calls {
		if !c.done() {
			continue
		}
		for _, kind := range expectedEntries(c.answer()) {
			made := 0
			for _, e := range x.entries[c.id] {
				if e.Kind == kind {
					made++
				}
			}
			if made != 1 {
				r.add("I3", "%s %s has %d entries of kind %s", c.answer().Method, c.id, made, kind)
			}
		}
	}
	x.checkCauses(r)
	x.checkTransactions(r)
	x.checkTogether(r)
}

// checkCauses joins the causes and the entries about them on both sides.
func (x *facts) checkCauses(r *report) {
	entered := map[string]int{}
	digests := map[string]bool{}
	for _, record := range x.Records {
		digests[string(record.Digest)] = true
	}
	for _, e := range x.decoded {
		switch e.Kind {
		case pb.EntryKind_ENTRY_KIND_REFUSAL, pb.EntryKind_ENTRY_KIND_REFERRAL:
			entered[e.Decision]++
		case pb.EntryKind_ENTRY_KIND_OVERRIDE, pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED:
			entered["override "+e.Decision]++
		default:
			continue
		}
		if !digests[string(e.CauseDigest)] {
			r.add("I4", "the cause of entry %s (%s) is not stored as it was", e.Name, e.Kind)
		}
		if _, there := x.records[e.Decision]; !there {
			r.add("I4", "entry %s is about decision %s, which is not stored", e.Name, e.Decision)
		}
	}
	overrides := map[string]int{}
	for _, record := range x.Records {
		if decision, _, ok := strings.Cut(record.Name, "/overrides/"); ok && record.Table == "overrides" {
			overrides[decision]++
		}
		stands := record.Verdict == pb.Verdict_VERDICT_REFUSE.String() || record.Verdict == pb.Verdict_VERDICT_REFER.String()
		if want := map[bool]int{true: 1}[stands]; record.Table == "decisions" && entered[record.Name] != want {
			r.add("I3", "decision %s (%s) has %d entries", record.Name, record.Verdict, entered[record.Name])
		}
	}
	for _, record := range x.Records {
		if n := entered["override "+record.Name]; record.Table == "decisions" && n != overrides[record.Name] {
			r.add("I3", "decision %s has %d overrides and %d entries about them", record.Name, overrides[record.Name], n)
		}
	}
}

// checkTransactions checks that each entry of a call was written by the transaction
// that stored its request.
func (x *facts) checkTransactions(r *report) {
	for i, e := range x.decoded {
		request, there := x.requests[e.RequestId]
		switch {
		case e.RequestId == "" || e.Kind == pb.EntryKind_ENTRY_KIND_ACCESS_DENIED || e.Kind == pb.EntryKind_ENTRY_KIND_AUDITOR_READ:
			// Made after or before a call and not by its transaction.
		case !there:
			r.add("I4", "entry %s (%s) belongs to request %s, which is not stored", e.Name, e.Kind, e.RequestId)
		case request.Tx != x.Entries[i].Tx:
			r.add("I3", "entry %s (%s) was not written by the transaction of its request %s", e.Name, e.Kind, e.RequestId)
		}
	}
}

// unchanging are the tables whose records are written once.
var unchanging = []string{"decisions", "overrides", "session_events", "outcomes"}

// checkTogether checks that each record that is written once was written by the
// transaction that stored the request for it.
func (x *facts) checkTogether(r *report) {
	for _, c := range x.calls {
		request, there := x.requests[c.id]
		if !c.done() || !there || c.answer().Method == "RecordEvents" && !x.firstReport(c) {
			continue
		}
		for _, name := range c.answer().Names {
			record, there := x.records[name]
			made := record.Table == "overrides"
			switch c.answer().Method {
			case "OverrideDecision", "CountersignDecision": // which answer with the decision that they are about
			default:
				made = true
			}
			if there && made && slices.Contains(unchanging, record.Table) && record.Tx != request.Tx {
				r.add("I3", "%s was not written by the transaction of its request, %s %s", name, c.answer().Method, c.id)
			}
		}
	}
}

// firstReport reports whether a call is the only one with its facts: the same facts may
// be sent in several requests, of which one writes them.
func (x *facts) firstReport(c call) bool {
	for _, name := range c.answer().Names {
		if x.reports[name] > 1 {
			return false
		}
	}
	return true
}

// checkSessions checks that each session rests on a decision that lets it go ahead, as
// answered, or on overrides that came before it.
func (x *facts) checkSessions(r *report) {
	verdicts, overridden := map[string]string{}, map[string]string{}
	for _, c := range x.calls {
		if !c.done() {
			continue
		}
		switch o := c.answer(); o.Method {
		case "CheckEligibility":
			verdicts[o.Names[0]] = o.Verdict
		case "OverrideDecision":
			if o.Verdict == pb.Verdict_VERDICT_PROCEED.String() || o.Verdict == pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS.String() {
				overridden[o.Names[0]] = o.Verdict
			}
		}
	}
	used := map[string]string{}
	for _, c := range x.calls {
		if !c.done() || c.answer().Method != "StartSession" {
			continue
		}
		o := c.answer()
		verdict := verdicts[o.Decision]
		goes := verdict == pb.Verdict_VERDICT_PROCEED.String() || verdict == pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS.String()
		if !goes && overridden[o.Decision] == "" {
			r.add("I6", "session %v rests on decision %s, which stands at %s", o.Names, o.Decision, verdict)
		}
		if before := used[o.Decision]; before != "" {
			r.add("I6", "sessions %s and %v rest on one decision", before, o.Names)
		}
		used[o.Decision] = o.Names[0]
	}
}
