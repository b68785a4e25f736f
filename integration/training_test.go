package integration

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The promise: practice is apart. A school chain holds no client, nothing of practice
// shows in a salon chain, a student sees neither the answers nor the work of others, and
// marks that a person confirmed stay.

// school is a school chain with a case, an attempt that is open and one that is stated.
// Imara is its instructor, Teo its student.
type school struct {
	*chain
	ola                          person // another student
	theCase, open, stated, sheet string
}

// newSchool stores a school.
func (s *testServer) newSchool(t testing.TB, id string) *school {
	t.Helper()
	c := &school{chain: s.describeChain(id)}
	c.kind = pb.ChainKind_CHAIN_KIND_SCHOOL
	c.create(t)
	c.ola = person{c.name + "/practitioners/ola", pb.Role_ROLE_STUDENT}
	must(t, c.odile, c.directory.CreatePractitioner, &pb.CreatePractitionerRequest{Parent: c.name, PractitionerId: "ola", Practitioner: c.licensed(c.ola), RequestId: newID()})
	c.theCase = must(t, c.imara, c.training.CreateCase, c.newCase("first")).Case.Name
	c.open = c.attempt(t)
	c.stated = c.submitted(t)
	c.sheet = must(t, c.imara, c.training.Mark, &pb.MarkRequest{Name: c.stated, RequestId: newID()}).Sheet.Name
	return c
}

// newCase is a request for a case that a service goes ahead on.
func (c *school) newCase(id string) *pb.CreateCaseRequest {
	answers := c.consultationAnswers()
	answers.Scalp.SeenTime = c.clock.timestamp()
	return &pb.CreateCaseRequest{Parent: c.name, CaseId: id, RequestId: newID(), Case: &pb.Case{
		DisplayName: "Tight curls", Opening: "I would like it softer.", Practice: true,
		Criteria: ownCriteria(),
		Facts: &pb.CaseFacts{Consultation: answers, Product: c.relaxer, LotCode: c.relaxerLot, ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN,
			Salon: c.salon, Practitioner: c.amara.name, VisitTime: c.clock.timestamp()}}}
}

// ownCriteria are what the school marks besides the common criteria.
func ownCriteria() []*pb.Criterion {
	return []*pb.Criterion{{CriterionId: "school.manner", Title: "Speak to the client at eye level.", Weight: new(int32(4)), Group: pb.CriterionGroup_CRITERION_GROUP_SCHOOL,
		Basis: &pb.Basis{Kind: pb.BasisKind_BASIS_KIND_HOUSE, Source: "invented"}}}
}

// attempt begins an attempt of Teo's.
func (c *school) attempt(t testing.TB) string {
	return must(t, c.teo, c.training.StartAttempt, &pb.StartAttemptRequest{Parent: c.theCase, RequestId: newID()}).Attempt.Name
}

// submitted is an attempt of Teo's with a decision.
func (c *school) submitted(t testing.TB) string {
	name := c.attempt(t)
	must(t, c.teo, c.training.SubmitAttempt, &pb.SubmitAttemptRequest{Name: name, RequestId: newID(),
		Submission: &pb.Submission{Verdict: pb.Verdict_VERDICT_PROCEED, Strength: pb.Strength_STRENGTH_REGULAR, RuleIds: []string{"directions.base"}}})
	return name
}

