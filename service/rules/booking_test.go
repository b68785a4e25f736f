package rules

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// waitsAt tells whether a wait stands in the way at a time.
func waitsAt(t testing.TB, e *Engine, in *pb.DecisionInputs, at time.Time) bool {
	t.Helper()
	in = proto.CloneOf(in)
	in.DecideTime = timestamppb.New(at)
	return slices.ContainsFunc(mustDecide(t, e, in).GetFindings(), func(f *pb.Finding) bool {
		return f.GetWait() != nil && f.GetSeverity() > pb.Severity_SEVERITY_CONDITION
	})
}

// anyEvent is an event with a moment, a day, a month or a year, or none.
func anyEvent(draw *rand.Rand) *pb.PastEvent {
	at := today.Add(-time.Duration(draw.IntN(100*24*60)) * time.Minute).Add(-time.Duration(draw.IntN(60)) * time.Second)
	e := &pb.PastEvent{Happened: pb.Answer_ANSWER_YES}
	switch draw.IntN(8) {
	case 0, 1, 2:
		e.LastTime = timestamppb.New(at)
	case 3:
		e.LastDate = &date.Date{Year: int32(at.Year()), Month: int32(at.Month()), Day: int32(at.Day())}
	case 4:
		e.LastDate = &date.Date{Year: int32(at.Year()), Month: int32(at.Month())}
	case 5:
		e.LastDate = &date.Date{Year: int32(at.Year()) - int32(draw.IntN(2))}
	default:
		return never()
	}
	return e
}

// anyClient is a client with a history drawn at random, in a salon of any time zone,
// for a product whose directions state some waits.
func anyClient(draw *rand.Rand) *pb.DecisionInputs {
	in := soundHead()
	in.Salon.TimeZone = []string{"", "Europe/London", "America/New_York", "Pacific/Kiritimati", "America/Sao_Paulo", "Australia/Lord_Howe"}[draw.IntN(6)]
	in.ServiceKind = pb.ServiceKind(1 + draw.IntN(4))
	in.Product.Kind = []pb.ProductKind{1, 1, 2}[draw.IntN(3)]
	c := in.GetConsultation()
	for _, event := range []**pb.PastEvent{&c.History.Shampoo, &c.History.Relaxer, &c.History.ExtensionsRemoved, &c.Scalp.Scratched} {
		*event = anyEvent(draw)
	}
	for _, z := range c.Hair.Zones {
		z.PermanentColour, z.Smoothing, z.Hydroxide, z.Thio = anyEvent(draw), anyEvent(draw), anyEvent(draw), anyEvent(draw)
	}
	maybe := func(most int) *int32 {
		if draw.IntN(3) > 0 {
			return nil
		}
		return new(int32(draw.IntN(most)))
	}
	d := in.Product.Directions
	d.ShampooWaitHours, d.RelaxerWaitDays, d.ColourWaitDays = maybe(100), maybe(100), maybe(30)
	d.SmoothingWaitDays, d.ExtensionsWaitDays = maybe(200), maybe(30)
	c.Hair.NewGrowthMm = []*float64{nil, new(8.0), new(12.0), new(30.0)}[draw.IntN(4)]
	if draw.IntN(3) == 0 {
		in.RecordedWork = []*pb.HistoryFact{recordedWork(pb.ChemicalWork(1+draw.IntN(2)), draw.IntN(90))}
		in.RecordCard = &pb.RecordCard{NextRetouchTime: timestamppb.New(today.Add(time.Duration(draw.IntN(60*24)-24*10) * time.Hour))}
	}
	return in
}

// The earliest time of a booking is exact to the minute: a minute before it some wait
// holds, and at it none does, for 10,000 clients drawn at random.
func TestEarliestIsExactToTheMinute(t *testing.T) {
	e := newEngine(t)
	draw := rand.New(rand.NewPCG(20261126, 7))
	clients := 10_000
	if testing.Short() {
		clients = 1_000
	}
	waiting := 0
	for range clients {
		in := anyClient(draw)
		earliest, ok, err := e.Earliest(in, today)
		if err != nil || !ok {
			t.Fatalf("no earliest time: %v", err)
		}
		if waitsAt(t, e, in, earliest) {
			t.Fatalf("at %s, when no wait should hold, one does: %v", earliest, in)
		}
		switch {
		case earliest.Equal(today):
		case earliest.Before(today) || earliest.Truncate(time.Minute) != earliest:
			t.Fatalf("earliest is %s", earliest)
		case !waitsAt(t, e, in, earliest.Add(-time.Minute)):
			t.Fatalf("a minute before %s no wait holds: %v", earliest, in)
		default:
			waiting++
		}
	}
	if waiting < clients/2 {
		t.Errorf("only %d of %d clients wait at all", waiting, clients)
	}
}

// A wait that never ends by itself is told: a recorded service without a time is as
// if it had just been done.
func TestEarliestOfAWaitWithoutEnd(t *testing.T) {
	in := soundHead()
	in.RecordedWork = []*pb.HistoryFact{{Work: pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE, Happened: pb.Answer_ANSWER_YES}}
	if at, ok, err := newEngine(t).Earliest(in, today); ok || err != nil {
		t.Errorf("earliest %s, %v", at, err)
	}
}

