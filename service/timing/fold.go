package timing

import (
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
	return FoldWith(s, events, nil, at)
}

// FoldWith is Fold with what only the catalogue can tell: a relaxer other than the
// one decided on, and lots that were recalled or out of date when used. The
// catalogue holds the products that the events name; a product that is missing from
// it is taken for a relaxer. Nil means that the catalogue was not read, and products
// are not judged.
func FoldWith(s *pb.Session, events []*pb.StoredEvent, catalogue []*pb.Product, at time.Time) *pb.SessionState {
	f := foldFacts(s, events, catalogue, at, cautious)
	state := f.state()
	if f.timesAssumed { // guidance may assume the worst, the log may not
		state.Deviations = foldFacts(s, events, catalogue, at, likeliest).sortedDeviations()
	}
	return state
}

// service is a session while its facts are folded.
type folding struct {
	session   *pb.Session
	limits    *pb.SessionLimits
	catalogue map[string]*pb.Product // nil: not read
	at        time.Time
	factCount int64
	sections  []*section // planned ones in order, then others as they appear

	preparation   preparation
	contact       *fact     // first contact of product with the hair
	contactTime   time.Time // its time
	firstRinse    time.Time // first water
	rinsingNow    bool      // water is on, product not out yet
	head          headWater
	rinsedOut     time.Time // product out; zero while product is on
	stopped       *fact
	reports       []*discomfortReport
	flushes       []*flush
	unknownCalls  []*unknownCall
	mixTime       time.Time     // parts of the present mixture put together; zero: none
	inUse         *productInUse // relaxer last named
	lathers       []lather
	normalizer    lotionTime
	normalized    bool // it was on and was rinsed out since product was last put on
	oxidiser      lotionTime
	blotted       bool
	scalpLookedAt bool
	unrinsed      bool // a later fact implies a rinse that nobody noted
	discomfort    time.Time
	productsUsed  []*pb.ProductUsed
	notUnderstood []string // facts this program does not know
	timesAssumed  bool     // a fact was not taken at its likeliest time
	deviations    []*pb.Deviation
}

// spell is how long a lotion was on.
type lotionTime struct {
	since   time.Time // zero: not on
	minutes *float64
}

// on notes that the lotion is on.
func (s *lotionTime) on(t time.Time) {
	if s.since.IsZero() {
		s.since = t
	}
}

// off notes that it was rinsed out.
func (s *lotionTime) off(t time.Time) {
	if s.since.IsZero() {
		return
	}
	total := t.Sub(s.since).Minutes()
	if s.minutes != nil {
		total += *s.minutes
	}
	*s = lotionTime{minutes: &total}
}

// seen tells whether the lotion was ever on.
func (s lotionTime) used() bool { return s.minutes != nil || !s.since.IsZero() }

// run folds the facts and closes what time alone brings about.
func foldFacts(s *pb.Session, events []*pb.StoredEvent, catalogue []*pb.Product, at time.Time, v view) *folding {
	f := &folding{session: s, limits: limitsOf(s), at: at}
	if catalogue != nil {
		f.catalogue = map[string]*pb.Product{}
		for _, p := range catalogue {
			f.catalogue[p.Name] = p
		}
	}
	f.sections = plannedSections(s, f.limits)
	f.checkDecision()
	f.checkStartAndClosing()
	f.noteClockOffsets()
	for _, e := range sortedFacts(s, events, v) {
		if e.at.After(at) {
			break
		}
		f.factCount++
		f.timesAssumed = f.timesAssumed || e.assumed || !e.at.Equal(e.likelyAt)
		f.noteImplausibleTime(e)
		f.notUnderstood = append(f.notUnderstood, e.unknown...)
		f.apply(e)
	}
	f.checkPassedTime()
	return f
}

