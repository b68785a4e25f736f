package demo

import (
	"context"
	"errors"
	"io"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
)

// The school of the story and everybody in it are invented.
// Names are as in the rest of the demo: places by the water, and products called after the
// tide. The cases have ids, so that the page of the school can name them.
const (
	quay     = "chains/quay-school"
	room     = quay + "/salons/practice-room"
	jar      = quay + "/products/ebb-regular"
	jarLot   = "R-2611"
	firstOne = quay + "/cases/tight-curls"
	secondly = quay + "/cases/seed-11"
)

// class are the people of the school: who runs it, who teaches, a licensed member of
// staff for the cases, and three students.
type class struct{ hale, sorrel, wren, ola, teo, wick person }

// newClass returns the people of the school.
// Wren holds a licence and does the services of the cases on paper: a case is about the head
// and not about a student's licence.
func newClass() class {
	at := func(id, called string, role pb.Role) person {
		return person{quay + "/practitioners/" + id, called, role}
	}
	return class{
		hale: at("hale", "Hale", pb.Role_ROLE_MANAGER), sorrel: at("sorrel", "Sorrel", pb.Role_ROLE_SUPERVISOR), wren: at("wren", "Wren", pb.Role_ROLE_PRACTITIONER),
		ola: at("ola", "Ola", pb.Role_ROLE_STUDENT), teo: at("teo", "Teo", pb.Role_ROLE_STUDENT), wick: at("wick", "Wick", pb.Role_ROLE_STUDENT),
	}
}

// RunSchool plays an invented class: three students, two cases, a practice service with a
// strand test that is missed, marks, and what the class should repeat. It returns an
// error as Run does.
// The school's clock is the server's, as in Run, so an hour of lessons takes seconds. With
// --data-dir the school stays and can be looked at with the school commands.
func RunSchool(ctx context.Context, o Options) error {
	schoolClock := &clock{now: openingTime()}
	return o.withServer(ctx, schoolClock, func(addr string) error {
		d := &run{ctx: ctx, clock: schoolClock, page: newPage(o.Out), people: newPeople()}
		calls := jsonLines{}
		if o.JSON {
			d.page.out, calls.out = io.Discard, o.Out
		}
		conn, err := dial(addr, calls)
		if err != nil {
			return err
		}
		defer conn.Close()
		d.calls, d.clients = calls, newClients(conn)
		d.school(newClass())
		return errors.Join(d.err, d.page.err)
	})
}

// school plays all parts in order. Each ends the story if an answer is not what it must
// be.
// The order is that of a school day: first what is taught, then what was learned.
func (d *run) school(c class) {
	d.foundSchool(c)
	d.makeCases(c)
	ola, teo, wick := d.attempts(c)
	d.practise(c, ola)
	d.marks(c, ola, teo, wick)
	d.repeat(c)
}

// foundSchool creates the school. Its kind is fixed: it never takes clients.
// Sorrel is an instructor because the directory says so: a supervisor of the school who is
// none could not set cases.
func (d *run) foundSchool(c class) {
	d.page.act("A school of its own")
	call(d, d.people.operator, d.directory.CreateChain, &pb.CreateChainRequest{ChainId: "quay-school", RequestId: newID(),
		Chain: &pb.Chain{DisplayName: "Quay school", Kind: pb.ChainKind_CHAIN_KIND_SCHOOL}})
	call(d, c.hale, d.directory.CreateSalon, &pb.CreateSalonRequest{Parent: quay, SalonId: "practice-room", RequestId: newID(),
		Salon: &pb.Salon{DisplayName: "Practice room", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, TimeZone: "Europe/London", MinutesToBowl: proto.Int32(1)}})
	for _, p := range []person{c.hale, c.sorrel, c.wren, c.ola, c.teo, c.wick} {
		entry := &pb.Practitioner{DisplayName: p.displayName, Role: p.role, Salons: []string{room}, Instructor: p == c.sorrel}
		if p == c.sorrel || p == c.wren {
			entry.LicenceNumber, entry.LicenceExpireTime = "INV-"+p.displayName, timestamppb.New(d.clock.Now().AddDate(1, 0, 0))
		}
		call(d, c.hale, d.directory.CreatePractitioner, &pb.CreatePractitionerRequest{Parent: quay, PractitionerId: strings.TrimPrefix(p.name, quay+"/practitioners/"), Practitioner: entry, RequestId: newID()})
	}
	// The shelf has one jar, so its directions name no other product.
	product := relaxer("Ebb relaxer, regular", pb.Strength_STRENGTH_REGULAR, 2.0, []*pb.Lot{{LotCode: jarLot, ExpireTime: timestamppb.New(d.clock.Now().AddDate(1, 0, 0))}})
	product.Directions.Normalizer, product.Directions.NeutralizingShampoo = "", ""
	call(d, c.hale, d.catalog.CreateProduct, &pb.CreateProductRequest{Parent: quay, ProductId: "ebb-regular", Product: product, RequestId: newID()})
	d.page.say("Quay school teaches three students. It is a chain of the kind SCHOOL: it holds cases and no clients, and nothing of it shows in a salon.")
	_, err := d.consultation.CreateClient(c.hale.identify(d.ctx), &pb.CreateClientRequest{Parent: quay, Client: &pb.Client{DisplayName: "Somebody"}, RequestId: newID()})
	d.expect(err != nil, "a school takes no clients")
	d.page.answer("a client in the school: refused")
}

