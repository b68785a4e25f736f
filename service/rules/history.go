package rules

import (
	"slices"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// What is known of the chemical history comes from three sources: the answer for
// one zone, the answer for the whole head, and the services that the server
// recorded from first contact on. This step puts them together before a rule is
// asked. Rules read known.hydroxide and zone.known.hydroxide and their like.
//
//   - The strictest source counts: done before not sure, not sure before not asked,
//     not asked before never. Of several dates the latest counts.
//   - The answer for the head is about relaxers. "Never" is not an answer for a
//     zone: the zone is asked. A relaxer that the head's answer dates is taken to be
//     on mid-strand and ends, unless the answer for some zone accounts for it.
//   - A recorded service is on the zones that its fact names; none is the whole head.
//   - Hair that grew since is untreated, so new growth is taken to be treated only
//     while nothing can have grown that product could be kept to: ungrownDays.
//   - Facts that cannot both be right are contradictions; see contradiction.go.

// ungrownDays is for how many days after a service the hair next to the scalp still
// counts as treated by it. Our own choice: at 0.26 to 0.28 mm a day (Loussouarn, Br
// J Dermatol 2001;145:294-297, and 2005) four weeks bring about 7 mm, too little
// to keep product to, and between relaxers there are never fewer than 28 days.
const ungrownDays = 28

// reachesEndsDays is after how many days a retouch, which treats the new growth of
// its day, may have grown out as far as the ends. Our own choice: a year, about
// 10 cm at the rate above, so that short hair is covered.
const reachesEndsDays = 365

// workKind is a kind of chemical work as the contract and the fields of rules name it.
type workKind struct {
	kind pb.ChemicalWork
	name string // as in zone.thio
	get  func(*pb.HairZone) *pb.PastEvent
}

// workKinds are the kinds of chemical work; works()[kind-1] is the one of a kind.
func workKinds() [6]workKind {
	return [6]workKind{
		{pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE, "hydroxide", (*pb.HairZone).GetHydroxide},
		{pb.ChemicalWork_CHEMICAL_WORK_THIO, "thio", (*pb.HairZone).GetThio},
		{pb.ChemicalWork_CHEMICAL_WORK_PERMANENT_COLOUR, "permanent_colour", (*pb.HairZone).GetPermanentColour},
		{pb.ChemicalWork_CHEMICAL_WORK_SEMI_PERMANENT_COLOUR, "semi_permanent_colour", (*pb.HairZone).GetSemiPermanentColour},
		{pb.ChemicalWork_CHEMICAL_WORK_LIGHTENING, "lightened", (*pb.HairZone).GetLightened},
		{pb.ChemicalWork_CHEMICAL_WORK_SMOOTHING, "smoothing", (*pb.HairZone).GetSmoothing},
	}
}

// fact is a fact of the contract with its times as rules count them.
type fact struct {
	*pb.HistoryFact
	at    interval
	dated bool
	index int // in the recorded work of the inputs
}

// done tells whether the fact says that the work was done; false for a fact that is
// absent.
func (f *fact) done() bool { return f != nil && f.Happened == pb.Answer_ANSWER_YES }

// workStatus is what is known of one kind of work, on one zone or on the whole head.
// Work that was done and has no date is not dated, and rules that need the date wait
// for it.
type workStatus struct {
	happened   pb.Answer // 0: not asked
	at         interval  // when it was last done
	dated      bool
	decisive   *fact   // the fact that counts
	considered []*fact // all that were looked at
}

// history is all that is known, by zone and by kind of work. Index 0 of the zones
// is the whole head.
// The arrays are indexed by the numbers of the contract, in which 0 is unspecified
// and so free for the whole head.
type history struct {
	status         [4][7]workStatus
	answers        [4][7]*fact // of the zones; the head's at [0][HYDROXIDE]
	recorded       []*fact
	contradictions []*pb.Contradiction
	// ofAnswers holds the facts of answers, considered the lists of facts that were looked
	// at, so that a case is a few allocations and not a hundred.
	ofAnswers  []factAndMessage
	considered []*fact
}

// factAndMessage is a fact with the message that it points to.
type factAndMessage struct {
	fact    fact
	message pb.HistoryFact
}

// answersAboutWork is how many answers there are about chemical work: one about the head
// and six about each zone.
const answersAboutWork = 1 + 3*6

// history works out what is known of the case, once.
func (s *state) history() *history {
	if s.historyCache == nil {
		s.historyCache = s.buildHistory()
	}
	return s.historyCache
}

// buildHistory gathers the facts of the three sources, puts them together for each
// zone and for the whole head, and then looks for contradictions. Recorded work of a
// kind that this version does not know is left out.
func (s *state) buildHistory() *history {
	h := &history{ofAnswers: make([]factAndMessage, answersAboutWork)}
	h.considered = make([]*fact, 0, 2*answersAboutWork+4*6+4*len(s.in.GetRecordedWork()))
	h.answers[0][pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE] = s.factFromAnswer(h, pb.HistorySource_HISTORY_SOURCE_HEAD_ANSWER,
		pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE, 0, s.in.GetConsultation().GetHistory().GetRelaxer())
	for _, z := range zones() {
		zone := s.zoneOf(z.Zone)
		for _, w := range workKinds() {
			h.answers[z.Zone][w.kind] = s.factFromAnswer(h, pb.HistorySource_HISTORY_SOURCE_ZONE_ANSWER, w.kind, z.Zone, w.get(zone))
		}
	}
	for i, f := range s.in.GetRecordedWork() {
		if f.GetHappened() == pb.Answer_ANSWER_YES && f.GetWork() > 0 && f.GetWork() <= pb.ChemicalWork_CHEMICAL_WORK_SMOOTHING {
			h.recorded = append(h.recorded, s.factFromRecord(f, i))
		}
	}
	for _, w := range workKinds() {
		for _, z := range zones() {
			h.status[z.Zone][w.kind] = strictest(s.factsAbout(h, z.Zone, w.kind))
		}
		h.status[0][w.kind] = h.wholeHead(w.kind)
	}
	h.contradictions = findContradictions(h)
	return h
}

// zoneOf is a zone of the consultation; nil when it is not listed.
func (s *state) zoneOf(zone pb.Zone) *pb.HairZone {
	listed := s.in.GetConsultation().GetHair().GetZones()
	if i := slices.IndexFunc(listed, func(z *pb.HairZone) bool { return z.GetZone() == zone }); i >= 0 {
		return listed[i]
	}
	return nil
}

// factFromAnswer is what an answer says.
func (s *state) factFromAnswer(h *history, source pb.HistorySource, kind pb.ChemicalWork, zone pb.Zone, e *pb.PastEvent) *fact {
	next := &h.ofAnswers[0]
	h.ofAnswers = h.ofAnswers[1:]
	f := &next.fact
	f.HistoryFact = &next.message
	f.Source, f.Work, f.Zone, f.Happened = source, kind, zone, e.GetHappened()
	if _, ok := pb.Answer_name[int32(f.Happened)]; !ok {
		f.Happened = 0 // an answer that this version does not know was not given
	}
	if f.done() {
		if f.at, f.dated = s.when(e); f.dated {
			f.EarliestTime, f.LatestTime = stamp(f.at.earliest), stamp(f.at.latest)
		}
	}
	return f
}

// A record is taken as it is and not doubted: the visit was recorded while it happened.
// It is set aside only by moving the visit to the client whose it was.
//
// factFromRecord is what the server recorded. A time that is missing counts as now.
func (s *state) factFromRecord(of *pb.HistoryFact, index int) *fact {
	f := &fact{HistoryFact: proto.CloneOf(of), index: index, dated: true, at: interval{s.now(), s.now()}}
	if !isImportedWork(of) {
		f.Source = pb.HistorySource_HISTORY_SOURCE_RECORD_CARD
	}
	if of.GetLatestTime() != nil {
		f.at.latest = of.GetLatestTime().AsTime()
	}
	if f.at.earliest = f.at.latest; of.GetEarliestTime() != nil {
		f.at.earliest = of.GetEarliestTime().AsTime()
	}
	// An imported record can name a month or a year, and what happened cannot lie ahead.
	if isImportedWork(of) && f.at.latest.After(s.now()) && !f.at.earliest.After(s.now()) {
		f.at.latest = s.now()
	}
	return f
}

// factsAbout gathers the facts that bear on one zone: its own answer first.
func (s *state) factsAbout(h *history, zone pb.Zone, kind pb.ChemicalWork) []*fact {
	own := h.answers[zone][kind]
	before := len(h.considered)
	h.considered = append(h.considered, own)
	if head := h.answers[0][kind]; head.done() && s.headAnswerApplies(h, head, own, zone) {
		h.considered = append(h.considered, head)
	}
	for _, r := range h.recorded {
		if r.Work == kind && s.onZone(r, zone) {
			h.considered = append(h.considered, r)
		}
	}
	return slices.Clip(h.considered[before:])
}

// headAnswerApplies tells whether the head's relaxer is taken to be on a zone. Where the
// zone's own answer says yes, the head's answer dates it if it does not.
func (s *state) headAnswerApplies(h *history, head, own *fact, zone pb.Zone) bool {
	switch {
	case zone == pb.Zone_ZONE_NEW_GROWTH:
		return head.dated && s.daysAgo(head.at.latest) < ungrownDays
	case own.done():
		return !own.dated
	case own.Happened == 0:
		return true
	}
	return !h.someZoneRelaxed()
}

// someZoneRelaxed tells whether some zone is said to be relaxed.
func (h *history) someZoneRelaxed() bool {
	return slices.ContainsFunc(h.answers[1:], func(of [7]*fact) bool { return of[pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE].done() })
}

// Hair grows out: the new growth of a retouch is mid-strand a month later and reaches the
// ends in a year or more. A recorded service on the whole head stays on mid-strand and
// ends until somebody says that they were cut, which is an answer about the zone.

// onZone tells whether recorded work is on a zone now. What was new growth then
// is mid-strand now, and the ends one day.
func (s *state) onZone(f *fact, zone pb.Zone) bool {
	days := s.daysAgo(f.at.latest)
	switch {
	case zone == pb.Zone_ZONE_NEW_GROWTH:
		return days < ungrownDays
	case f.Zone == 0 || f.Zone == zone:
		return true
	}
	return zone == pb.Zone_ZONE_ENDS && s.daysAgo(f.at.earliest) >= reachesEndsDays
}

// Of two that say "done" the later one counts, because every wait and every age of a test
// is counted from it. A date that is missing does not make the others less true: it is
// asked for, and meanwhile the known one counts.

// strictest puts facts together; the first is the zone's own answer.
func strictest(facts []*fact) workStatus {
	k := workStatus{happened: facts[0].Happened, decisive: facts[0], considered: facts}
	for _, f := range facts {
		switch {
		case f.done() && (k.happened != pb.Answer_ANSWER_YES || f.dated && (!k.dated || f.at.latest.After(k.at.latest))):
			k.happened, k.at, k.dated, k.decisive = f.Happened, f.at, f.dated, f
		case f.Happened == pb.Answer_ANSWER_UNSURE && k.happened != pb.Answer_ANSWER_YES:
			k.happened, k.decisive = f.Happened, f
		}
	}
	return k
}

// For relaxers the consultation has a question about the whole head. For the rest it has
// none, and "never" has to be said of three zones; as long as one was not asked, the
// whole head was not asked either.

// wholeHead is what is known of a kind of work anywhere on the head. Whether it is
// known that there was none, the head's answer says for relaxers, and the answers
// for all three zones say for the rest.
func (h *history) wholeHead(kind pb.ChemicalWork) workStatus {
	first := h.answers[0][kind]
	before := len(h.considered)
	if first == nil {
		first = &fact{HistoryFact: &pb.HistoryFact{Work: kind, Happened: pb.Answer_ANSWER_NO}}
		for _, of := range h.answers[1:] {
			if of[kind].Happened == 0 {
				first = of[kind]
			}
		}
	}
	h.considered = append(h.considered, first)
	for _, of := range h.answers[1:] {
		h.considered = append(h.considered, of[kind])
	}
	for _, r := range h.recorded {
		if r.Work == kind {
			h.considered = append(h.considered, r)
		}
	}
	return strictest(slices.Clip(h.considered[before:]))
}

// It ends the time in which a strand test counts, so work that could be later than what is
// known must be named: a question is open if its answer could bring work at all, or date
// work that has no date.

// lastWork is the latest chemical work of any kind that is known, and the
// questions that could name later work. Semi-permanent colour counts.
func (h *history) lastWork() (last *fact, missing []string) {
	head := h.answers[0][pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE]
	switch {
	case head.Happened == 0:
		missing = append(missing, headPath+".happened")
	case head.done() && !head.dated:
		missing = append(missing, headPath+".last_time")
	}
	for _, w := range workKinds() {
		if k := h.status[0][w.kind]; k.dated && (last == nil || k.at.latest.After(last.at.latest)) {
			last = k.decisive
		}
		for _, z := range zones() {
			// The head's answer is about the last relaxer anywhere. Where it is yes,
			// or asked for anyway, the date of a single zone is not needed.
			bounded := w.kind == pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE && (head.Happened == 0 || head.done())
			switch own := h.answers[z.Zone][w.kind]; {
			case own.Happened == 0:
				missing = append(missing, happenedPath(z.Zone, w.kind))
			case own.done() && !own.dated && !bounded:
				missing = append(missing, lastTimePath(z.Zone, w.kind))
			}
		}
	}
	return last, missing
}

// headPath is the answer about relaxers on the whole head.
const headPath = "consultation.history.relaxer"

// zonePath is the path of a zone's field as ask takes it.
func zonePath(zone pb.Zone, name string) string {
	return "zone[" + subjectOf(zone).name[len("zone:"):] + "]." + name
}

// workPaths are the paths of the questions about chemical work on the zones, by zone and
// kind.
var workPaths = func() (paths [4][7]struct{ happened, lastTime string }) {
	for _, z := range zones() {
		for _, w := range workKinds() {
			path := zonePath(z.Zone, w.name)
			paths[z.Zone][w.kind].happened, paths[z.Zone][w.kind].lastTime = path+".happened", path+".last_time"
		}
	}
	return paths
}()

// happenedPath is the question whether a kind of work was done on a zone.
func happenedPath(zone pb.Zone, kind pb.ChemicalWork) string { return workPaths[zone][kind].happened }

// lastTimePath is the question when it was last done.
func lastTimePath(zone pb.Zone, kind pb.ChemicalWork) string { return workPaths[zone][kind].lastTime }

// facts is what is known as the contract has it, zone by zone: the fact that
// counts for each kind of work.
// They are copies with the zone filled in, because one fact of the whole head can
// count for several zones.
func (h *history) facts() []*pb.HistoryFact {
	copies, facts := make([]pb.HistoryFact, 3*6), make([]*pb.HistoryFact, 0, 3*6)
	for _, z := range zones() {
		for _, w := range workKinds() {
			k := &h.status[z.Zone][w.kind]
			if k.happened == 0 {
				continue
			}
			from, f := k.decisive.HistoryFact, &copies[len(facts)]
			if from.Source == pb.HistorySource_HISTORY_SOURCE_RECORD_CARD || isImportedWork(from) {
				f = proto.CloneOf(from) // it may have fields that this program does not know
			} else {
				f.Source, f.Work, f.Happened, f.EarliestTime, f.LatestTime = from.Source, from.Work, from.Happened, from.EarliestTime, from.LatestTime
			}
			f.Zone = z.Zone
			facts = append(facts, f)
		}
	}
	if len(facts) == 0 {
		return nil
	}
	return facts
}
