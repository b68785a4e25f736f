package timing

import (
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// Fold computes the state of a session at an instant from its facts. The facts are sorted
// by when they happened; facts that happened after at are left out. The order of arrival,
// duplicates and delays make no difference, so a late fact corrects the state.
// For the state now, at must not be earlier than the newest record time.
//
// What the state advises depends on the facts up to at alone: the state at an earlier
// instant is what could have been known then, if every till had been connected. Neither
// the session nor the events are changed.
func Fold(s *pb.Session, events []*pb.StoredEvent, at time.Time) *pb.SessionState {
	return FoldWith(s, events, nil, at)
}

// FoldWith is Fold with what only the catalogue knows: whether a product is a relaxer
// other than the one decided on, and which lots were recalled or expired when used.
// The catalogue holds the products that the events name; a product that is missing from
// it counts as a relaxer. Nil means that the catalogue was not read, and products are not
// checked.
func FoldWith(s *pb.Session, events []*pb.StoredEvent, catalogue []*pb.Product, at time.Time) *pb.SessionState {
	f := foldFacts(s, events, catalogue, at, cautious)
	state := f.state()
	// Guidance may assume the worst; the log must not.
	if f.timesAssumed {
		state.Deviations = foldFacts(s, events, catalogue, at, likeliest).sortedDeviations()
	}
	return state
}

// folding is the state of a session while its facts are applied.
type folding struct {
	session *pb.Session
	limits  *pb.SessionLimits
	// catalogue is nil when it was not read.
	catalogue map[string]*pb.Product
	// at is the instant of the state; facts after it are left out.
	at        time.Time
	factCount int64
	// sections are the planned ones in order, then others as they appear.
	sections    []*section
	preparation preparation

	// contact is the first contact of product with the hair, at contactTime; nil before.
	contact     *fact
	contactTime time.Time
	// firstRinse is the first water since contact.
	firstRinse time.Time
	// rinsingNow: water is on and the product is not out yet.
	rinsingNow bool
	head       headWater
	// rinsedOut is when the product was out of the whole head; zero while it is on.
	rinsedOut time.Time
	// unrinsed: a later fact implies a rinse that nobody recorded.
	unrinsed bool
	// stopped is the fact that the service was broken off.
	stopped *fact

	reports []*discomfortReport
	// discomfort is the time of the first report.
	discomfort time.Time
	flushes    []*flush
	// unknownCalls are facts that this program does not know and that call for water.
	unknownCalls []*unknownCall

	// mixTime is when the present mixture was mixed; zero when there is none.
	mixTime time.Time
	// inUse is the relaxer that was named last.
	inUse        *productInUse
	productsUsed []*pb.ProductUsed

	lathers    []lather
	normalizer lotionTime
	// normalized: the normalizer was on and was rinsed out since product was last put on.
	normalized    bool
	oxidiser      lotionTime
	blotted       bool
	scalpLookedAt bool

	// notUnderstood names the facts and values that this program does not know.
	notUnderstood []string
	// timesAssumed: some fact is not at its likeliest time, so the log needs a fold of
	// its own.
	timesAssumed bool
	deviations   []*pb.Deviation
}

// lotionTime is how long a lotion was on the hair: a normalizer or a neutralizer.
type lotionTime struct {
	since   time.Time // zero: not on
	minutes *float64
}

// on records that the lotion is on.
func (s *lotionTime) on(t time.Time) {
	if s.since.IsZero() {
		s.since = t
	}
}

// off records that the lotion was rinsed out, and adds up its minutes.
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

// used reports whether the lotion was ever on.
func (s lotionTime) used() bool { return s.minutes != nil || !s.since.IsZero() }

// foldFacts applies the facts up to at, and then checks what time alone brings about.
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

// apply applies one fact.
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
		f.applied(e, []string{what.SectionApplied.SectionId}, what.SectionApplied.Part)
	case *pb.Event_StageApplied:
		f.applied(e, f.nextToApply(), what.StageApplied.Part)
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

// applyAfterRinse applies a fact of the rinse or of what follows it.
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
		f.shampooed(e, what.Shampoo)
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

// applied records product on a part of sections. Product on the hair again invalidates what
// earlier lathers showed. Of several sections, only the first that is begun has product on
// it now; the contact of the others is assumed.
func (f *folding) applied(e fact, sections []string, p pb.SectionPart) {
	begun := false
	for _, id := range sections {
		on := f.section(id).on
		c := f.startExposure(e, id)
		if !on {
			c.contactAssumed, begun = begun, true
		}
		if !slices.ContainsFunc(c.contacts, func(known *pb.PartContact) bool { return known.Part == p }) {
			c.contacts = append(c.contacts, &pb.PartContact{Part: p, FirstContactTime: stamp(e.at)})
		}
	}
}

// nextToApply returns the sections of a stage that is applied, in order of application: the
// stage that has product on, else the next stage with sections that had none yet, else the
// whole head. One fact for a stage is honest, if not exact: the first of its sections has
// product on it now, and no other one before.
func (f *folding) nextToApply() []string {
	var stage []string
	for _, s := range f.session.GetPlan().GetStages() {
		if slices.ContainsFunc(s.SectionIds, f.productOn) {
			return s.SectionIds
		}
		if stage == nil {
			stage = slices.DeleteFunc(slices.Clone(s.SectionIds), func(id string) bool { return !f.section(id).firstContact.IsZero() })
		}
		if len(stage) == 0 {
			stage = nil
		}
	}
	if stage != nil {
		return stage
	}
	head := []string{}
	for _, c := range f.sections {
		head = append(head, c.id)
	}
	if len(head) == 0 {
		head = []string{""}
	}
	return head
}

// startExposure makes sure that a section's clock runs from e on. The first contact of
// the service also ends everything that came before the product: water until then was a
// wash, not a rinse. Contact after a rinse starts the neutralizing again.
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
		// Water before the product was a wash; what burnt then still needs its flush.
		f.head = headWater{burnt: f.head.burnt}
		f.flushHead(e)
	}
	if !f.rinsedOut.IsZero() {
		f.rinsedOut, f.rinsingNow, f.lathers, f.normalized = time.Time{}, false, nil, false
		f.oxidiser, f.blotted = lotionTime{}, false
	}
	f.unrinsed = false
	f.head.reset()
	f.checkTestsOverdue(e.at)
	c.beginExposure(e.at, e.EventId)
	c.inUse = f.inUse
	c.mixtureDeadline = f.mixtureDeadline(c)
	f.limitAfterApplication(e.at)
	return c
}