// examples has a request for every RPC of a school.
func (c *school) examples() map[string]example {
	return map[string]example{
		"CreateCase": {c.imara, func(testing.TB) proto.Message { return c.newCase(freshID()) }},
		"GetCase":    requestAs(c.teo, &pb.GetCaseRequest{Name: c.theCase}),
		"ListCases":  requestAs(c.teo, &pb.ListCasesRequest{Parent: c.name}),
		"UpdateCase": {c.imara, func(testing.TB) proto.Message {
			return &pb.UpdateCaseRequest{RequestId: newID(), UpdateMask: updateMask("display_name", "opening", "criteria", "ruling", "archived"), Case: &pb.Case{Name: c.theCase,
				DisplayName: "Tight curls again", Opening: "I would like it straighter.", Criteria: ownCriteria(), Ruling: &pb.ReferenceRuling{Verdict: pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, Comment: "base it all"}}}
		}},
		"StartAttempt": requestAs(c.teo, &pb.StartAttemptRequest{Parent: c.theCase, Student: c.teo.name}),
		"Ask":          requestAs(c.teo, &pb.AskRequest{Name: c.open, Field: "consultation.scalp.broken_skin"}),
		"SubmitAttempt": {c.teo, func(t testing.TB) proto.Message {
			return &pb.SubmitAttemptRequest{Name: c.attempt(t), Submission: &pb.Submission{Verdict: pb.Verdict_VERDICT_ASK}, RequestId: newID()}
		}},
		"RecordPractice": {c.teo, func(testing.TB) proto.Message {
			return &pb.RecordPracticeRequest{Name: c.stated, TimeFactor: new(int32(10)), HygieneSteps: []pb.HygieneStep{pb.HygieneStep_HYGIENE_STEP_GLOVES},
				Events: []*pb.Event{{EventId: newID(), OccurTime: c.clock.timestamp(), Fact: &pb.Event_BaseApplied{BaseApplied: &pb.BaseApplied{WholeScalp: true}}}}, RequestId: newID()}
		}},
		"GetAttempt":   requestAs(c.imara, &pb.GetAttemptRequest{Name: c.stated}),
		"ListAttempts": requestAs(c.imara, &pb.ListAttemptsRequest{Parent: c.name + "/cases/-", Student: c.teo.name}),
		"Mark":         requestAs(c.imara, &pb.MarkRequest{Name: c.stated}),
		"ConfirmMarks": {c.imara, func(t testing.TB) proto.Message {
			sheet := must(t, c.imara, c.training.Mark, &pb.MarkRequest{Name: c.submitted(t), RequestId: newID()}).Sheet
			return &pb.ConfirmMarksRequest{Name: sheet.Name, RequestId: newID(),
				Changes: []*pb.MarkChange{{CriterionId: "school.manner", Value: pb.MarkValue_MARK_VALUE_MET, Comment: "kind and clear"}}}
		}},
		"SummarizeClass": requestAs(c.imara, &pb.SummarizeClassRequest{Parent: c.name, Case: c.theCase}),
	}
}

// allNames are the names of what is in the school.
func (c *school) allNames() []string {
	return []string{c.name, c.salon, c.odile.name, c.imara.name, c.teo.name, c.ola.name, c.relaxer, c.theCase, c.open, c.stated, c.sheet}
}

