package integration

import (
	"context"
	"slices"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// The promise: what is known of the hair comes from the answers for the zones, the
// answer for the head and the services on record, and the strictest counts. If two
// contradict each other, the decision names both and asks.

const day = 24 * time.Hour

// answerConflict is the finding that two facts contradict each other; nil when none.
func answerConflict(d *pb.Decision) *pb.Finding {
	if i := slices.IndexFunc(d.Findings, func(f *pb.Finding) bool { return len(f.Contradictions) > 0 }); i >= 0 {
		return d.Findings[i]
	}
	return nil
}

// relaxedZones says when mid-strand, ends and the head were last relaxed; 0 is never.
func (c *chain) relaxedZones(mid, ends, head int) func(*pb.Consultation) {
	event := func(days int) *pb.PastEvent {
		if days == 0 {
			return &pb.PastEvent{Happened: no}
		}
		return c.ago(days)
	}
	return func(k *pb.Consultation) {
		k.History.Relaxer, k.Hair.Zones[1].Hydroxide, k.Hair.Zones[2].Hydroxide = event(head), event(mid), event(ends)
		for _, z := range k.Hair.Zones[1:] {
			if z.Hydroxide.Happened == yes {
				z.HydroxideKind = pb.HydroxideKind_HYDROXIDE_KIND_SODIUM
			}
		}
		k.Hair.NewGrowthMm = new(18.0)
	}
}

// served decides about a client for a kind of service.
func (c *chain) served(t *testing.T, client string, kind pb.ServiceKind, change ...func(*pb.Consultation)) *pb.Decision {
	t.Helper()
	change = append(change, func(k *pb.Consultation) { k.Wishes.ServiceKind = kind })
	req := c.question(c.submitted(t, client, change...).Name)
	req.ServiceKind = kind
	return must(t, c.amara, c.eligibility.CheckEligibility, req).Decision
}

// Hair that one source calls relaxed is not virgin, whatever the others say.
func TestOneSourceIsEnough(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "history")
	virgin, retouch, corrective := pb.ServiceKind_SERVICE_KIND_VIRGIN, pb.ServiceKind_SERVICE_KIND_RETOUCH, pb.ServiceKind_SERVICE_KIND_CORRECTIVE
	for name, k := range map[string]struct {
		kind            pb.ServiceKind
		mid, ends, head int
	}{
		"head 60 days ago, zones never":       {virgin, 0, 0, 60},
		"mid-strand 3 days ago, head never":   {corrective, 3, 0, 0},
		"ends 7 days ago, head never":         {corrective, 0, 7, 0},
		"ends 3 days ago, head 63 days ago":   {retouch, 63, 3, 63},
		"middle 7 days ago, head 63 days ago": {retouch, 7, 63, 63},
	} {
		t.Run(name, func(t *testing.T) {
			d := wantVerdict(t, c.served(t, c.client(t), k.kind, c.relaxedZones(k.mid, k.ends, k.head)), pb.Verdict_VERDICT_REFUSE)
			f := answerConflict(d)
			if f == nil || f.Contradictions[0].First.LatestTime == nil && f.Contradictions[0].Second.LatestTime == nil {
				t.Errorf("the contradiction is not named with its dates: %v", f)
			}
		})
	}
	wantVerdict(t, c.served(t, c.client(t), retouch, c.relaxedZones(63, 63, 63)), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
}

// A service on record counts from first contact on, whether it was completed, broken
// off or is open.
func TestRecordedServiceCounts(t *testing.T) {
	t.Parallel()
	for name, end := range map[string]func(*chain, *testing.T, *pb.Session){
		"completed": func(c *chain, t *testing.T, s *pb.Session) {
			c.report(t, s, c.service(s)...)
			must(t, c.amara, c.outcome.RecordOutcome, completed(s))
		},
		"broken off": func(c *chain, t *testing.T, s *pb.Session) {
			c.report(t, s, until(s, 5, c.service(s))...)
			must(t, c.amara, c.outcome.RecordOutcome, brokenOff(s))
		},
		"open": func(c *chain, t *testing.T, s *pb.Session) { c.report(t, s, until(s, 5, c.service(s))...) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := newTestServer(t).newChain(t, "history")
			session := c.session(t)
			c.clock.advance(time.Hour)
			end(c, t, session)
			c.clock.advance(60 * day)
			client := parent(session.Name)
			d := wantVerdict(t, c.served(t, client, pb.ServiceKind_SERVICE_KIND_VIRGIN), pb.Verdict_VERDICT_REFUSE)
			f := answerConflict(d)
			if f == nil || f.Contradictions[0].First.Session != session.Name {
				t.Errorf("the contradiction with the record is not named: %v", f)
			}
			known := slices.ContainsFunc(d.History, func(h *pb.HistoryFact) bool {
				return h.Zone == pb.Zone_ZONE_ENDS && h.Source == pb.HistorySource_HISTORY_SOURCE_RECORD_CARD && h.Session == session.Name
			})
			if !known {
				t.Errorf("the decision does not show that the ends are relaxed: %v", d.History)
			}
		})
	}
}

