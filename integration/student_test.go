package integration

import (
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// students is a decision that lets a student's service go ahead, asked for by
// the student, and not signed yet.
func (c *chain) students(t testing.TB) *pb.Decision {
	t.Helper()
	return wantVerdict(t, must(t, c.teo, c.eligibility.CheckEligibility, c.studentsQuestion(t)).Decision,
		pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
}

// studentsQuestion asks whether a student may do it under the supervisor.
func (c *chain) studentsQuestion(t testing.TB) *pb.CheckEligibilityRequest {
	t.Helper()
	q := c.question(c.submitted(t, c.client(t)).Name)
	q.Practitioner = c.teo.name
	return q
}

// signed is the decision with the supervisor's signature under it.
func (c *chain) signed(t testing.TB, d *pb.Decision) *pb.Decision {
	t.Helper()
	return must(t, c.imara, c.eligibility.CountersignDecision, &pb.CountersignDecisionRequest{
		Name: d.Name, Practitioner: c.imara.name, RequestId: newID()}).Decision
}

// TestAStudentBeginsWithASignature: without it the service does not begin, with it
// it does; the signature is on the decision and on the log, once.
func TestAStudentBeginsWithASignature(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := c.students(t)
	start := &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, RequestId: newID()}
	wantError(t, "a student without a signature", mustFail(t, c.teo, c.processing.StartSession, start), codes.FailedPrecondition, "NOT_COUNTERSIGNED")
	wantError(t, "the supervisor without one", mustFail(t, c.imara, c.processing.StartSession, again(start)), codes.FailedPrecondition, "NOT_COUNTERSIGNED")
	wantError(t, "the till without one", mustFail(t, c.till, c.processing.StartSession, again(start)), codes.FailedPrecondition, "NOT_COUNTERSIGNED")

	signed := c.signed(t, d)
	want := &pb.Countersignature{Practitioner: c.imara.name, CreateTime: timestamppb.New(c.clock.Now())}
	got := must(t, c.vesna, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: d.Name}).Decision
	listed := must(t, c.vesna, c.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: parent(d.Name)}).Decisions[0]
	for what, reported := range map[string]*pb.Decision{"the answer": signed, "GetDecision": got, "ListDecisions": listed} {
		if !proto.Equal(reported.Countersignature, want) || reported.Role != pb.Role_ROLE_STUDENT {
			t.Errorf("%s: %v, %s", what, reported.Countersignature, reported.Role)
		}
	}
	if replayed := must(t, c.vesna, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: d.Name}); !replayed.Identical {
		t.Errorf("decided again it differs: %v", replayed.Differences)
	}
	entry := c.entryOf(t, pb.EntryKind_ENTRY_KIND_COUNTERSIGNED)
	if entry.Decision != d.Name || entry.Actor != c.imara.name || entry.Role != pb.Role_ROLE_SUPERVISOR || entry.OnBehalfOf != "" ||
		entry.Client != parent(d.Name) || entry.Salon != c.salon || len(entry.CauseDigest) != 32 {
		t.Errorf("on the log: %v", entry)
	}
	session := must(t, c.teo, c.processing.StartSession, again(start)).Session
	if session.Decision != d.Name || session.NotCountersigned || len(session.State.Deviations) > 0 {
		t.Errorf("begun as %v", session)
	}
}

// entryOf is the one entry of a kind on the chain's log.
func (c *chain) entryOf(t testing.TB, kind pb.EntryKind) *pb.AuditEntry {
	t.Helper()
	var found []*pb.AuditEntry
	for _, e := range must(t, c.odile, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name}).Entries {
		if e.Kind == kind {
			found = append(found, e)
		}
	}
	if len(found) != 1 {
		t.Fatalf("%d entries of %s", len(found), kind)
	}
	return found[0]
}

// TestWhoAskedCounts: a decision that a student asked for needs the signature
// for every practitioner, and one that was asked for a student too.
func TestWhoAskedCounts(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	for what, by := range map[string]person{"by the till": c.till, "by the supervisor": c.imara} {
		d := must(t, by, c.eligibility.CheckEligibility, c.studentsQuestion(t)).Decision
		start := &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, RequestId: newID()}
		wantError(t, "asked for a student "+what, mustFail(t, c.teo, c.processing.StartSession, start), codes.FailedPrecondition, "NOT_COUNTERSIGNED")
		c.signed(t, d)
		must(t, c.teo, c.processing.StartSession, again(start))
	}
	// The same person, called a practitioner in the directory and a student by
	// their identity, and the other way round.
	asStudent := person{c.amara.name, pb.Role_ROLE_STUDENT}
	d := must(t, asStudent, c.eligibility.CheckEligibility, c.question(c.submitted(t, c.client(t)).Name)).Decision
	start := &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, RequestId: newID()}
	wantError(t, "asked for as a student", mustFail(t, c.amara, c.processing.StartSession, start), codes.FailedPrecondition, "NOT_COUNTERSIGNED")
	asPractitioner := person{c.teo.name, pb.Role_ROLE_PRACTITIONER}
	d = must(t, asPractitioner, c.eligibility.CheckEligibility, c.studentsQuestion(t)).Decision
	start = &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, RequestId: newID()}
	wantError(t, "a student by the directory", mustFail(t, asPractitioner, c.processing.StartSession, start), codes.FailedPrecondition, "NOT_COUNTERSIGNED")
}

