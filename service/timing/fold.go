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
	f := run(s, events, catalogue, at, cautious)
	state := f.state()
	if f.guessed { // guidance may assume the worst, the log may not
		state.Deviations = run(s, events, catalogue, at, likeliest).sortedDeviations()
	}
	return state
}

// service is a session while its facts are folded.
type service struct {
	session   *pb.Session
	limits    *pb.SessionLimits
	catalogue map[string]*pb.Product // nil: not read
	at        time.Time
	count     int64
	sections  []*section // planned ones in order, then others as they appear

	before     preparation
	contact    *fact     // first contact of product with the hair
	product    time.Time // its time
	rinse      time.Time // first water
	water      bool      // water is on, product not out yet
	head       headWater
	out        time.Time // product out; zero while product is on
	stopped    *fact
	complaints []*complaint
	flushes    []*flush
	others     []*otherCall
	mixed      time.Time // parts of the present mixture put together; zero: none
	jar        *jar      // relaxer last named
	lathers    []lather
	normalizer spell
	normalized bool // it was on and was rinsed out since product was last put on
	oxidiser   spell
	blotted    bool
	checked    bool
	unrinsed   bool // a later fact implies a rinse that nobody noted
	discomfort time.Time
	used       []*pb.ProductUsed
	unknown    []string // facts this program does not know
	guessed    bool     // a fact was not taken at its likeliest time
	deviations []*pb.Deviation
}

// spell is how long a lotion was on.
type spell struct {
	since   time.Time // zero: not on
	minutes *float64
}

// on notes that the lotion is on.
func (s *spell) on(t time.Time) {
	if s.since.IsZero() {
		s.since = t
	}
}

// off notes that it was rinsed out.
func (s *spell) off(t time.Time) {
	if s.since.IsZero() {
		return
	}
	total := t.Sub(s.since).Minutes()
	if s.minutes != nil {
		total += *s.minutes
	}
	*s = spell{minutes: &total}
}

// seen tells whether the lotion was ever on.
func (s spell) seen() bool { return s.minutes != nil || !s.since.IsZero() }

// run folds the facts and closes what time alone brings about.
func run(s *pb.Session, events []*pb.StoredEvent, catalogue []*pb.Product, at time.Time, v view) *service {
	f := &service{session: s, limits: limitsOf(s), at: at}
	if catalogue != nil {
		f.catalogue = map[string]*pb.Product{}
		for _, p := range catalogue {
			f.catalogue[p.Name] = p
		}
	}
	f.sections = plannedSections(s, f.limits)
	f.withoutDecision()
	f.irregular()
	f.clocks()
	for _, e := range inTime(s, events, v) {
		if e.at.After(at) {
			break
		}
		f.count++
		f.guessed = f.guessed || e.assumed || !e.at.Equal(e.likely)
		f.clock(e)
		f.unknown = append(f.unknown, e.odd...)
		f.apply(e)
	}
	f.passing()
	return f
}

// apply takes one fact into account.
func (f *service) apply(e fact) {
	switch what := e.Fact.(type) {
	case *pb.Event_BaseApplied:
		f.before.based(e.at, what.BaseApplied)
	case *pb.Event_ConditionMet:
		f.before.meet(e, what.ConditionMet)
	case *pb.Event_ProductConfirmed:
		f.confirmed(e, what.ProductConfirmed)
	case *pb.Event_ProductUsed:
		f.usedProduct(e, what.ProductUsed)
	case *pb.Event_Mixed:
		f.mixed = e.at
	case *pb.Event_Discarded:
		f.mixed = time.Time{}
	case *pb.Event_SectionApplied:
		f.applied(e, what.SectionApplied)
	case *pb.Event_StrandTest:
		f.tested(e, what.StrandTest)
	case *pb.Event_ComfortCheck:
		f.felt(e, what.ComfortCheck)
	case *pb.Event_Splash:
		f.splashed(e, what.Splash.Place)
	case *pb.Event_WaterOn:
		f.waterOn(e, what.WaterOn)
	case *pb.Event_WaterOff:
		f.waterOff(e, what.WaterOff)
	case *pb.Event_HelpCalled:
		f.helped(e, what.HelpCalled)
	case *pb.Event_Stopped:
		f.stopped = &e
	case *pb.Event_OtherFact:
		f.other(e, what.OtherFact)
	default:
		f.afterwards(e)
	}
}