// apply takes one fact into account.
func (f *folding) apply(e fact) {
	switch what := e.Fact.(type) {
	case *pb.Event_BaseApplied:
		f.preparation.baseApplied(e.at, what.BaseApplied)
	case *pb.Event_ConditionMet:
		f.preparation.conditionMet(e, what.ConditionMet)
	case *pb.Event_ProductConfirmed:
		f.productConfirmed(e, what.ProductConfirmed)
	case *pb.Event_ProductUsed:
		f.productUsed(e, what.ProductUsed)
	case *pb.Event_Mixed:
		f.mixTime = e.at
	case *pb.Event_Discarded:
		f.mixTime = time.Time{}
	case *pb.Event_SectionApplied:
		f.sectionApplied(e, what.SectionApplied)
	case *pb.Event_StrandTest:
		f.strandTested(e, what.StrandTest)
	case *pb.Event_ComfortCheck:
		f.comfortChecked(e, what.ComfortCheck)
	case *pb.Event_Splash:
		f.splashed(e, what.Splash.Place)
	case *pb.Event_WaterOn:
		f.waterOn(e, what.WaterOn)
	case *pb.Event_WaterOff:
		f.waterOff(e, what.WaterOff)
	case *pb.Event_HelpCalled:
		f.helpCalled(e, what.HelpCalled)
	case *pb.Event_Stopped:
		f.stopped = &e
	case *pb.Event_OtherFact:
		f.otherFact(e, what.OtherFact)
	default:
		f.applyAfterRinse(e)
	}
}

// afterwards takes facts of the rinse and what follows it into account.
func (f *folding) applyAfterRinse(e fact) {
	switch what := e.Fact.(type) {
	case *pb.Event_RinseStarted:
		f.rinseStarted(e, what.RinseStarted.SectionId)
	case *pb.Event_RinseFinished:
		// Before any product this is a wash or a treatment, not the rinse.
		if f.productTouchedHair() {
			f.unrinsed = false
			f.rinseFinished(e)
		}
	case *pb.Event_Conditioned:
		if f.productTouchedHair() {
			f.assumeRinsed(e)
		}
	// Normalizer, neutralizing shampoo and neutralizer go on hair that was rinsed; if
	// nobody noted the rinse, this is when the clocks stop.
	case *pb.Event_NormalizerOn:
		f.assumeRinsed(e)
		f.normalizer.on(e.at)
	case *pb.Event_NormalizerOff:
		f.assumeRinsed(e)
		f.normalizerOff(e.at)
	case *pb.Event_Shampoo:
		f.assumeRinsed(e)
		f.lathers = append(f.lathers, f.lather(what.Shampoo))
	case *pb.Event_Blotted:
		f.assumeRinsed(e)
		f.blotted = true
	case *pb.Event_NeutralizerOn:
		f.assumeRinsed(e)
		f.oxidiser.on(e.at)
	case *pb.Event_NeutralizerOff:
		f.assumeRinsed(e)
		f.oxidiser.off(e.at)
	case *pb.Event_ScalpChecked:
		f.scalpChecked(e, what.ScalpChecked)
	}
}

// applied notes product on a part of a section. Product on the hair again undoes
// what earlier lathers had shown.
func (f *folding) sectionApplied(e fact, what *pb.SectionApplied) {
	c := f.startExposure(e, what.SectionId)
	part := func(p *pb.PartContact) bool { return p.Part == what.Part }
	if !slices.ContainsFunc(c.contacts, part) {
		c.contacts = append(c.contacts, &pb.PartContact{Part: what.Part, FirstContactTime: stamp(e.at)})
	}
}