// TestASignatureThatIsNone: callers who may not sign, and decisions that need no
// signature.
func TestASignatureThatIsNone(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.moveVisitTo(t, pb.Jurisdiction_JURISDICTION_US) // where hairdressers are licensed
	d := c.students(t)
	hire := func(id string, change func(*pb.Practitioner)) person {
		p := person{c.name + "/practitioners/" + id, pb.Role_ROLE_SUPERVISOR}
		made := c.licensed(p)
		change(made)
		must(t, c.odile, c.directory.CreatePractitioner, &pb.CreatePractitionerRequest{
			Parent: c.name, PractitionerId: id, Practitioner: made, RequestId: newID()})
		return p
	}
	elsewhere := must(t, c.odile, c.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, SalonId: "mill-lane",
		Salon: &pb.Salon{DisplayName: "Mill Lane"}, RequestId: newID()}).Salon.Name
	for reason, by := range map[string]person{
		"NOT_A_SUPERVISOR":            hire("ines", func(p *pb.Practitioner) { p.Role = pb.Role_ROLE_PRACTITIONER }),
		"LICENCE_NOT_VALID":           hire("ilka", func(p *pb.Practitioner) { p.LicenceExpireTime = timestamppb.New(c.clock.Now()) }),
		"SUPERVISOR_OF_ANOTHER_SALON": hire("iris", func(p *pb.Practitioner) { p.Salons = []string{elsewhere} }),
		"OWN_DECISION":                {c.teo.name, pb.Role_ROLE_SUPERVISOR},
	} {
		err := mustFail(t, by, c.eligibility.CountersignDecision, &pb.CountersignDecisionRequest{Name: d.Name, Practitioner: by.name, RequestId: newID()})
		wantError(t, reason, err, codes.FailedPrecondition, reason)
	}
	sign := &pb.CountersignDecisionRequest{Name: d.Name, Practitioner: c.imara.name, RequestId: newID()}
	other := hire("isa", func(p *pb.Practitioner) { p.Salons = nil })
	wantError(t, "in another's name", mustFail(t, other, c.eligibility.CountersignDecision, again(sign)), codes.PermissionDenied, "ACTING_FOR_ANOTHER")
	wantError(t, "as a practitioner", mustFail(t, c.amara, c.eligibility.CountersignDecision, again(sign)), codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	plain := &pb.CountersignDecisionRequest{Name: c.proceedDecision(t).Name, Practitioner: c.imara.name, RequestId: newID()}
	wantError(t, "a practitioner's decision", mustFail(t, c.imara, c.eligibility.CountersignDecision, plain), codes.FailedPrecondition, "NOT_A_STUDENTS_DECISION")
	if d := must(t, c.imara, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: d.Name}).Decision; d.Countersignature != nil {
		t.Errorf("signed all the same: %v", d.Countersignature)
	}
	first := must(t, c.imara, c.eligibility.CountersignDecision, sign)
	if repeated := must(t, c.imara, c.eligibility.CountersignDecision, sign); !proto.Equal(first, repeated) {
		t.Errorf("asked again: %v, first %v", repeated, first)
	}
	wantError(t, "a second signature", mustFail(t, c.imara, c.eligibility.CountersignDecision, again(sign)), codes.FailedPrecondition, "COUNTERSIGNED_ALREADY")
	wantError(t, "another's", mustFail(t, other, c.eligibility.CountersignDecision, &pb.CountersignDecisionRequest{
		Name: d.Name, Practitioner: other.name, RequestId: newID()}), codes.FailedPrecondition, "COUNTERSIGNED_ALREADY")
}