// makeCases writes one case and has another made. The rules decide on both.
// The generated case is hard: what is wrong with it only shows when it is asked for. Its
// seed makes the same case each time.
func (d *run) makeCases(c class) {
	d.page.act("Two cases")
	answers := healthyConsultation(room, c.wren, d.clock.Now())
	answers.Tests.StrandProduct, answers.Tests.Tester, answers.Scalp.SeenTime = jar, c.wren.name, d.now()
	written := call(d, c.sorrel, d.training.CreateCase, &pb.CreateCaseRequest{Parent: quay, CaseId: "tight-curls", RequestId: newID(), Case: &pb.Case{
		DisplayName: "Tight curls", Opening: "I would like it softer, for the first time.", Practice: true,
		Facts: &pb.CaseFacts{Consultation: answers, Product: jar, LotCode: jarLot, ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN, Salon: room, Practitioner: c.wren.name, VisitTime: d.now()}}}).GetCase()
	made := call(d, c.sorrel, d.training.CreateCase, &pb.CreateCaseRequest{Parent: quay, CaseId: "seed-11", RequestId: newID(), Case: &pb.Case{DisplayName: "A new face"},
		Generator: &pb.CaseGenerator{Seed: 11, Difficulty: pb.Difficulty_DIFFICULTY_HARD, Product: jar, Salon: room, Practitioner: c.wren.name}}).GetCase()
	for _, it := range []*pb.Case{written, made} {
		d.page.say("%s. The client says: %q", it.GetDisplayName(), it.GetOpening())
		d.page.answer("reference: %s", enumLabel(it.GetReference().GetVerdict()))
		for _, f := range it.GetReference().GetFindings() {
			if f.GetSeverity() != pb.Severity_SEVERITY_CONDITION {
				d.page.detail("%s: %s", f.GetRuleId(), f.GetMessage())
			}
		}
	}
	d.expect(written.GetReference().GetVerdict() == pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, "the written case goes ahead")
	d.expect(made.GetReference().GetVerdict() == pb.Verdict_VERDICT_REFUSE || made.GetReference().GetVerdict() == pb.Verdict_VERDICT_REFER, "the hard case does not go ahead")
}

// attempts has the students ask and decide: Ola asks for everything, Teo for little, and
// is too mild, Wick for most, and is right.
// What they do differs on purpose, so that the class has something to repeat.
func (d *run) attempts(c class) (ola, teo, wick string) {
	d.page.act("Three attempts")
	first := call(d, c.sorrel, d.training.GetCase, &pb.GetCaseRequest{Name: firstOne}).GetCase()
	second := call(d, c.sorrel, d.training.GetCase, &pb.GetCaseRequest{Name: secondly}).GetCase()
	shown := call(d, c.ola, d.training.GetCase, &pb.GetCaseRequest{Name: firstOne}).GetCase()
	d.expect(shown.GetReference() == nil && shown.GetFacts().GetConsultation() == nil, "a student sees neither answers nor reference")
	var reasons []string
	for _, f := range second.GetReference().GetFindings() {
		reasons = append(reasons, f.GetRuleId())
	}
	// Ola forgets the home care and the last condition; Teo does not see what is hidden;
	// Wick is right, and states reasons without having asked for all that they rest on.
	ola = d.attempt(c.ola, first, "", &pb.Submission{Verdict: pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, Strength: pb.Strength_STRENGTH_REGULAR, Explained: yes, AgreementAsked: yes,
		RuleIds: []string{"directions.base", "section.hairline"}, Card: card("ANALYSIS", "CONTRAINDICATIONS", "DESIRED_DEGREE", "PRODUCTS", "METHODS", "ACHIEVED_DEGREE")})
	teo = d.attempt(c.teo, second, "consultation.scalp", &pb.Submission{Verdict: pb.Verdict_VERDICT_PROCEED, Strength: pb.Strength_STRENGTH_REGULAR, Card: card("ANALYSIS")})
	wick = d.attempt(c.wick, second, "consultation.h", &pb.Submission{Verdict: second.GetReference().GetVerdict(), RuleIds: slices.Compact(reasons), Explained: yes, Card: card("ANALYSIS", "CONTRAINDICATIONS")})
	return ola, teo, wick
}

