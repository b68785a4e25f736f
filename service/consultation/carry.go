package consultation

import (
	"slices"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
)

// What a draft takes over from the record, and why.
//
// A carried answer is one that nobody is asked for again, so only what cannot become
// dangerous by growing old is carried: facts of the hair that do not change, and every
// lasting "yes". A "yes" that is out of date asks for one tap too many; a "no" that is
// out of date hides a danger. So a "no" is never carried, nor "not sure", nor anything
// that is looked at again at each visit.
//
// Of each answer the latest record counts. If that is a "no", the older "yes" is not
// carried either: the question is asked again. Work that the server recorded itself
// counts whatever was answered, because it happened.
//
// New growth is new hair. What was new growth at an earlier visit is mid-strand now, so
// work on it is carried there, and nothing is carried for the new growth of today.

// # How old an answer is
//
// A consultation is filled over a while, and a part of it can be carried itself. So each
// answer has its own age, by its origin: when it was given, or when the one that it was
// carried from was given. Otherwise a draft that was begun yesterday from a consultation
// of two years ago would outweigh what was asked last year.
//
// # An example
//
// In March 2024 the client tells of a relaxer and of an allergy. In May 2025 the chain
// relaxes her new growth; before it, the allergy is answered with no, since a patch test
// showed it to be of something else. The draft of July 2025 holds:
//
//	history.relaxer, mid-strand   yes, in May 2025, from the session
//	ends                          yes, when she told of it, from the first consultation
//	the alkali of each            from where its relaxer was carried from
//	history.allergy               nothing: it is asked
//	new growth                    nothing: it grew since May
//
// # What this is not
//
// Carrying is no judgement. Nothing here knows a rule, and nothing is left out because it
// would refuse a service: what is carried is what the client or the server already said.
// The decision on a draft is the decision on the same answers given by hand; a test draws
// earlier consultations and compares the two.

// earlier is a consultation that a draft may carry from.
type earlier struct {
	*pb.Consultation
	// session is the visit through which the consultation is known; empty: it was
	// read by itself.
	session string
}

// recordedWork is chemical work that the server recorded in a session. It counts from the
// latest moment at which product first touched hair.
type recordedWork struct {
	*pb.HistoryFact
	alkali pb.HydroxideKind // of a relaxer; unspecified: not known
}

// lastingFacts are answers that do not change. Density is not among them: loss of hair
// shows in it.
var lastingFacts = []string{"consultation.hair.texture", "consultation.hair.curl_type"}

// lastingYes are answers of which a "yes" lasts. Our own choice, from what the usual
// cautions ask at every visit. The others of the history change from visit to visit.
var lastingYes = []string{
	"consultation.history.allergy", "consultation.history.bad_reaction", "consultation.history.keloids",
	"consultation.history.glove_allergy", "consultation.history.undescribed_work",
}

// ongoing are past events that may have gone on since they were last told of. The "yes"
// lasts and the date does not: a date of two years ago would hide that the tablets are
// still taken.
var ongoing = []string{"consultation.history.isotretinoin", "consultation.history.cancer_treatment"}

// zonesCarried are the zones whose hair was there at the earlier visit. Hair moves outwards
// as it grows, and mid-strand becomes ends one day; that takes a year or more and is not
// followed here, since recorded work is counted by package rules in any case.
var zonesCarried = []struct {
	zone pb.Zone
	path string
}{
	{pb.Zone_ZONE_MID_STRAND, "consultation.hair.zones[mid-strand]"},
	{pb.Zone_ZONE_ENDS, "consultation.hair.zones[ends]"},
}

// works are the kinds of chemical work by the fields of a zone; work is 0 for those that
// a session never records.
var works = []struct {
	field string
	work  pb.ChemicalWork
}{
	{"thio", pb.ChemicalWork_CHEMICAL_WORK_THIO}, {"hydroxide", pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE},
	{"permanent_colour", 0}, {"semi_permanent_colour", 0}, {"lightened", 0},
	{"smoothing", pb.ChemicalWork_CHEMICAL_WORK_SMOOTHING},
}

// lastingDyes stay on the hair until it is cut off.
var lastingDyes = []string{"metallic_dye", "plant_henna"}

// sectionFacts are answers about a section that do not change, sectionYes those of which a
// "yes" lasts. That a section resists or is fragile was learned at a visit, the dear way;
// that it is not must be seen again. Porosity changes with every service.
var (
	sectionFacts = []string{"texture", "curl_type"}
	sectionYes   = []string{"resistant", "fragile", "hairline"}
)