// TestTwoSignAtOnce: one signature is given, and one entry is on the log.
func TestTwoSignAtOnce(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := c.students(t)
	var wg sync.WaitGroup
	var signed, refused sync.Map
	for i := range 8 {
		wg.Go(func() {
			_, err := c.eligibility.CountersignDecision(c.imara.calling(t), &pb.CountersignDecisionRequest{Name: d.Name, Practitioner: c.imara.name, RequestId: newID()})
			if err == nil {
				signed.Store(i, true)
				return
			}
			refused.Store(i, true)
			wantError(t, "the later", err, codes.FailedPrecondition, "COUNTERSIGNED_ALREADY")
		})
	}
	wg.Wait()
	if count(&signed) != 1 || count(&refused) != 7 {
		t.Errorf("%d signed, %d refused", count(&signed), count(&refused))
	}
	c.entryOf(t, pb.EntryKind_ENTRY_KIND_COUNTERSIGNED)
}

// count counts what is in a map.
func count(m *sync.Map) (n int) {
	m.Range(func(any, any) bool { n++; return true })
	return n
}

// TestStudentsEventsAreRecorded: product is on the hair and nobody has signed.
// It is recorded, with its plan, and the deviation is on the log.
func TestStudentsEventsAreRecorded(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := c.students(t)
	const unsigned, undecided = pb.DeviationKind_DEVIATION_KIND_NOT_COUNTERSIGNED, pb.DeviationKind_DEVIATION_KIND_NO_DECISION
	session := must(t, c.till, c.processing.StartSession, &pb.StartSessionRequest{
		Parent: parent(d.Name), Decision: d.Name, UnderWay: true, RequestId: newID()}).Session
	if session.Decision != d.Name || session.Plan == nil || !session.NotCountersigned ||
		!deviationsOf(session.State.Deviations, unsigned) || deviationsOf(session.State.Deviations, undecided) {
		t.Errorf("recorded as %v", session)
	}
	entry := c.entryOf(t, pb.EntryKind_ENTRY_KIND_DEVIATION)
	if entry.ReasonCode != unsigned.String() || entry.Session != session.Name || entry.Actor != c.till.name || entry.OnBehalfOf != c.teo.name {
		t.Errorf("on the log: %v", entry)
	}
	none := must(t, c.amara, c.processing.StartSession, &pb.StartSessionRequest{
		Parent: c.client(t), Salon: c.salon, Practitioner: c.teo.name, UnderWay: true, RequestId: newID()}).Session
	if !deviationsOf(none.State.Deviations, unsigned) || !deviationsOf(none.State.Deviations, undecided) {
		t.Errorf("without any decision: %v", none.State.Deviations)
	}
	licensed := must(t, c.till, c.processing.StartSession, &pb.StartSessionRequest{
		Parent: c.client(t), Salon: c.salon, Practitioner: c.amara.name, UnderWay: true, RequestId: newID()}).Session
	if deviationsOf(licensed.State.Deviations, unsigned) {
		t.Errorf("a practitioner's: %v", licensed.State.Deviations)
	}
}