// TestPracticeIsApart walks all RPCs. In a school every example that would store a client
// is refused and no client is there at the end. In a salon chain nothing changes while a
// school beside it is at work, and its reads name nothing of the school.
func TestPracticeIsApart(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	st := s.newFixture(t, "ebb-and-flow")
	before := map[string]proto.Message{}
	reads := func(visit func(r rpc, answer proto.Message)) {
		for _, r := range contract() {
			if r.inSchool() || r.access().Mutates || r.IsStreamingServer() || r.Name() == "ListChains" || r.Name() == "GetCheckpoint" || r.Name() == "GetConsistencyProof" || r.Name() == "GetInclusionProof" || r.Name() == "ListEntries" {
				continue // logs grow by what the server itself enters
			}
			e := st.example(t, r)
			answer, err := s.ask(t, e.who, r, e.make(t))
			if err == nil {
				visit(r, answer)
			}
		}
	}
	reads(func(r rpc, answer proto.Message) { before[string(r.Name())] = answer })
	if len(before) < 20 {
		t.Fatalf("only %d RPCs read a salon chain", len(before))
	}
	c := s.newSchool(t, "quay-school")
	for _, name := range []string{"RecordPractice", "Mark", "ConfirmMarks"} {
		e := c.examples()[name]
		answered(t, s, e.who, rpcNamed(name), e.make(t))
	}
	reads(func(r rpc, answer proto.Message) {
		if strings.Contains(fmt.Sprint(answer), "quay-school") {
			t.Errorf("%s of a salon chain shows the school: %v", r.Name(), answer)
		}
		if was := before[string(r.Name())]; !proto.Equal(was, answer) && !strings.HasPrefix(string(r.Name()), "Replay") && r.Name() != "SummarizeEntries" {
			t.Errorf("%s of a salon chain is answered otherwise while a school works:\n%v\nbefore\n%v", r.Name(), answer, was)
		}
	})

	_, err := c.training.CreateCase(st.odile.calling(t), again(st.asSchool(c).newCase("a")))
	wantError(t, "a case in a salon chain", err, codes.FailedPrecondition, "NOT_A_SCHOOL")
	_, err = c.directory.UpdateChain(c.odile.calling(t), &pb.UpdateChainRequest{Chain: &pb.Chain{Name: c.name, Kind: pb.ChainKind_CHAIN_KIND_SALONS}, UpdateMask: updateMask("kind"), RequestId: newID()})
	wantError(t, "another kind", err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = c.consultation.CreateClient(c.odile.calling(t), &pb.CreateClientRequest{Parent: c.name, Client: &pb.Client{DisplayName: "Invented"}, RequestId: newID()})
	wantError(t, "a client in a school", err, codes.FailedPrecondition, "SCHOOL_HAS_NO_CLIENTS")
	c.tryEverything(t, st)
	var clients, wrong int
	if err := s.sql.QueryRowContext(t.Context(), `select (select count(*) from alkalog.clients where chain = 'quay-school'),
		(select count(*) from alkalog.cases where chain <> 'quay-school') + (select count(*) from alkalog.sessions where chain = 'quay-school')`).Scan(&clients, &wrong); err != nil || clients != 0 || wrong != 0 {
		t.Errorf("a school has %d clients, and %d records are in the wrong place (%v)", clients, wrong, err)
	}
}

// tryEverything sends the examples of all RPCs of a salon chain to the school, with the
// names changed to the school's.
func (c *school) tryEverything(t *testing.T, st *fixture) {
	t.Helper()
	tried := 0
	for _, r := range contract() {
		if r.inSchool() || !r.access().Mutates || r.Name() == "CreateChain" || r.Name() == "AcceptRestore" {
			continue
		}
		e := st.example(t, r)
		req := e.make(t)
		for _, at := range namesIn(req) {
			if name, ok := at.get(req); ok {
				req = at.put(req, strings.Replace(name, st.name, c.name, 1))
			}
		}
		who := person{strings.Replace(e.who.name, st.name, c.name, 1), e.who.role}
		_, _ = c.testServer.ask(t, who, r, req) // some succeed: products, people, policies
		tried++
	}
	if tried < 25 {
		t.Errorf("only %d RPCs change something", tried)
	}
}

// asSchool is a fixture's chain with the helpers of a school.
func (st *fixture) asSchool(c *school) *school { return &school{chain: st.chain, theCase: c.theCase} }

// TestStudentsSeeOnlyTheirOwn: no answer before it is asked for, no reference, no sheet
// that is not confirmed, and nothing of another student's.
func TestStudentsSeeOnlyTheirOwn(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newSchool(t, "quay-school")
	shown := must(t, c.teo, c.training.GetCase, &pb.GetCaseRequest{Name: c.theCase}).Case
	listed := must(t, c.teo, c.training.ListCases, &pb.ListCasesRequest{Parent: c.name}).Cases
	for _, it := range append(listed, shown) {
		if it.Reference != nil || it.Facts.GetConsultation() != nil || it.Generator != nil || len(it.Criteria) > 0 || it.Opening == "" {
			t.Errorf("a student sees %v", it)
		}
	}
	if whole := must(t, c.imara, c.training.GetCase, &pb.GetCaseRequest{Name: c.theCase}).Case; whole.Reference.GetVerdict() != pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS {
		t.Errorf("the reference is %v: %v", whole.Reference.GetVerdict(), whole.Reference.GetOpenQuestions())
	}
	began := must(t, c.teo, c.training.GetAttempt, &pb.GetAttemptRequest{Name: c.open}).Attempt
	if slices.ContainsFunc(began.Asked, func(q *pb.AskedQuestion) bool { return !strings.HasSuffix(q.Field, ".hairline") }) {
		t.Errorf("an attempt begins with %v", began.Asked)
	}
	answer := must(t, c.teo, c.training.Ask, &pb.AskRequest{Name: c.open, Field: "consultation.history.shampoo.happened", RequestId: newID()}).Answer
	if answer.Field != "consultation.history.shampoo" || answer.Value != "yes, 4 days before the visit" || !strings.HasSuffix(answer.Question, "?") {
		t.Errorf("asked for the shampoo: %v", answer)
	}
	if sheets := must(t, c.teo, c.training.GetAttempt, &pb.GetAttemptRequest{Name: c.stated}).Attempt.Sheets; len(sheets) != 0 {
		t.Errorf("a student sees a proposal: %v", sheets)
	}
	must(t, c.imara, c.training.ConfirmMarks, &pb.ConfirmMarksRequest{Name: c.sheet, RequestId: newID()})
	if sheets := must(t, c.teo, c.training.GetAttempt, &pb.GetAttemptRequest{Name: c.stated}).Attempt.Sheets; len(sheets) != 1 {
		t.Errorf("a student sees %d sheets", len(sheets))
	}
	for what, err := range map[string]error{
		"reads":   second(c.training.GetAttempt(c.ola.calling(t), &pb.GetAttemptRequest{Name: c.open})),
		"asks":    second(c.training.Ask(c.ola.calling(t), &pb.AskRequest{Name: c.open, Field: "consultation.scalp.sores", RequestId: newID()})),
		"submits": second(c.training.SubmitAttempt(c.ola.calling(t), &pb.SubmitAttemptRequest{Name: c.open, Submission: &pb.Submission{Verdict: 1}, RequestId: newID()})),
	} {
		wantError(t, what+" another student's attempt", err, codes.NotFound, "NOT_FOUND")
	}
	if others := must(t, c.ola, c.training.ListAttempts, &pb.ListAttemptsRequest{Parent: c.name + "/cases/-"}).Attempts; len(others) != 0 {
		t.Errorf("a student lists %v", others)
	}
	_, err := c.training.StartAttempt(c.ola.calling(t), &pb.StartAttemptRequest{Parent: c.theCase, Student: c.teo.name, RequestId: newID()})
	wantError(t, "beginning for another", err, codes.PermissionDenied, "ACTING_FOR_ANOTHER")
	_, err = c.training.Ask(c.teo.calling(t), &pb.AskRequest{Name: c.stated, Field: "consultation.scalp.sores", RequestId: newID()})
	wantError(t, "asking after the decision", err, codes.FailedPrecondition, "ATTEMPT_SUBMITTED")
}

// second is the error of a call.
func second[A any](_ A, err error) error { return err }

// TestMarksStayConfirmed: a correction is a new sheet on the log, a second confirmation of
// the proposal is refused, and only an instructor marks.
func TestMarksStayConfirmed(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newSchool(t, "quay-school")
	confirm := func(name string, changes ...*pb.MarkChange) (*pb.ConfirmMarksResponse, error) {
		return c.training.ConfirmMarks(c.imara.calling(t), &pb.ConfirmMarksRequest{Name: name, Changes: changes, RequestId: newID()})
	}
	first, err := confirm(c.sheet, &pb.MarkChange{CriterionId: "verdict", Value: pb.MarkValue_MARK_VALUE_PARTLY, Comment: "said so aloud"})
	if err != nil {
		t.Fatal(err)
	}
	_, err = confirm(c.sheet)
	wantError(t, "confirming the proposal twice", err, codes.FailedPrecondition, "SHEET_REPLACED")
	corrected, err := confirm(first.Sheet.Name, &pb.MarkChange{CriterionId: "verdict", Value: pb.MarkValue_MARK_VALUE_NOT_MET, Comment: "heard again"})
	if err != nil || corrected.Sheet.Replaces != first.Sheet.Name || corrected.Sheet.GetScorePercent() >= first.Sheet.GetScorePercent() {
		t.Errorf("a correction: %v %v", err, corrected)
	}
	_, err = confirm(corrected.Sheet.Name, &pb.MarkChange{CriterionId: "made.up", Value: pb.MarkValue_MARK_VALUE_MET, Comment: "x"})
	wantError(t, "a criterion that is not there", err, codes.InvalidArgument, "INVALID_FIELD")
	sheets := must(t, c.imara, c.training.GetAttempt, &pb.GetAttemptRequest{Name: c.stated}).Attempt.Sheets
	if len(sheets) != 3 || !proto.Equal(sheets[1], first.Sheet) {
		t.Errorf("%d sheets, the first confirmed one %v", len(sheets), sheets)
	}
	entries := must(t, c.vesna, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: `kind = "MARKS_CONFIRMED"`}).Entries
	if len(entries) != 2 || entries[0].Practitioner != c.teo.name || entries[0].Actor != c.imara.name {
		t.Errorf("on the log: %v", entries)
	}
	summary := must(t, c.imara, c.training.SummarizeClass, &pb.SummarizeClassRequest{Parent: c.name})
	if summary.Counted != 1 || len(summary.LookAt) != 1 || summary.Students[0].GetMeanScorePercent() != corrected.Sheet.GetScorePercent() {
		t.Errorf("the class counts %v", summary)
	}
	must(t, c.odile, c.directory.UpdatePractitioner, &pb.UpdatePractitionerRequest{Practitioner: &pb.Practitioner{Name: c.imara.name}, UpdateMask: updateMask("instructor"), RequestId: newID()})
	_, err = confirm(corrected.Sheet.Name)
	wantError(t, "a supervisor who is no instructor", err, codes.PermissionDenied, "NOT_AN_INSTRUCTOR")
	for _, statement := range []string{"update alkalog.mark_sheets set body = body", "delete from alkalog.mark_sheets", "delete from alkalog.attempts"} {
		if _, err := s.sql.ExecContext(t.Context(), statement); err == nil || !strings.Contains(err.Error(), "refused") {
			t.Errorf("%s: %v", statement, err)
		}
	}
}