// carrier fills a draft. It is pure: what is read for a draft, and by whom it may be read,
// is decided in draft.go.
type carrier struct {
	draft *pb.DecisionInputs
	from  []source
	work  []recordedWork
	zone  *time.Location // of the salon: dates are days there
}

// source is an earlier consultation, ready to be read by paths: its hair as it is today,
// and its origins by field.
type source struct {
	earlier
	answers *pb.DecisionInputs
	origins map[string]*pb.FieldOrigin
}

// carry fills a draft with what lasts of earlier consultations and of recorded work. It
// does not matter in which order they are given. Sections come first, because what is
// known of a section can be carried only where the head still has it.
//
// A statement that none of its items applies is no answer of its own: an older "yes" to
// one of them is carried, and the person who gave the statement is shown it.
func carry(draft *pb.Consultation, from []earlier, work []recordedWork, zone *time.Location) {
	c := carrier{draft: &pb.DecisionInputs{Consultation: draft}, work: work, zone: zone}
	for _, e := range from {
		s := source{earlier: e, answers: &pb.DecisionInputs{Consultation: grownOut(e.Consultation, zone)}, origins: map[string]*pb.FieldOrigin{}}
		for _, o := range e.Origins {
			s.origins[o.Field] = o
		}
		c.from = append(c.from, s)
	}
	c.sections()
	for _, path := range lastingFacts {
		c.fact(path)
	}
	for _, path := range lastingYes {
		c.yes(path)
	}
	for _, path := range ongoing {
		c.yes(path + ".happened")
	}
	c.event("consultation.history.relaxer", c.recorded(pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE, 0))
	for _, z := range zonesCarried {
		for _, w := range works {
			by := c.event(z.path+"."+w.field, c.recorded(w.work, z.zone))
			if w.field == "hydroxide" {
				c.alkali(z.path+".hydroxide_kind", by)
			}
		}
		for _, dye := range lastingDyes {
			c.yes(z.path + "." + dye)
		}
	}
	keepOrigins(draft, func(fieldpath.Path, *pb.FieldOrigin) bool { return true })
}

// given is an answer as an earlier consultation has it.
type given struct {
	source *source
	path   fieldpath.Path
	value  protoreflect.Value
	at     time.Time
}

// latest finds the answer that was given last; ok is false when nobody gave one. An answer
// that was taken away is as if it had not been given, so the one before it counts. Of
// answers of one moment that of the consultation listed first counts.
func (c *carrier) latest(text string) (found given, ok bool) {
	path := fieldpath.MustParse(text)
	for i := range c.from {
		s := &c.from[i]
		value, answered := path.Get(s.answers)
		if at := s.answeredAt(text); answered && (!ok || at.After(found.at)) {
			found, ok = given{s, path, value, at}, true
		}
	}
	return found, ok
}

// answeredAt is when an answer was given: as its origin says, else when the consultation
// was last changed. A carried answer is as old as the one that it was carried from.
func (s *source) answeredAt(path string) time.Time {
	if o := s.origins[path]; o.GetAnswerTime() != nil {
		return o.GetAnswerTime().AsTime()
	}
	return s.GetUpdateTime().AsTime()
}

// originOf is the origin of an answer that is carried from here. What was carried or
// imported before keeps its first origin.
func (s *source) originOf(path string) *pb.FieldOrigin {
	const carried = pb.AnswerOrigin_ANSWER_ORIGIN_CARRIED
	if o := s.origins[path]; o.GetOrigin() == carried || o.GetOrigin() == pb.AnswerOrigin_ANSWER_ORIGIN_IMPORTED {
		return proto.CloneOf(o)
	}
	return &pb.FieldOrigin{Field: path, Origin: carried, Consultation: s.GetName(), Session: s.session, AnswerTime: timestamppb.New(s.answeredAt(path))}
}

// put carries an answer with its origin.
func (c *carrier) put(g given) { c.set(g.path, g.value, g.source.originOf(g.path.String())) }

// set fills in a copy of a value, so that the draft shares nothing with an earlier visit, and
// notes where it is from.
func (c *carrier) set(path fieldpath.Path, value protoreflect.Value, origin *pb.FieldOrigin) {
	path.Set(c.draft, cloned(value))
	origin.Field = path.String()
	c.draft.Consultation.Origins = append(c.draft.Consultation.Origins, origin)
}

// fact carries the latest answer to a question whose answer does not change. Where two
// visits saw it differently, the later one looked at the hair of today.
func (c *carrier) fact(path string) {
	if g, ok := c.latest(path); ok {
		c.put(g)
	}
}