// TestActingForAnother asks in another's name wherever a request names who does
// it. Intentions are refused; what is under way is recorded, on behalf of whom it
// says.
func TestActingForAnother(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d, refusal := c.proceedDecision(t), c.decision(t, brokenSkin)
	elsewhere := must(t, c.odile, c.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, SalonId: "mill-lane",
		Salon: &pb.Salon{DisplayName: "Mill Lane"}, RequestId: newID()}).Salon.Name
	away := person{c.name + "/practitioners/joss", pb.Role_ROLE_PRACTITIONER}
	joss := c.licensed(away)
	joss.Salons = []string{elsewhere}
	must(t, c.odile, c.directory.CreatePractitioner, &pb.CreatePractitionerRequest{Parent: c.name, PractitionerId: "joss", Practitioner: joss, RequestId: newID()})
	counter := person{c.salon + "/tills/counter", pb.Role_ROLE_TILL}
	// Whom each may act for, of the six.
	all := []person{c.odile, c.imara, c.amara, c.teo, away}
	for who, may := range map[person][]person{
		c.teo: {c.teo}, c.amara: {c.amara}, c.imara: {c.imara, c.amara, c.teo}, counter: {c.odile, c.imara, c.amara, c.teo}, c.till: all,
	} {
		for _, other := range all {
			want := slices.Contains(may, other)
			check := func(what, field string, err error) {
				t.Helper()
				if want && err != nil {
					t.Errorf("%s for %s: %s: %v", last(who.name), last(other.name), what, err)
				}
				if !want {
					wantError(t, last(who.name)+" for "+last(other.name)+": "+what, err, codes.PermissionDenied, "ACTING_FOR_ANOTHER")
					if said := violationsOf(err); len(said) != 1 || said[field] == "" {
						t.Errorf("%s names %v", what, said)
					}
				}
			}
			q := c.question(d.Inputs.Consultation.Name)
			q.Practitioner = other.name
			_, err := c.eligibility.CheckEligibility(who.calling(t), q)
			check("a check", "practitioner", err)
			whatIf := func(consulting, serving string) error {
				card := c.consultationAnswers()
				card.Practitioner = consulting
				req := again(q)
				req.Practitioner, req.Subject = serving, &pb.CheckEligibilityRequest_Inline{Inline: card}
				_, err := c.eligibility.CheckEligibility(who.calling(t), req)
				return err
			}
			own := who.name // a till works on nobody and has no consultation of its own
			if who.role == pb.Role_ROLE_TILL {
				own = c.amara.name
			}
			check("a what-if", "practitioner", whatIf(own, other.name))
			check("a what-if on a consultation", "inline.practitioner", whatIf(other.name, own))
			card := c.consultationAnswers()
			card.Practitioner = other.name
			_, err = c.consultation.CreateConsultation(who.calling(t), &pb.CreateConsultationRequest{Parent: parent(d.Name), Consultation: card, RequestId: newID()})
			check("a consultation", "consultation.practitioner", err)
			if other != c.amara { // the draft is hers
				card.Name = c.draft(t, parent(d.Name)).Name
				_, err = c.consultation.UpdateConsultation(who.calling(t), &pb.UpdateConsultationRequest{Consultation: card, UpdateMask: updateMask("practitioner"), RequestId: newID()})
				check("a change", "consultation.practitioner", err)
			}
			if !want {
				_, err = c.processing.StartSession(who.calling(t), &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, Practitioner: other.name, RequestId: newID()})
				check("a start", "practitioner", err)
			}
			if who.role != pb.Role_ROLE_TILL {
				o := c.override(refusal, refusal.Findings[0])
				o.Practitioner = other.name
				_, err = c.eligibility.OverrideDecision(who.calling(t), o)
				check("an override", "practitioner", err)
			}
		}
	}
	o := c.override(refusal, refusal.Findings[0])
	wantError(t, "a manager for another", mustFail(t, c.odile, c.eligibility.OverrideDecision, o), codes.PermissionDenied, "ACTING_FOR_ANOTHER")
	o = again(o)
	o.Practitioner = c.odile.name
	must(t, c.odile, c.eligibility.OverrideDecision, o)
	o = again(o)
	o.Practitioner = c.name + "/practitioners/nobody"
	wantError(t, "for nobody", mustFail(t, c.imara, c.eligibility.OverrideDecision, o), codes.NotFound, "NOT_FOUND")
}

// TestNobodyBeginsOnAnothersDecision: a student cannot have a service that is a
// colleague's by its decision, without leave and without a trace, by saying that it
// is under way.
func TestNobodyBeginsOnAnothersDecision(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := c.proceedDecision(t)
	begin := &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, RequestId: newID()}
	wantError(t, "a student's start", mustFail(t, c.teo, c.processing.StartSession, begin), codes.PermissionDenied, "ACTING_FOR_ANOTHER")
	begin = again(begin)
	begin.UnderWay = true
	session := must(t, c.teo, c.processing.StartSession, begin).Session
	if session.Decision != "" || session.RefusedDecision != d.Name || !deviationsOf(session.State.Deviations, pb.DeviationKind_DEVIATION_KIND_NO_DECISION) {
		t.Errorf("recorded as %v", session)
	}
	if e := c.entryOf(t, pb.EntryKind_ENTRY_KIND_DEVIATION); e.Actor != c.teo.name || e.OnBehalfOf != c.amara.name || e.Session != session.Name {
		t.Errorf("on the log: %v", e)
	}
}

// TestUnderWayForAnother: product is on the hair; the fact is recorded though the
// one who reports it may not act for the one who does it.
func TestUnderWayForAnother(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := wantVerdict(t, c.decision(t, brokenSkin), pb.Verdict_VERDICT_REFUSE)
	session := must(t, c.teo, c.processing.StartSession, &pb.StartSessionRequest{
		Parent: parent(d.Name), Decision: d.Name, UnderWay: true, RequestId: newID()}).Session
	if session.Practitioner != c.amara.name {
		t.Fatalf("recorded as %v", session)
	}
	c.clock.advance(time.Minute)
	must(t, c.teo, c.processing.RecordEvents, &pb.RecordEventsRequest{Name: session.Name, RequestId: newID(), Events: []*pb.Event{
		eventAt(session, 0, applied("front"))}})
	entries := must(t, c.odile, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: `kind = "DEVIATION"`}).Entries
	if len(entries) < 2 {
		t.Fatalf("%d deviations on the log", len(entries))
	}
	for _, e := range entries {
		if e.Actor != c.teo.name || e.OnBehalfOf != c.amara.name {
			t.Errorf("on the log: %s on behalf of %q: %v", e.Actor, e.OnBehalfOf, e.ReasonCode)
		}
	}
}