// What must happen before an appointment, worked out by hand for one in London on
// Thursday 5 March 2026 at 14:00: the hair is washed last on Tuesday before 14:00 (48
// hours), colour and braids are 14 days back, the strand test is at most 30 days old.
func TestRequirementsBeforeAnAppointment(t *testing.T) {
	e := newEngine(t)
	in := soundHead()
	in.Salon.TimeZone = "Europe/London"
	in.DecideTime = timestamppb.New(utc(t, "2026-03-05T14:00:00Z"))
	in.Consultation.History.Shampoo = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: timestamppb.New(utc(t, "2026-03-04T09:30:00Z"))}
	in.Consultation.History.Pregnancy = pb.Answer_ANSWER_YES
	in.Consultation.Hair.Zones[2].Smoothing = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(200 * day)}
	in.Consultation.Tests.Strand = pb.StrandReading_STRAND_READING_NOT_DONE
	requirements, err := e.Requirements(mustDecide(t, e, in), utc(t, "2026-02-01T09:00:00Z"))
	check0(t, err)
	for id, want := range map[string]struct {
		kind     pb.BookingRequirementKind
		from, by string
		text     string
	}{
		"wait.shampoo": {pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_ABSTAIN, "2026-03-03T14:00:00Z", "2026-03-05T14:00:00Z",
			"Do not wash the hair from Tuesday 3 March, 14:00 on."},
		"wait.colour": {pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_ABSTAIN, "2026-02-20T00:00:00Z", "2026-03-05T14:00:00Z",
			"Do not colour the hair from Friday 20 February, 00:00 on."},
		"wait.shampoo (too early)": {pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_WAIT, "2026-03-06T09:30:00Z", "",
			"Not before Friday 6 March, 09:30."},
		"wait.smoothing-test@zone:ends": {pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_TEST, "2026-02-03T00:00:00Z", "2026-03-05T14:00:00Z", "Test a strand"},
		"medical.pregnancy":             {pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_DOCTORS_WORD, "2025-09-06T00:00:00+01:00", "2026-03-05T14:00:00Z", "doctor"},
		"scalp.seen-too-long-ago":       {pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_SETTLE, "", "2026-03-05T14:00:00Z", "Look at the scalp"},
	} {
		id, _, _ := strings.Cut(id, " ")
		i := slices.IndexFunc(requirements, func(r *pb.BookingRequirement) bool { return r.GetRequirementId() == id && r.GetKind() == want.kind })
		if i < 0 {
			t.Errorf("nothing of %s, %s: %v", id, want.kind, requirements)
			continue
		}
		r := requirements[i]
		for name, times := range map[string]struct {
			got  *timestamppb.Timestamp
			want string
		}{"from": {r.GetFromTime(), want.from}, "by": {r.GetByTime(), want.by}} {
			if times.want == "" && times.got != nil || times.want != "" && !times.got.AsTime().Equal(utc(t, times.want)) {
				t.Errorf("%s %s: %s, want %s", id, name, times.got.AsTime(), times.want)
			}
		}
		if !strings.Contains(r.GetText(), want.text) {
			t.Errorf("%s: %q, want %q in it", id, r.GetText(), want.text)
		}
	}
}

// Nobody is told to keep to a day that is past: what was already not to be done before
// the booking is made is not to be done from now on.
func TestAbstainingBeginsNow(t *testing.T) {
	e := newEngine(t)
	in := soundHead()
	in.Salon.TimeZone = "Europe/London"
	in.DecideTime = timestamppb.New(utc(t, "2026-03-05T14:00:00Z"))
	requirements, err := e.Requirements(mustDecide(t, e, in), utc(t, "2026-03-01T09:00:00Z"))
	check0(t, err)
	for id, want := range map[string]string{
		"wait.colour":  "Do not colour the hair from now on.",
		"wait.shampoo": "Do not wash the hair from Tuesday 3 March, 14:00 on.",
	} {
		i := slices.IndexFunc(requirements, func(r *pb.BookingRequirement) bool { return r.GetRequirementId() == id })
		if i < 0 || requirements[i].GetText() != want || (requirements[i].FromTime == nil) != (id == "wait.colour") {
			t.Errorf("%s: %v, want %q", id, requirements, want)
		}
	}
}

// A client who keeps to what was asked is not refused for a wait: events a moment
// before the time named begin no wait, at that time they do.
func TestAbstainingIsExact(t *testing.T) {
	e := newEngine(t)
	for _, zone := range []string{"Europe/London", "America/New_York", "Pacific/Kiritimati"} {
		in := soundHead()
		in.Salon.TimeZone = zone
		requirements, err := e.Requirements(mustDecide(t, e, in), time.Time{})
		check0(t, err)
		from := func(id string) time.Time {
			i := slices.IndexFunc(requirements, func(r *pb.BookingRequirement) bool { return r.GetRequirementId() == id })
			return requirements[i].GetFromTime().AsTime()
		}
		for id, set := range map[string]func(*pb.PastEvent){
			"wait.shampoo":    func(p *pb.PastEvent) { in.Consultation.History.Shampoo = p },
			"scalp.scratched": func(p *pb.PastEvent) { in.Consultation.Scalp.Scratched = p },
			"wait.relaxer":    func(p *pb.PastEvent) { in.Consultation.History.Relaxer = p },
			"wait.extensions": func(p *pb.PastEvent) { in.Consultation.History.ExtensionsRemoved = p },
			"wait.colour":     func(p *pb.PastEvent) { in.Consultation.Hair.Zones[2].PermanentColour = p },
			"wait.smoothing":  func(p *pb.PastEvent) { in.Consultation.Hair.Zones[2].Smoothing = p },
		} {
			for _, late := range []bool{false, true} {
				at := from(id)
				if !late {
					at = at.Add(-time.Second)
				} else if id == "wait.shampoo" || id == "scalp.scratched" {
					at = at.Add(time.Second) // just 48 hours are enough
				}
				set(&pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: timestamppb.New(at)})
				if d := mustDecide(t, e, in); hasRule(d, id) != late {
					t.Errorf("%s in %s: at %s it waits %v, want %v", id, zone, at, !late, late)
				}
				set(never())
			}
		}
	}
}