// TestNobodyConfirmsTheirOwnMarks: an instructor may practise, and another one confirms.
func TestNobodyConfirmsTheirOwnMarks(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newSchool(t, "quay-school")
	own := must(t, c.imara, c.training.StartAttempt, &pb.StartAttemptRequest{Parent: c.theCase, RequestId: newID()}).Attempt.Name
	must(t, c.imara, c.training.SubmitAttempt, &pb.SubmitAttemptRequest{Name: own, RequestId: newID(), Submission: &pb.Submission{Verdict: pb.Verdict_VERDICT_PROCEED}})
	proposed := must(t, c.imara, c.training.Mark, &pb.MarkRequest{Name: own, RequestId: newID()}).Sheet.Name
	confirm := func() *pb.ConfirmMarksRequest { return &pb.ConfirmMarksRequest{Name: proposed, RequestId: newID()} }
	wantError(t, "confirming one's own marks", mustFail(t, c.imara, c.training.ConfirmMarks, confirm()), codes.PermissionDenied, "NOT_AN_INSTRUCTOR")
	must(t, c.odile, c.training.ConfirmMarks, confirm())
}

// TestTwoInstructorsConfirmAtOnce: one confirmation counts, and the other instructor learns
// which sheet has been confirmed.
func TestTwoInstructorsConfirmAtOnce(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newSchool(t, "quay-school")
	c.clock.advance(time.Second) // the attempt's own time of change tells the two writes apart
	var both sync.WaitGroup
	sheets, errs := make([]*pb.MarkSheet, 2), make([]error, 2)
	for i, who := range []person{c.imara, c.odile} {
		ctx := who.calling(t)
		both.Go(func() {
			answer, err := c.training.ConfirmMarks(ctx, &pb.ConfirmMarksRequest{Name: c.sheet, RequestId: newID()})
			sheets[i], errs[i] = answer.GetSheet(), err
		})
	}
	both.Wait()
	won := slices.IndexFunc(errs, func(err error) bool { return err == nil })
	if won < 0 {
		t.Fatalf("neither was confirmed: %v", errs)
	}
	if errs[1-won] == nil {
		t.Fatalf("both were confirmed: %s and %s", sheets[0].Name, sheets[1].Name)
	}
	wantError(t, "the other confirmation", errs[1-won], codes.FailedPrecondition, "SHEET_REPLACED")
	if !strings.Contains(errs[1-won].Error(), sheets[won].Name) {
		t.Errorf("the other instructor is told %v, not which sheet was confirmed, %s", errs[1-won], sheets[won].Name)
	}
	if stored := must(t, c.imara, c.training.GetAttempt, &pb.GetAttemptRequest{Name: c.stated}).Attempt.Sheets; len(stored) != 2 {
		t.Errorf("%d sheets, want the proposal and one confirmed", len(stored))
	}
}