// A visit broken off before any product touched hair counts for nothing.
func TestBrokenOffBeforeContactCountsForNothing(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "history")
	session := c.session(t)
	c.report(t, session, until(session, 1, c.service(session))...)
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session))
	c.clock.advance(3 * day)
	client := parent(session.Name)
	wantVerdict(t, c.served(t, client, pb.ServiceKind_SERVICE_KIND_VIRGIN), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	card := must(t, c.amara, c.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: client}).RecordCard
	if card.NextRetouchTime != nil {
		t.Errorf("the card puts off the next retouch to %s", card.NextRetouchTime.AsTime())
	}
}

// Six weeks to the day pass also at an earlier hour; a day less does not.
func TestWaitsAreCalendarDays(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "history")
	for name, k := range map[string]struct {
		last time.Time
		want pb.Verdict
	}{
		"42 days ago, five hours later in the day": {c.clock.Now().Add(5*time.Hour - 42*day), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS},
		"41 days ago, early":                       {c.clock.Now().Add(-8*time.Hour - 41*day), pb.Verdict_VERDICT_REFUSE},
	} {
		d := c.served(t, c.client(t), pb.ServiceKind_SERVICE_KIND_RETOUCH, c.relaxedZones(42, 42, 42), func(k2 *pb.Consultation) {
			k2.History.Relaxer.LastTime = timestamppb.New(k.last)
			for _, z := range k2.Hair.Zones[1:] {
				z.Hydroxide.LastTime = timestamppb.New(k.last)
			}
		})
		if d.Verdict != k.want {
			t.Errorf("%s: %s, want %s; %v", name, d.Verdict, k.want, d.Findings)
		}
	}
}