// afterwards takes facts of the rinse and what follows it into account.
func (f *service) afterwards(e fact) {
	switch what := e.Fact.(type) {
	case *pb.Event_RinseStarted:
		f.rinsing(e, what.RinseStarted.SectionId)
	case *pb.Event_RinseFinished:
		// Before any product this is a wash or a treatment, not the rinse.
		if f.treated() {
			f.unrinsed = false
			f.rinsed(e)
		}
	case *pb.Event_Conditioned:
		if f.treated() {
			f.impliesRinse(e)
		}
	// Normalizer, neutralizing shampoo and neutralizer go on hair that was rinsed; if
	// nobody noted the rinse, this is when the clocks stop.
	case *pb.Event_NormalizerOn:
		f.impliesRinse(e)
		f.normalizer.on(e.at)
	case *pb.Event_NormalizerOff:
		f.impliesRinse(e)
		f.normalizerOff(e.at)
	case *pb.Event_Shampoo:
		f.impliesRinse(e)
		f.lathers = append(f.lathers, f.lather(what.Shampoo))
	case *pb.Event_Blotted:
		f.impliesRinse(e)
		f.blotted = true
	case *pb.Event_NeutralizerOn:
		f.impliesRinse(e)
		f.oxidiser.on(e.at)
	case *pb.Event_NeutralizerOff:
		f.impliesRinse(e)
		f.oxidiser.off(e.at)
	case *pb.Event_ScalpChecked:
		f.looked(e, what.ScalpChecked)
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
	if c.first.IsZero() && !c.planned && f.session.GetPlan() != nil && id != "" {
		f.unplanned(e, id)
	}
	if f.contact == nil {
		for _, c := range f.complaints {
			f.lateAnswer(c, e.at) // what was late before it stays so
		}
		f.contact, f.product, f.rinse = &e, e.at, time.Time{}
		f.head = headWater{hurt: f.head.hurt} // water before it was a wash
		f.flushHead(e)
	}
	if !f.out.IsZero() {
		f.out, f.water, f.lathers, f.normalized = time.Time{}, false, nil, false
		f.oxidiser, f.blotted = spell{}, false
	}
	f.unrinsed = false
	f.head.again()
	c.begin(e.at, e.EventId)
	c.jar = f.jar
	c.mixtureEnds = f.mixtureEnds(c)
	return c
}

// treated tells whether product was on the hair, by word or because a normalizer or a
// neutralizing shampoo was needed.
func (f *service) treated() bool { return !f.product.IsZero() || !f.out.IsZero() }

// section finds a section's clock, or adds one that is not on the plan.
func (f *service) section(id string) *section {
	for _, c := range f.sections {
		if c.id == id {
			return c
		}
	}
	c := &section{id: id, prior: unplannedPrior(f.sections, f.limits), guide: sessionGuide(f.session, f.limits)}
	c.belief = belief{normal: c.prior}
	f.sections = append(f.sections, c)
	return c
}

// rinsing notes water on one section, or on the whole head.
func (f *service) rinsing(e fact, id string) {
	f.firstWater(e.at)
	f.endSections(e, id)
	f.water = f.treated() && f.out.IsZero()
	f.unrinsed = f.unrinsed && id != ""
	f.oxidiser.off(e.at) // water after a neutralizer rinses it out
	if id == "" {
		f.normalizerOff(e.at)
	}
	f.answer(e.at, id)
	if id == "" || !f.isOn("") {
		f.others = nil
	}
	f.head.on(e.at, id)
	f.flushHead(e)
}

// rinsed notes product out of the whole head. The water is off then.
func (f *service) rinsed(e fact) {
	if f.out.IsZero() {
		f.out = e.at
	}
	f.firstWater(e.at)
	f.endSections(e, "")
	f.water = false
	f.normalizerOff(e.at)
	f.answer(e.at, "")
	f.others = nil
	f.head.on(e.at, "") // there was water, for how long nobody noted
	f.flushHead(e)
	f.head.off(e, "")
	f.flushHead(e)
}

// normalizerOff notes that the normalizer was rinsed out, by word or because the whole
// head was.
func (f *service) normalizerOff(t time.Time) {
	f.normalized = f.normalized || !f.normalizer.since.IsZero()
	f.normalizer.off(t)
}

// impliesRinse notes what goes on hair after the rinse. The first such fact shows
// that there was one; later ones are no water for what hurts by then.
func (f *service) impliesRinse(e fact) {
	if f.out.IsZero() {
		f.unrinsed = f.rinse.IsZero() || f.isOn("")
		f.rinsed(e)
		return
	}
	f.head.off(e, "")
	f.flushHead(e)
}

func (f *service) endSections(e fact, id string) {
	for _, c := range f.sections {
		if c.on && (id == "" || c.id == id) {
			f.closeSection(c, e)
		}
	}
}

func (f *service) firstWater(t time.Time) {
	if f.rinse.IsZero() {
		f.rinse = t
	}
}

func (f *service) looked(e fact, what *pb.ScalpChecked) {
	f.checked = f.checked || !f.rinse.IsZero()
	if what.Changed {
		f.scalpChanged(e)
	}
}