// TestWhatACaseAllows: no attempt begins on an archived case, and no practice on one
// without a practice service.
func TestWhatACaseAllows(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newSchool(t, "quay-school")
	dry := c.newCase("without-practice")
	dry.Case.Practice = false
	name := must(t, c.imara, c.training.CreateCase, dry).Case.Name
	attempt := must(t, c.teo, c.training.StartAttempt, &pb.StartAttemptRequest{Parent: name, RequestId: newID()}).Attempt.Name
	must(t, c.teo, c.training.SubmitAttempt, &pb.SubmitAttemptRequest{Name: attempt, RequestId: newID(), Submission: &pb.Submission{Verdict: pb.Verdict_VERDICT_PROCEED}})
	wantError(t, "practice on a case without", mustFail(t, c.teo, c.training.RecordPractice, &pb.RecordPracticeRequest{Name: attempt, RequestId: newID()}),
		codes.FailedPrecondition, "PRACTICE_NOT_ALLOWED")

	must(t, c.imara, c.training.UpdateCase, &pb.UpdateCaseRequest{Case: &pb.Case{Name: name, Archived: true}, UpdateMask: updateMask("archived"), RequestId: newID()})
	wantError(t, "an attempt on an archived case", mustFail(t, c.teo, c.training.StartAttempt, &pb.StartAttemptRequest{Parent: name, RequestId: newID()}),
		codes.FailedPrecondition, "CASE_ARCHIVED")
	must(t, c.imara, c.training.Mark, &pb.MarkRequest{Name: attempt, RequestId: newID()}) // begun before
}