// The age comes from the birth date on record; a typed age that disagrees is asked
// about and makes nobody older.
func TestAgeComesFromTheBirthDate(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "history")
	born := func(date string) string {
		return must(t, c.amara, c.consultation.CreateClient, &pb.CreateClientRequest{
			Parent: c.name, Client: &pb.Client{DisplayName: "Invented client", BirthDate: date}, RequestId: newID()}).Client.Name
	}
	wantVerdict(t, c.decisionFor(t, born("2012-05-01")), pb.Verdict_VERDICT_REFUSE)
	wantVerdict(t, c.decisionFor(t, born("1990-05-01")), pb.Verdict_VERDICT_ASK)
	wantVerdict(t, c.decisionFor(t, born("1992-05-01")), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	untyped := func(k *pb.Consultation) { k.Consent.AgeYears = nil }
	wantVerdict(t, c.decisionFor(t, born("1992-05-01"), untyped), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	wantVerdict(t, c.decisionFor(t, born("2014-11-04"), untyped), pb.Verdict_VERDICT_REFUSE)
}

// Answers that state the past cannot lie in the future, in a stored consultation as
// in one that a what-if brings along; the error names the field.
func TestAnswersOfThePast(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "history")
	client := c.client(t)
	ahead := timestamppb.New(c.clock.Now().Add(6 * time.Minute))
	stored := c.draft(t, client)
	for field, spoil := range map[string]func(*pb.Consultation){
		"tests.test_time":            func(k *pb.Consultation) { k.Tests.TestTime = timestamppb.New(c.clock.Now().Add(3 * day)) },
		"tests.strand_time":          func(k *pb.Consultation) { k.Tests.StrandTime = ahead },
		"tests.incompatibility_time": func(k *pb.Consultation) { k.Tests.IncompatibilityTime = ahead },
		"consent.agree_time":         func(k *pb.Consultation) { k.Consent.AgreeTime = timestamppb.New(c.clock.Now().Add(30 * day)) },
		"scalp.seen_time":            func(k *pb.Consultation) { k.Scalp.SeenTime = ahead },
		"history.shampoo.last_time":  func(k *pb.Consultation) { k.History.Shampoo = &pb.PastEvent{Happened: yes, LastTime: ahead} },
		"history.shampoo.last_date":  func(k *pb.Consultation) { k.History.Shampoo = on(2026, 11, 4) },
		"history.relaxer.last_date":  func(k *pb.Consultation) { k.History.Relaxer = on(2026, 2, 30) },
		"history.isotretinoin.last_date": func(k *pb.Consultation) {
			k.History.Isotretinoin = on(2026, 12, 0)
		},
		"hair.zones[1].thio.last_date": func(k *pb.Consultation) {
			k.Hair.Zones[1].Thio = on(2026, 10, 1)
			k.Hair.Zones[1].Thio.LastTime = c.clock.timestamp()
		},
		"history.doctors_words[0].give_date": func(k *pb.Consultation) {
			k.History.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_ALLERGY, GiveDate: on(2026, 12, 1).LastDate}}
		},
		"history.doctors_words[0].incident": func(k *pb.Consultation) {
			k.History.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_INCIDENT, Incident: c.name + "/clients/other/incidents/i"}}
		},
		"history.extensions_removed.last_time": func(k *pb.Consultation) {
			k.History.ExtensionsRemoved = &pb.PastEvent{Happened: no, LastTime: c.clock.timestamp()}
		},
		"scalp.scratched.last_date": func(k *pb.Consultation) {
			k.Scalp.Scratched = on(2026, 10, 1)
			k.Scalp.Scratched.Happened = no
		},
		"hair.zones[0].hydroxide_kind": func(k *pb.Consultation) {
			k.Hair.Zones[0].Hydroxide = &pb.PastEvent{Happened: no}
			k.Hair.Zones[0].HydroxideKind = pb.HydroxideKind_HYDROXIDE_KIND_SODIUM
		},
		"tests.elasticity": func(k *pb.Consultation) { k.Tests.WetStretchPercent = new(80.0) },
	} {
		bad := c.consultationAnswers(spoil)
		wantField(t, "consultation."+field, c.amara, c.consultation.CreateConsultation, &pb.CreateConsultationRequest{
			Parent: client, Consultation: bad, RequestId: newID()})
		changed := c.consultationAnswers(spoil)
		changed.Name = stored.Name
		wantField(t, "consultation."+field, c.amara, c.consultation.UpdateConsultation, &pb.UpdateConsultationRequest{
			Consultation: changed, UpdateMask: updateMask("tests", "consent", "scalp", "history", "hair"), RequestId: newID()})
		whatIf := c.question(stored.Name)
		whatIf.Subject = &pb.CheckEligibilityRequest_Inline{Inline: bad}
		wantField(t, "inline."+field, c.amara, c.eligibility.CheckEligibility, whatIf)
	}
	within := func(k *pb.Consultation) { k.Consent.AgreeTime = timestamppb.New(c.clock.Now().Add(4 * time.Minute)) }
	today := func(k *pb.Consultation) { k.Scalp.Scratched = on(2026, 11, 3) }
	c.draft(t, client, within, today, func(k *pb.Consultation) { k.History.Shampoo = on(2026, 11, 0) })
}