// yes carries the latest answer if it is a "yes". It is not enough that somebody once said
// yes: who was asked again later and said no is asked once more, with nothing filled in.
func (c *carrier) yes(path string) {
	if g, ok := c.latest(path); ok && g.value.Enum() == pb.Answer_ANSWER_YES.Number() {
		c.put(g)
	}
}

// sections carries how the head is divided, as it was last, and what lasts of each section.
// A section that the head no longer has is dropped with all that was known of it: its id
// could come to mean another part of the head.
func (c *carrier) sections() {
	var layout *source
	for i := range c.from {
		s := &c.from[i]
		if len(s.GetHair().GetSections()) > 0 && (layout == nil || s.dividedAt().After(layout.dividedAt())) {
			layout = s
		}
	}
	if layout == nil {
		return
	}
	for _, section := range layout.Hair.Sections {
		at := sectionPath(section.SectionId)
		element, err := fieldpath.Parse(at)
		if err != nil {
			continue // written before ids had to be of that form
		}
		c.set(element, protoreflect.Value{}, layout.originOf(at))
		for _, field := range sectionFacts {
			c.fact(at + "." + field)
		}
		for _, field := range sectionYes {
			c.yes(at + "." + field)
		}
	}
}

// dividedAt is when the head was divided as a consultation has it.
func (s *source) dividedAt() time.Time {
	return s.answeredAt(sectionPath(s.Hair.Sections[0].SectionId))
}

// recorded is the latest recorded work of a kind that lies on a zone, or anywhere for
// zone 0; nil when there is none. A session that names no zone was on the whole head.
func (c *carrier) recorded(work pb.ChemicalWork, zone pb.Zone) *recordedWork {
	var last *recordedWork
	for i, f := range c.work {
		if work == 0 || f.Work != work || zone != 0 && f.Zone != 0 && f.Zone != zone {
			continue
		}
		if last == nil || f.LatestTime.AsTime().After(last.LatestTime.AsTime()) {
			last = &c.work[i]
		}
	}
	return last
}

// carriedFrom is where a past event was carried from: an answer, a session, or nowhere. The
// alkali of a relaxer is carried from the same place.
type carriedFrom struct {
	answer  *source
	session *recordedWork
}

// event carries a past event: the later of what was answered and what was recorded. A "no"
// never stands against a record: what the server saw happen is set aside only as another
// person's, by MoveSession. An answer without a date is carried without one, so that the
// date is asked and the wait after it is not guessed.
func (c *carrier) event(path string, recorded *recordedWork) carriedFrom {
	g, answered := c.latest(path + ".happened")
	if answered && g.value.Enum() != pb.Answer_ANSWER_YES.Number() {
		answered = false
	}
	switch {
	case recorded == nil && !answered:
		return carriedFrom{}
	case recorded != nil && (!answered || !c.isLater(g, path, recorded.LatestTime.AsTime())):
		origin := func() *pb.FieldOrigin {
			return &pb.FieldOrigin{Origin: pb.AnswerOrigin_ANSWER_ORIGIN_CARRIED, Session: recorded.Session, AnswerTime: recorded.LatestTime}
		}
		c.set(fieldpath.MustParse(path+".happened"), protoreflect.ValueOfEnum(pb.Answer_ANSWER_YES.Number()), origin())
		c.set(fieldpath.MustParse(path+".last_time"), protoreflect.ValueOfMessage(recorded.LatestTime.ProtoReflect()), origin())
		return carriedFrom{session: recorded}
	}
	c.put(g)
	for _, when := range []string{path + ".last_time", path + ".last_date"} {
		at := fieldpath.MustParse(when)
		if value, ok := at.Get(g.source.answers); ok {
			c.put(given{source: g.source, path: at, value: value})
		}
	}
	return carriedFrom{answer: g.source}
}

// isLater tells whether an answered event is later than recorded work. A date in whose
// span the recorded work lies is the same event, told less exactly. An answer without a
// date that was given after the recorded work may be of other work since: it counts, and
// its date is asked.
func (c *carrier) isLater(g given, path string, recorded time.Time) bool {
	if at, dated := eventMoment(g.source.answers, path, c.zone); dated {
		return at.After(recorded)
	}
	return g.at.After(recorded)
}

// eventMoment is the earliest moment at which a past event can have been last, as it was
// answered; ok is false when it was answered without a date.
func eventMoment(in *pb.DecisionInputs, path string, zone *time.Location) (at time.Time, ok bool) {
	if t, given := fieldpath.MustParse(path + ".last_time").Get(in); given {
		return t.Message().Interface().(*timestamppb.Timestamp).AsTime(), true
	}
	if d, given := fieldpath.MustParse(path + ".last_date").Get(in); given {
		return firstMoment(d.Message().Interface().(*date.Date), zone), true
	}
	return time.Time{}, false
}