// card is lines for elements of the record card.
// Their text is for the person who confirms; the server marks that there is one.
func card(elements ...string) []*pb.CardEntry {
	var lines []*pb.CardEntry
	for _, e := range elements {
		lines = append(lines, &pb.CardEntry{Element: pb.CardElement(pb.CardElement_value["CARD_ELEMENT_"+e]), Text: "as examined and agreed"})
	}
	return lines
}

// attempt is one student's attempt: all answers whose paths begin with a text are asked
// for, in the order of the contract, and then the decision is stated.
// The questions are taken from the case as the instructor sees it. A real till would take
// them from the forms that it knows.
// Asking is a call for each question, since that is the point of it: an answer that was not
// asked for is not known. The time that it takes is kept and is not marked.
func (d *run) attempt(by person, it *pb.Case, about string, decision *pb.Submission) string {
	name := call(d, by, d.training.StartAttempt, &pb.StartAttemptRequest{Parent: it.GetName(), RequestId: newID()}).GetAttempt().GetName()
	asked := map[string]bool{}
	for _, p := range fieldpath.Answered(&pb.DecisionInputs{Consultation: it.GetFacts().GetConsultation()}) {
		path := strings.TrimSuffix(strings.TrimSuffix(p.String(), ".happened"), ".last_time")
		if asked[path] || p.IsElement() || !strings.HasPrefix(path, about) {
			continue
		}
		asked[path] = true
		// Ten seconds a question is what a practised person needs, our own guess.
		answer := call(d, by, d.training.Ask, &pb.AskRequest{Name: name, Field: path, RequestId: newID()}).GetAnswer()
		if len(asked) == 1 {
			d.page.say("%s asks: %s", by.displayName, answer.GetQuestion())
			d.page.answer("%s", answer.GetValue())
		}
		d.clock.advance(10 * time.Second)
	}
	call(d, by, d.training.SubmitAttempt, &pb.SubmitAttemptRequest{Name: name, Submission: decision, RequestId: newID()})
	d.page.say("%s asks %d questions and says: %s.", by.displayName, len(asked), enumLabel(decision.GetVerdict()))
	return name
}

// practise is Ola's practice service on a mannequin, ten times as fast. A strand test is
// missed.
// A minute of the clock on the wall is ten of the service, so that a lesson has room for it.
// What the clock finds is a mark and no entry on a log.
// The order of the facts is that of a service on a client, and so are their names; only the
// hair feels nothing.
func (d *run) practise(c class, name string) {
	d.page.act("A practice service")
	var state *pb.SessionState
	record := func(after time.Duration, events ...*pb.Event) {
		d.clock.advance(after)
		for _, e := range events {
			e.EventId, e.OccurTime = newID(), d.now()
		}
		state = call(d, c.ola, d.training.RecordPractice, &pb.RecordPracticeRequest{Name: name, TimeFactor: proto.Int32(10), Events: events, RequestId: newID(),
			HygieneSteps: []pb.HygieneStep{pb.HygieneStep_HYGIENE_STEP_CAPE_AND_TOWELS, pb.HygieneStep_HYGIENE_STEP_GLOVES}}).GetState()
	}
	// Before the first contact: the jar in the hand, and base on the whole scalp.
	record(0, &pb.Event{Fact: &pb.Event_ProductConfirmed{ProductConfirmed: &pb.ProductConfirmed{Product: jar, LotCode: jarLot}}},
		&pb.Event{Fact: &pb.Event_BaseApplied{BaseApplied: &pb.BaseApplied{WholeScalp: true}}})
	for _, section := range []string{"nape", "crown"} {
		record(6*time.Second, &pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{SectionId: section, Part: pb.SectionPart_SECTION_PART_MID_STRAND}}})
	}
	record(66 * time.Second) // eleven minutes of the service, and no strand is tested
	d.page.say("Ola applies nape and crown, and then eleven minutes pass without a strand test.")
	missed := 0
	for _, v := range state.GetDeviations() {
		if v.GetKind() == pb.DeviationKind_DEVIATION_KIND_STRAND_TEST_OVERDUE {
			missed++
			d.page.answer("%s", v.GetMessage())
		}
	}
	d.expect(missed > 0, "a strand test is overdue")
	// Water, and then shampoo until the indicator that has shown colour shows none.
	record(3*time.Second, &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}})
	record(30*time.Second, &pb.Event{Fact: &pb.Event_RinseFinished{RinseFinished: &pb.RinseFinished{}}})
	for _, colour := range []pb.IndicatorColour{pb.IndicatorColour_INDICATOR_COLOUR_ALKALI, pb.IndicatorColour_INDICATOR_COLOUR_ALKALI, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR} {
		record(12*time.Second, &pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{Indicator: colour}}})
	}
	record(6*time.Second, &pb.Event{Fact: &pb.Event_ScalpChecked{ScalpChecked: &pb.ScalpChecked{}}})
	d.page.say("She rinses, shampoos until the indicator is clear, and looks at the scalp.")
}