// on is a past event of a calendar day; day 0 is the month.
func on(year, month, day int32) *pb.PastEvent {
	return &pb.PastEvent{Happened: yes, LastDate: &date.Date{Year: year, Month: month, Day: day}}
}

// A birth date is a day of the calendar, from 1900, and not in the future.
func TestBirthDatesAreReal(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "history")
	client := c.client(t)
	for _, bad := range []string{"2025-02-30", "2025-02-29", "1899-12-31", "2026-11-05", "2027-01-01", "1992-13-01"} {
		wantField(t, "client.birth_date", c.amara, c.consultation.CreateClient, &pb.CreateClientRequest{
			Parent: c.name, Client: &pb.Client{DisplayName: "Invented client", BirthDate: bad}, RequestId: newID()})
		wantField(t, "client.birth_date", c.amara, c.consultation.UpdateClient, &pb.UpdateClientRequest{
			Client: &pb.Client{Name: client, BirthDate: bad}, UpdateMask: updateMask("birth_date"), RequestId: newID()})
	}
	for _, good := range []string{"1992-02-29", "1900-01-01", "2026-11-03"} {
		must(t, c.amara, c.consultation.UpdateClient, &pb.UpdateClientRequest{
			Client: &pb.Client{Name: client, BirthDate: good}, UpdateMask: updateMask("birth_date"), RequestId: newID()})
	}
}

// wantField wants INVALID_ARGUMENT that names a field.
func wantField[Q, A proto.Message](t testing.TB, field string, who person, method func(context.Context, Q, ...grpc.CallOption) (A, error), req Q) {
	t.Helper()
	err := mustFail(t, who, method, req)
	if got := violationsOf(err); status.Code(err) != codes.InvalidArgument || got[field] == "" {
		t.Errorf("%T: %v naming %v, want INVALID_ARGUMENT naming %s", req, status.Code(err), got, field)
	}
}

// A doctor's word clears the cause that it names, while it holds, and only with a
// date and a reference.
func TestDoctorsWordClearsOneCause(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "history")
	dateOf := func(at time.Time) *date.Date {
		return &date.Date{Year: int32(at.Year()), Month: int32(at.Month()), Day: int32(at.Day())}
	}
	word := func(cause pb.ClearanceCause, days int, reference string) *pb.DoctorsWord {
		return &pb.DoctorsWord{Cause: cause, GiveDate: dateOf(c.clock.Now().AddDate(0, 0, -days)), Reference: reference}
	}
	pregnancy, allergy := pb.ClearanceCause_CLEARANCE_CAUSE_PREGNANCY, pb.ClearanceCause_CLEARANCE_CAUSE_ALLERGY
	undated := word(pregnancy, 0, "note 7")
	undated.GiveDate = nil
	for name, k := range map[string]struct {
		words []*pb.DoctorsWord
		want  pb.Verdict
	}{
		"no word":           {nil, pb.Verdict_VERDICT_REFER},
		"for both":          {[]*pb.DoctorsWord{word(pregnancy, 10, "note 7"), word(allergy, 10, "note 8")}, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS},
		"for one of two":    {[]*pb.DoctorsWord{word(pregnancy, 10, "note 7")}, pb.Verdict_VERDICT_REFER},
		"ten years old":     {[]*pb.DoctorsWord{word(pregnancy, 3650, "note 7"), word(allergy, 10, "note 8")}, pb.Verdict_VERDICT_REFER},
		"without a date":    {[]*pb.DoctorsWord{undated, word(allergy, 10, "note 8")}, pb.Verdict_VERDICT_ASK},
		"without reference": {[]*pb.DoctorsWord{word(pregnancy, 10, ""), word(allergy, 10, "note 8")}, pb.Verdict_VERDICT_ASK},
	} {
		d := c.decision(t, func(k2 *pb.Consultation) {
			k2.History.Pregnancy, k2.History.Allergy, k2.History.DoctorsWords = yes, yes, k.words
		})
		if d.Verdict != k.want {
			t.Errorf("%s: %s, want %s; %v", name, d.Verdict, k.want, d.Findings)
		}
	}
	lone := c.decision(t, func(k *pb.Consultation) {
		k.History.Pregnancy, k.History.Allergy, k.History.MedicalClearance = yes, yes, yes
		k.History.MedicalClearanceTime, k.History.MedicalClearanceReference = c.clock.timestamp(), "note 9"
	})
	asks := slices.ContainsFunc(lone.OpenQuestions, func(q *pb.OpenQuestion) bool { return q.Field == "consultation.history.doctors_words" })
	if lone.Verdict != pb.Verdict_VERDICT_ASK || !asks {
		t.Errorf("the old answer without a cause: %s, asks %v", lone.Verdict, lone.OpenQuestions)
	}
}

