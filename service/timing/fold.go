package timing

import (
	"cmp"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// Fold is the state of a session at an instant, from its facts sorted by when they
// happened; facts that happened later are left out. The order in which they
// arrived, copies and delays make no difference, so a late fact corrects history.
// For the state now, at must not be earlier than the newest record time.
//
// What the state advises rests on the facts up to at alone: the state at an earlier
// instant is what could have been known then, had every till been in reach. Neither
// the session nor the events are changed.
func Fold(s *pb.Session, events []*pb.StoredEvent, at time.Time) *pb.SessionState {
	return run(s, events, at).state()
}

// service is a session while its facts are folded.
type service struct {
	session  *pb.Session
	limits   *pb.SessionLimits
	at       time.Time
	count    int64
	sections []*section // planned ones in order, then others as they appear

	based      *pb.BaseApplied
	product    time.Time // first product on the hair
	rinse      time.Time // first water
	water      bool      // water is on, product not out yet
	out        time.Time // product out; zero while product is on
	stopped    time.Time
	complaints []*complaint
	lathers    []lather
	normalizer normalizer
	checked    bool
	discomfort time.Time
	used       []*pb.ProductUsed
	deviations []*pb.Deviation
}

// normalizer is how long the lotion was on.
type normalizer struct {
	since   time.Time // zero: not on
	minutes *float64
}

// run folds the facts and closes what time alone brings about.
func run(s *pb.Session, events []*pb.StoredEvent, at time.Time) *service {
	f := &service{session: s, limits: limitsOf(s), at: at}
	f.sections = plannedSections(s, f.limits)
	f.withoutDecision()
	for _, e := range inTime(s, events) {
		if e.at.After(at) {
			break
		}
		f.count++
		f.clock(e)
		f.apply(e)
	}
	f.passing()
	return f
}

// fact is an event with the instant that is taken as the time it happened.
type fact struct {
	*pb.Event
	at   time.Time
	wild bool
	told time.Time // the till's time
}

// inTime sorts facts by when they happened; each event id once.
func inTime(s *pb.Session, events []*pb.StoredEvent) []fact {
	first := map[string]*pb.StoredEvent{}
	for _, e := range events {
		if e.GetEvent() == nil {
			continue
		}
		id := e.Event.EventId
		if known, ok := first[id]; !ok || recordedBefore(e, known) {
			first[id] = e
		}
	}
	// The map's order does not matter: the sort below leaves no two facts equal.
	facts := make([]fact, 0, len(first))
	for _, e := range first {
		facts = append(facts, timed(s, e))
	}
	slices.SortFunc(facts, func(a, b fact) int {
		return cmp.Or(a.at.Compare(b.at), a.told.Compare(b.told), cmp.Compare(a.EventId, b.EventId))
	})
	return facts
}

func recordedBefore(a, b *pb.StoredEvent) bool {
	return cmp.Or(a.GetRecordTime().AsTime().Compare(b.GetRecordTime().AsTime()), cmp.Compare(a.Sequence, b.Sequence)) < 0
}

// timed chooses the instant of a fact: the till's time; the record time when the
// till's is wild; and never later than recorded, for nothing is recorded before it
// happens.
func timed(s *pb.Session, e *pb.StoredEvent) fact {
	told := e.Event.GetOccurTime().AsTime()
	f := fact{Event: e.Event, at: told, told: told}
	if e.RecordTime == nil {
		return f
	}
	recorded := e.RecordTime.AsTime()
	early := s.GetStartTime() != nil && told.Before(s.StartTime.AsTime().Add(-minutes(beforeMinutes)))
	f.wild = f.OccurTime == nil || early || told.After(recorded.Add(minutes(aheadMinutes)))
	if f.wild || told.After(recorded) {
		f.at = recorded
	}
	return f
}

// apply takes one fact into account.
func (f *service) apply(e fact) {
	switch what := e.Fact.(type) {
	case *pb.Event_BaseApplied:
		if f.based == nil || what.BaseApplied.WholeScalp {
			f.based = what.BaseApplied
		}
	case *pb.Event_SectionApplied:
		f.applied(e, what.SectionApplied)
	case *pb.Event_StrandTest:
		f.tested(e, what.StrandTest)
	case *pb.Event_ComfortCheck:
		f.felt(e, what.ComfortCheck)
	case *pb.Event_RinseStarted:
		f.rinsing(e, what.RinseStarted.SectionId)
	case *pb.Event_RinseFinished, *pb.Event_Conditioned:
		// Before any product this is a wash or a treatment, not the rinse.
		if f.treated() {
			f.rinsed(e)
		}
	// Normalizer and neutralizing shampoo go on hair that was rinsed; if nobody noted
	// the rinse, this is when the clocks stop.
	case *pb.Event_NormalizerOn:
		f.rinsed(e)
		f.normalizer.since = e.at
	case *pb.Event_NormalizerOff:
		f.rinsed(e)
		f.normalizerOff(e.at)
	case *pb.Event_Shampoo:
		f.rinsed(e)
		f.lathers = append(f.lathers, lather{what.Shampoo})
	case *pb.Event_ProductUsed:
		f.used = append(f.used, what.ProductUsed)
	case *pb.Event_ScalpChecked:
		f.looked(e, what.ScalpChecked)
	case *pb.Event_Stopped:
		f.stopped = e.at
	}
}

// applied notes product on a part of a section. Product on the hair again undoes
// what earlier lathers had shown.
func (f *service) applied(e fact, what *pb.SectionApplied) {
	c := f.touched(e, what.SectionId)
	part := func(p *pb.PartContact) bool { return p.Part == what.Part }
	if !slices.ContainsFunc(c.contacts, part) {
		c.contacts = append(c.contacts, &pb.PartContact{Part: what.Part, FirstContactTime: stamp(e.at)})
	}
}

// touched makes sure that a section's clock runs from e on.
func (f *service) touched(e fact, id string) *section {
	c := f.section(id)
	if c.on {
		return c
	}
	if c.first.IsZero() && !c.planned && f.session.GetPlan() != nil {
		f.unplanned(e, id)
	}
	if f.product.IsZero() {
		f.product, f.rinse = e.at, time.Time{}
		f.baseSkipped(e)
	}
	if !f.out.IsZero() {
		f.out, f.water, f.lathers = time.Time{}, false, nil
	}
	c.begin(e.at, e.EventId)
	return c
}

// treated tells whether product was on the hair, by word or because a normalizer or a
// neutralizing shampoo was needed.
func (f *service) treated() bool { return !f.product.IsZero() || !f.out.IsZero() }

// tested notes a strand test. A test on a section that nobody noted as applied
// shows that product was on it by then.
func (f *service) tested(e fact, what *pb.StrandTest) {
	c := f.section(what.SectionId)
	if c.first.IsZero() {
		c = f.touched(e, what.SectionId)
	} else {
		f.testOverdue(c, e.at)
	}
	c.test(e.at, e.EventId, what.RemainingCurlPercent, what.Distressed)
	f.capSeen(e, c)
}

// section finds a section's clock, or adds one that is not on the plan.
func (f *service) section(id string) *section {
	for _, c := range f.sections {
		if c.id == id {
			return c
		}
	}
	c := &section{id: id, prior: unplannedPrior(f.sections, f.limits), guide: guide{f.limits, f.limits.HardLimitMinutes}}
	c.belief = belief{normal: c.prior}
	f.sections = append(f.sections, c)
	return c
}

// rinsing notes water on one section, or on the whole head.
func (f *service) rinsing(e fact, id string) {
	f.firstWater(e.at)
	for _, c := range f.sections {
		if c.on && (id == "" || c.id == id) {
			f.closeSection(c, e)
		}
	}
	f.water = f.treated() && f.out.IsZero()
	f.answer(e.at, id)
}

// rinsed notes product out of the whole head, by word or because what follows it
// has begun.
func (f *service) rinsed(e fact) {
	if f.out.IsZero() {
		f.out = e.at
	}
	f.firstWater(e.at)
	for _, c := range f.sections {
		if c.on {
			f.closeSection(c, e)
		}
	}
	f.water = false
	f.answer(e.at, "")
}

func (f *service) firstWater(t time.Time) {
	if f.rinse.IsZero() {
		f.rinse = t
	}
}

func (f *service) normalizerOff(t time.Time) {
	if f.normalizer.since.IsZero() {
		return
	}
	total := t.Sub(f.normalizer.since).Minutes()
	if f.normalizer.minutes != nil {
		total += *f.normalizer.minutes
	}
	f.normalizer = normalizer{minutes: &total}
}

func (f *service) looked(e fact, what *pb.ScalpChecked) {
	f.checked = f.checked || !f.rinse.IsZero()
	if what.Changed {
		f.scalpChanged(e)
	}
}

// state is the session as the contract shows it.
func (f *service) state() *pb.SessionState {
	s := &pb.SessionState{
		Time:              stamp(f.at),
		Sequence:          f.count,
		Phase:             f.phase(),
		Alarms:            f.alarms(),
		Deviations:        f.sortedDeviations(),
		BaseApplied:       f.based != nil,
		Shampoos:          lathersDone(f.lathers),
		Neutral:           f.neutral(),
		DiscomfortTime:    stamp(f.discomfort),
		FirstRinseTime:    stamp(f.rinse),
		NormalizerMinutes: f.normalizer.minutes,
		ScalpChecked:      f.checked,
		ProductsUsed:      f.used,
	}
	if !f.normalizer.since.IsZero() {
		s.NormalizerMinutes = nil
	}
	if n := len(f.lathers); n > 0 {
		s.LastIndicator = f.lathers[n-1].Indicator
	}
	for _, c := range f.sections {
		s.Sections = append(s.Sections, c.state(f.at))
	}
	return s
}

func (f *service) phase() pb.SessionPhase {
	switch {
	case f.session.GetOutcome() != "":
		return pb.SessionPhase_SESSION_PHASE_CLOSED
	case !f.stopped.IsZero():
		return pb.SessionPhase_SESSION_PHASE_STOPPED
	case f.neutral():
		return pb.SessionPhase_SESSION_PHASE_NEUTRAL
	case !f.out.IsZero():
		return pb.SessionPhase_SESSION_PHASE_NEUTRALIZING
	case f.water:
		return pb.SessionPhase_SESSION_PHASE_RINSING
	case f.treated():
		return pb.SessionPhase_SESSION_PHASE_PROCESSING
	}
	return pb.SessionPhase_SESSION_PHASE_PREPARING
}