// touched makes sure that a section's clock runs from e on.
func (f *folding) startExposure(e fact, id string) *section {
	c := f.section(id)
	if c.on {
		return c
	}
	if c.firstContact.IsZero() && !c.planned && f.session.GetPlan() != nil && id != "" {
		f.noteUnplannedSection(e, id)
	}
	if f.contact == nil {
		for _, c := range f.reports {
			f.checkRinseAfterDiscomfort(c, e.at) // what was late before it stays so
		}
		f.contact, f.contactTime, f.firstRinse = &e, e.at, time.Time{}
		f.head = headWater{burnt: f.head.burnt} // water before it was a wash
		f.flushHead(e)
	}
	if !f.rinsedOut.IsZero() {
		f.rinsedOut, f.rinsingNow, f.lathers, f.normalized = time.Time{}, false, nil, false
		f.oxidiser, f.blotted = lotionTime{}, false
	}
	f.unrinsed = false
	f.head.reset()
	c.beginExposure(e.at, e.EventId)
	c.inUse = f.inUse
	c.mixtureDeadline = f.mixtureDeadline(c)
	return c
}

// treated tells whether product was on the hair, by word or because a normalizer or a
// neutralizing shampoo was needed.
func (f *folding) productTouchedHair() bool { return !f.contactTime.IsZero() || !f.rinsedOut.IsZero() }

// section finds a section's clock, or adds one that is not on the plan.
func (f *folding) section(id string) *section {
	for _, c := range f.sections {
		if c.id == id {
			return c
		}
	}
	c := &section{id: id, prior: unplannedPrior(f.sections, f.limits), guide: sessionGuide(f.session, f.limits)}
	c.posterior = posterior{normal: c.prior}
	f.sections = append(f.sections, c)
	return c
}

// rinsing notes water on one section, or on the whole head.
func (f *folding) rinseStarted(e fact, id string) {
	f.noteFirstWater(e.at)
	f.endExposures(e, id)
	f.rinsingNow = f.productTouchedHair() && f.rinsedOut.IsZero()
	f.unrinsed = f.unrinsed && id != ""
	f.oxidiser.off(e.at) // water after a neutralizer rinses it out
	if id == "" {
		f.normalizerOff(e.at)
	}
	f.noteWaterForReports(e.at, id)
	if id == "" || !f.productOn("") {
		f.unknownCalls = nil
	}
	f.head.on(e.at, id)
	f.flushHead(e)
}

// rinsed notes product out of the whole head. The water is off then.
func (f *folding) rinseFinished(e fact) {
	if f.rinsedOut.IsZero() {
		f.rinsedOut = e.at
	}
	f.noteFirstWater(e.at)
	f.endExposures(e, "")
	f.rinsingNow = false
	f.normalizerOff(e.at)
	f.noteWaterForReports(e.at, "")
	f.unknownCalls = nil
	f.head.on(e.at, "") // there was water, for how long nobody noted
	f.flushHead(e)
	f.head.off(e, "")
	f.flushHead(e)
}

// normalizerOff notes that the normalizer was rinsed out, by word or because the whole
// head was.
func (f *folding) normalizerOff(t time.Time) {
	f.normalized = f.normalized || !f.normalizer.since.IsZero()
	f.normalizer.off(t)
}

// impliesRinse notes what goes on hair after the rinse. The first such fact shows
// that there was one; later ones are no water for what hurts by then.
func (f *folding) assumeRinsed(e fact) {
	if f.rinsedOut.IsZero() {
		f.unrinsed = f.firstRinse.IsZero() || f.productOn("")
		f.rinseFinished(e)
		return
	}
	f.head.off(e, "")
	f.flushHead(e)
}

func (f *folding) endExposures(e fact, id string) {
	for _, c := range f.sections {
		if c.on && (id == "" || c.id == id) {
			f.endExposure(c, e)
		}
	}
}

func (f *folding) noteFirstWater(t time.Time) {
	if f.firstRinse.IsZero() {
		f.firstRinse = t
	}
}

func (f *folding) scalpChecked(e fact, what *pb.ScalpChecked) {
	f.scalpLookedAt = f.scalpLookedAt || !f.firstRinse.IsZero()
	if what.Changed {
		f.noteScalpChanged(e)
	}
}