// A day without an hour counts from its end: 72 hours are never 48.
func TestDayCountsFromItsEnd(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "history")
	wait := time.Duration(c.decision(t).Inputs.Parameters.GetShampooWaitHours()) * time.Hour
	on := func(at time.Time) func(*pb.Consultation) {
		return func(k *pb.Consultation) {
			k.History.Shampoo = &pb.PastEvent{Happened: yes, LastDate: &date.Date{Year: int32(at.Year()), Month: int32(at.Month()), Day: int32(at.Day())}}
		}
	}
	begun := c.clock.Now().Add(-wait) // in London, UTC in November; at nine in the morning
	wantVerdict(t, c.decision(t, on(begun)), pb.Verdict_VERDICT_REFUSE)
	wantVerdict(t, c.decision(t, on(begun.AddDate(0, 0, -1))), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
}

// A strand test counts when it was made after the last chemical work, and while it
// is not too old.
func TestStrandTestAges(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "history")
	tested := func(days int, change func(*pb.Consultation)) *pb.Decision {
		return c.decision(t, func(k *pb.Consultation) {
			k.Tests.StrandTime = timestamppb.New(c.clock.Now().AddDate(0, 0, -days))
			change(k)
		})
	}
	none := func(*pb.Consultation) {}
	coloured := func(days int) func(*pb.Consultation) {
		return func(k *pb.Consultation) { k.Hair.Zones[2].SemiPermanentColour = c.ago(days) }
	}
	// The maker of this relaxer asks for a strand test before every service.
	wantVerdict(t, tested(29, none), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	wantVerdict(t, tested(31, none), pb.Verdict_VERDICT_ASK)
	wantVerdict(t, tested(20, coloured(25)), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	wantVerdict(t, tested(20, coloured(15)), pb.Verdict_VERDICT_ASK)
}

// A visit that was moved to the right client counts for that client and for no
// other.
func TestMovedVisitCountsForTheRightClient(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "history")
	session := c.carriedOut(t)
	must(t, c.amara, c.outcome.RecordOutcome, completed(session))
	wrong, right := parent(session.Name), c.client(t)
	moved := must(t, c.imara, c.processing.MoveSession, c.move(session, right)).Session
	c.clock.advance(60 * day)
	virgin := pb.ServiceKind_SERVICE_KIND_VIRGIN
	if d := wantVerdict(t, c.served(t, wrong, virgin), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS); len(d.Inputs.RecordedWork) > 0 {
		t.Errorf("the wrong client still has %v", d.Inputs.RecordedWork)
	}
	d := wantVerdict(t, c.served(t, right, virgin), pb.Verdict_VERDICT_REFUSE)
	if f := answerConflict(d); f == nil || f.Contradictions[0].First.Session != moved.Name {
		t.Errorf("the right client's record is not named: %v", d.Findings)
	}
}