// limitAfterApplication sets the limits of all sections with product on by the end of the
// application, where the directions count from there. The application ends, as far as is
// known, when the section that was begun last is finished; the next contact moves the
// limits on. The limit from first contact holds too.
func (f *folding) limitAfterApplication(contact time.Time) {
	if f.limits.MinutesAfterApplication == nil {
		return
	}
	end := contact.Add(minutes(f.session.GetPlan().GetPaceMinutes()))
	for _, c := range f.sections {
		if c.on {
			c.limitBy(end.Add(minutes(f.limits.GetMinutesAfterApplication())))
		}
	}
}

// productTouchedHair reports whether product was on the hair: a contact was recorded, or
// a normalizer or neutralizing shampoo implies one.
func (f *folding) productTouchedHair() bool { return !f.contactTime.IsZero() || !f.rinsedOut.IsZero() }

// section returns a section's clock, and adds one for a section that is not planned.
func (f *folding) section(id string) *section {
	for _, c := range f.sections {
		if c.id == id {
			return c
		}
	}
	c := &section{id: id, prior: unplannedPrior(f.sections, f.limits), guide: sessionGuide(f.session, f.limits), longest: f.limits.HardLimitMinutes}
	c.posterior = posterior{normal: c.prior}
	f.sections = append(f.sections, c)
	return c
}

// rinseStarted records water on one section, or on the whole head if id is empty. Water
// on the whole head also rinses out a normalizer or neutralizer, and answers a call for
// water by a fact that this program does not know.
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

// rinseFinished records that the product is out of the whole head. There was water, but
// nobody recorded for how long, so the water counts as on and off in the same instant.
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

// normalizerOff records that the normalizer was rinsed out, by its own fact or because
// the whole head was.
func (f *folding) normalizerOff(t time.Time) {
	f.normalized = f.normalized || !f.normalizer.since.IsZero()
	f.normalizer.off(t)
}

// assumeRinsed handles facts that only make sense on rinsed hair. The first such fact
// implies a rinse that nobody recorded; later ones are no water for discomfort reported
// since.
func (f *folding) assumeRinsed(e fact) {
	if f.rinsedOut.IsZero() {
		f.unrinsed = f.firstRinse.IsZero() || f.productOn("")
		f.rinseFinished(e)
		return
	}
	f.head.off(e, "")
	f.flushHead(e)
}

// endExposures ends the exposure of a section, or of all if id is empty.
func (f *folding) endExposures(e fact, id string) {
	f.checkTestsOverdue(e.at)
	var ended []*section
	for _, c := range f.sections {
		if c.on && (id == "" || c.id == id) {
			f.checkDeadlines(c, e.at)
			ended = append(ended, c)
		}
	}
	for _, c := range ended {
		f.endExposure(c, e)
	}
}

// noteFirstWater keeps the time of the first water since the first contact.
func (f *folding) noteFirstWater(t time.Time) {
	if f.firstRinse.IsZero() {
		f.firstRinse = t
	}
}

// scalpChecked records a look at the scalp; it counts as the check after the service once
// a rinse has begun.
func (f *folding) scalpChecked(e fact, what *pb.ScalpChecked) {
	f.scalpLookedAt = f.scalpLookedAt || !f.firstRinse.IsZero()
	if what.Changed {
		f.noteScalpChanged(e)
	}
}