// marks has the attempts marked and confirms the sheets, one of them with a change.
// The server proposes, a person confirms. What nobody could record, such as that hands were
// washed after the last tap, is for the person to add, with a reason.
// Printed is what is not met, with the source of its criterion, and what was changed: that is
// what a student has to hear. What is met is on the sheet.
func (d *run) marks(c class, names ...string) {
	d.page.act("Marks")
	for i, name := range names {
		sheet := call(d, c.sorrel, d.training.Mark, &pb.MarkRequest{Name: name, RequestId: newID()}).GetSheet()
		var changes []*pb.MarkChange
		if i == 0 {
			changes = []*pb.MarkChange{{CriterionId: "procedure.hygiene", Value: pb.MarkValue_MARK_VALUE_MET, Comment: "I saw her clear away and wash her hands."}}
		}
		confirmed := call(d, c.sorrel, d.training.ConfirmMarks, &pb.ConfirmMarksRequest{Name: sheet.GetName(), Changes: changes, RequestId: newID()}).GetSheet()
		d.page.say("%s: proposed %.1f %%, confirmed %.1f %%.", strings.TrimPrefix(confirmed.GetStudent(), quay+"/practitioners/"), sheet.GetScorePercent(), confirmed.GetScorePercent())
		for _, m := range confirmed.GetMarks() {
			if m.GetConfirmed() != pb.MarkValue_MARK_VALUE_MET || m.GetComment() != "" {
				d.page.answer("%s  %s (%s)", enumLabel(m.GetConfirmed()), m.GetCriterion().GetTitle(), m.GetCriterion().GetBasis().GetSource())
			}
			if m.GetComment() != "" {
				d.page.detail("changed: %s", m.GetComment())
			}
		}
		if next := confirmed.GetNextCase(); next != "" {
			d.page.detail("try next: %s", next)
		}
	}
}

// repeat shows what the class should repeat, and the attempt to look at.
// The interval is wide for so few marks, and the story says so: a class of three proves
// nothing.
func (d *run) repeat(c class) {
	d.page.act("What the class should repeat")
	s := call(d, c.sorrel, d.training.SummarizeClass, &pb.SummarizeClassRequest{Parent: quay})
	for _, row := range s.GetCriteria() {
		if row.GetMissed() < 2 {
			continue
		}
		d.page.answer("missed %d of %d (%.0f to %.0f %%): %s", row.GetMissed(), row.GetMarked(), row.GetLowerPercent(), row.GetUpperPercent(), row.GetCriterion().GetTitle())
	}
	d.page.say("Three marks are too few to say anything of the class; the intervals show it.")
	for _, a := range s.GetLookAt() {
		d.page.answer("look at %s: %s", strings.TrimPrefix(a.GetStudent(), quay+"/practitioners/"), a.GetWhy())
	}
	d.expect(s.GetCounted() == 3 && len(s.GetLookAt()) > 0 && s.GetLookAt()[0].GetStudent() == c.teo.name, "Teo's attempt is the one to look at")
}