// TestPracticeTimePassesFaster plays three minutes of the real clock as thirty.
func TestPracticeTimePassesFaster(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newSchool(t, "quay-school")
	record := func(events ...*pb.Event) *pb.RecordPracticeResponse {
		for _, e := range events {
			e.EventId, e.OccurTime = newID(), c.clock.timestamp()
		}
		return must(t, c.teo, c.training.RecordPractice, &pb.RecordPracticeRequest{Name: c.stated, TimeFactor: new(int32(10)), Events: events, RequestId: newID()})
	}
	_, err := c.training.RecordPractice(c.teo.calling(t), &pb.RecordPracticeRequest{Name: c.open, RequestId: newID()})
	wantError(t, "practice before the decision", err, codes.FailedPrecondition, "ATTEMPT_NOT_SUBMITTED")
	record(&pb.Event{Fact: &pb.Event_BaseApplied{BaseApplied: &pb.BaseApplied{WholeScalp: true}}},
		&pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{SectionId: "front", Part: pb.SectionPart_SECTION_PART_MID_STRAND}}})
	c.clock.advance(3 * time.Minute)
	late := record()
	missed := slices.ContainsFunc(late.State.Deviations, func(d *pb.Deviation) bool { return d.Kind == pb.DeviationKind_DEVIATION_KIND_STRAND_TEST_OVERDUE })
	if !missed || !slices.ContainsFunc(late.State.Alarms, func(a *pb.Alarm) bool { return a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_NOW }) {
		t.Errorf("after thirty minutes of service: %v", late.State)
	}
	sheet := must(t, c.imara, c.training.Mark, &pb.MarkRequest{Name: c.stated, RequestId: newID()}).Sheet
	marks := map[string]pb.MarkValue{}
	for _, m := range sheet.Marks {
		marks[m.Criterion.CriterionId] = m.Proposed
	}
	if marks["procedure.protection"] != pb.MarkValue_MARK_VALUE_MET || marks["procedure.rinse"] != pb.MarkValue_MARK_VALUE_NOT_MET {
		t.Errorf("marked %v", marks)
	}
	if sheet.PracticeMinutes < 3 || sheet.PracticeMinutes > 4 {
		t.Errorf("%v minutes of practice, by the real clock", sheet.PracticeMinutes)
	}
	if entries := must(t, c.vesna, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: `kind = "DEVIATION" OR kind = "ALARM"`}).Entries; len(entries) > 0 {
		t.Errorf("practice is on the log: %v", entries)
	}
}