// firstMoment is the first moment of a date in a time zone; a month or day of 0, which
// stands for the whole year or month, is the first one.
func firstMoment(d *date.Date, zone *time.Location) time.Time {
	return time.Date(int(d.GetYear()), time.Month(max(d.GetMonth(), 1)), max(int(d.GetDay()), 1), 0, 0, 0, 0, zone)
}

// alkali carries the alkali of a relaxer from where the relaxer was carried from. That of
// another relaxer says nothing.
func (c *carrier) alkali(path string, by carriedFrom) {
	at := fieldpath.MustParse(path)
	switch {
	case by.session != nil && by.session.alkali != 0:
		c.set(at, protoreflect.ValueOfEnum(by.session.alkali.Number()), &pb.FieldOrigin{
			Origin: pb.AnswerOrigin_ANSWER_ORIGIN_CARRIED, Session: by.session.Session, AnswerTime: by.session.LatestTime})
	case by.answer != nil:
		if value, ok := at.Get(by.answer.answers); ok {
			c.put(given{source: by.answer, path: at, value: value})
		}
	}
}

// grownOut is a consultation as its hair is at a later visit: what was done to the new
// growth is on the mid-strand. Only a "yes" moves; that the new growth was never treated
// says nothing of the hair before it. The stored consultation is left as it is.
func grownOut(k *pb.Consultation, zone *time.Location) *pb.Consultation {
	k = proto.CloneOf(k)
	zones := k.GetHair().GetZones()
	of := func(zone pb.Zone) int {
		return slices.IndexFunc(zones, func(z *pb.HairZone) bool { return z.Zone == zone })
	}
	grown := of(pb.Zone_ZONE_NEW_GROWTH)
	if grown < 0 {
		return k
	}
	if of(pb.Zone_ZONE_MID_STRAND) < 0 {
		k.Hair.Zones = append(k.Hair.Zones, &pb.HairZone{Zone: pb.Zone_ZONE_MID_STRAND})
		zones = k.Hair.Zones
	}
	in := &pb.DecisionInputs{Consultation: k}
	for _, w := range works {
		moveYes(in, w.field+".happened", w.field, zone)
	}
	for _, dye := range lastingDyes {
		moveYes(in, dye, dye, zone)
	}
	k.Hair.Zones = slices.Delete(zones, grown, grown+1)
	return k
}

// moveYes puts a "yes" of the new growth in the place of what the mid-strand says. Where
// the mid-strand says yes too, the later of the two is what was last done to that hair; one
// without a date may be the later one, and its date is asked.
func moveYes(in *pb.DecisionInputs, answer, field string, zone *time.Location) {
	const from, to = "consultation.hair.zones[new-growth].", "consultation.hair.zones[mid-strand]."
	yes := func(zone string) bool {
		value, ok := fieldpath.MustParse(zone + answer).Get(in)
		return ok && value.Enum() == pb.Answer_ANSWER_YES.Number()
	}
	if !yes(from) {
		return
	}
	if yes(to) {
		if answer == field {
			return // a dye, which has no date
		}
		then, dated := eventMoment(in, to+field, zone)
		later, known := eventMoment(in, from+field, zone)
		if !dated || known && !later.After(then) {
			return
		}
	}
	value, _ := fieldpath.MustParse(from + field).Get(in)
	fieldpath.MustParse(to+field).Set(in, cloned(value))
	if field == "hydroxide" {
		kind := fieldpath.MustParse(to + "hydroxide_kind")
		kind.Clear(in)
		if value, ok := fieldpath.MustParse(from + "hydroxide_kind").Get(in); ok {
			kind.Set(in, value)
		}
	}
}

// without is a consultation without the answers that came from others' consultations and
// sessions; of one of these nothing is left. Answers that were given to the client in
// person stay, whatever else the same consultation holds.
func without(k *pb.Consultation, others map[string]bool) *pb.Consultation {
	if others[k.GetName()] {
		return &pb.Consultation{}
	}
	if !slices.ContainsFunc(k.GetOrigins(), func(o *pb.FieldOrigin) bool { return others[o.Consultation] || others[o.Session] }) {
		return k
	}
	k = proto.CloneOf(k)
	in := &pb.DecisionInputs{Consultation: k}
	for _, o := range k.Origins {
		if path, err := fieldpath.Parse(o.Field); err == nil && (others[o.Consultation] || others[o.Session]) {
			path.Clear(in)
		}
	}
	return k
}
