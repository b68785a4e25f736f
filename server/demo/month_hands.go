package demo

import (
	"cmp"
	"math"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// hands are the hands of a stylist during the processing, and the true hair under them.
type hands struct {
	// Longest minutes from an alarm to the hand, and the minutes to the bowl.
	delay, way float64
	// The true rate of each section, in logarithms. Only an eye at a strand test ever
	// sees it, and with an error.
	rates map[string]float64
	// One tap stands for all sections of the stage. What was left of a stage is tapped
	// section by section, because the server cannot know which sections these are.
	wholeStage bool
	// Sections that have product on, since when.
	contact map[string]time.Time
	// The last strand test, and whether the strand stayed smooth.
	lastTest time.Time
	smooth   bool
	// Zero: no product has touched the hair yet.
	firstContact time.Time
	// When the accident of an unlucky visit comes about.
	accidentAt time.Time
	// An accident ended the processing.
	ended bool
}

// Which times are true
//
// Three times of the same thing are kept apart: when it happened (the simulated clock), when
// the till says that it happened (its own clock), and when the server hears of it (at once,
// or when the till is online again). Hands see and decide by the first; the server only
// knows the other two.

// slips reports whether the danger of this visit is a slip of a kind. A slip is
// planted when the hands come to it.
func (v *visit) slips(s slip) bool { return v.danger != nil && v.danger.slip == s }

// prepare does what comes before the first contact: consent, base, the conditions
// that must be met by then, and the jar. Conditions are ticked off one by one,
// since each is a thing to do; those of the time after come with no tap of their
// own. A thio lotion needs no base. Three minutes pass for cape, gloves and base.
func (v *visit) prepare() {
	v.hands = hands{delay: carefulDelay, contact: map[string]time.Time{}, accidentAt: v.clock.Now().Add(24 * time.Hour)}
	v.way = minutesToBowl * uniform(v.random, shortestWay, longestWay)
	v.rates = v.truth.rates(v.random, v.session.GetPlan().GetSections())
	if v.how == careless {
		v.delay = carelessDelay
	}
	v.record(consentConfirmed())
	v.pause(3)
	var ready []*pb.Event
	if v.kind != waveVisit {
		ready = append(ready, baseApplied())
	}
	for _, c := range v.decision.GetConditions() {
		if c.GetBeforeContact() && c.GetRuleId() != "" {
			ready = append(ready, conditionMet(c))
		}
	}
	switch inUse := v.decision.GetInputs().GetProduct().GetName(); {
	case v.slips(jarNotScanned):
		v.planted = true
	case v.slips(otherJar):
		ready = append(ready, productConfirmed(v.otherRelaxer(), soundLot))
		v.planted = true
	default:
		ready = append(ready, productConfirmed(inUse, v.decision.GetInputs().GetLotCode()))
	}
	if len(ready) > 0 {
		v.record(ready...)
	}
	v.pause(1)
}

// otherRelaxer is a jar that was not decided on. It is stronger where that is
// possible, which is the dangerous mistake.
func (v *visit) otherRelaxer() string {
	if v.product == superRelaxer {
		return mild
	}
	return superRelaxer
}

// process applies, tests and rinses the stages of the plan, one after the other. What a
// stage could not take becomes a stage of its own. Between two stages the hair is brought
// to neutral, as the plan says.
func (v *visit) process() {
	if v.losesServer {
		v.offlineFrom = v.clock.Now().Add(minutesOf(v.random.Float64() * offlineFrom))
		v.offlineUntil = v.offlineFrom.Add(minutesOf(uniform(v.random, offlineShortest, offlineLongest)))
	}
	if v.accident != nil {
		v.accidentAt = v.clock.Now().Add(minutesOf(uniform(v.random, 5, 9)))
	}
	for i, stage := range v.session.GetPlan().GetStages() {
		left := stage.GetSectionIds()
		for len(left) > 0 && !v.ended && !v.failed() {
			if i > 0 || len(left) < len(stage.GetSectionIds()) {
				v.neutralize(3) // the stage before must be neutral first
			}
			v.stages++
			v.wholeStage = v.by.fewTaps && len(left) == len(stage.GetSectionIds()) && v.quicklyApplied(stage)
			left = v.serve(left)
		}
	}
}

// quicklyApplied reports whether all of a stage is on before its first strand test, at this
// stylist's own pace. Only then may one tap stand for the stage: a section that is not
// reached would count as exposed.
func (v *visit) quicklyApplied(stage *pb.PlannedStage) bool {
	takes := v.by.pace * (1 + trueSectionPaceSpread) * float64(len(stage.GetSectionIds()))
	return !slices.ContainsFunc(v.session.GetPlan().GetSections(), func(s *pb.PlannedSection) bool {
		return slices.Contains(stage.GetSectionIds(), s.GetSectionId()) && s.GetFirstStrandTestMinute() < takes
	})
}

// serve applies sections and tests strands until the guidance calls to the bowl, then
// rinses. It returns the sections that were left for another stage. There is one pair of
// hands: while it applies a section, nothing else is done, and a call waits. The order of
// the cases is what a stylist does first.
func (v *visit) serve(left []string) []string {
	for !v.failed() {
		now := v.clock.Now()
		called, test := v.called(), v.dueTest()
		switch {
		case v.accident != nil && v.accident.happen != nil && len(v.contact) > 0 && !now.Before(v.accidentAt):
			v.planted = true
			v.accident.happen(v)
			v.ended = true
			return nil
		case called:
			v.rinse()
			return left
		case test != "":
			v.testStrand(test)
		case len(left) > 0 && v.hasTime():
			v.apply(left[0])
			left = left[1:]
		default:
			v.idle()
		}
	}
	return nil
}

// apply puts product on a section. A stylist who taps once for a stage does so at its
// first section, from which the server then counts all of them.
func (v *visit) apply(id string) {
	if v.firstContact.IsZero() {
		v.firstContact = v.clock.Now()
	}
	switch {
	case !v.wholeStage:
		v.record(sectionApplied(id))
	case len(v.contact) == 0:
		v.record(stageApplied())
	}
	v.contact[id] = v.clock.Now()
	v.pause(v.by.pace * math.Exp(trueSectionPaceSpread*v.random.NormFloat64()))
	v.look()
}

// called reports whether it is time to go to the bowl: the screen says so or,
// without the server, the printed times or the last strand test do. A careless
// stylist who leaves it on too long waits for the alarm that cannot be overlooked.
// A stage goes together, so one section's call is enough. Water is never started
// because of a strand test that is due.
func (v *visit) called() bool {
	if len(v.contact) == 0 {
		return false
	}
	if v.offline() {
		return v.smooth || slices.ContainsFunc(v.planned(), func(s *pb.PlannedSection) bool {
			return v.minutesOn(s.GetSectionId()) >= s.GetLatestRinseMinute()
		})
	}
	if v.pastLimit() {
		return true
	}
	return slices.ContainsFunc(v.state.GetAlarms(), func(a *pb.Alarm) bool {
		switch a.GetKind() {
		case pb.AlarmKind_ALARM_KIND_RINSE_NOW:
			return true
		case pb.AlarmKind_ALARM_KIND_RINSE_DUE, pb.AlarmKind_ALARM_KIND_TARGET_NEAR:
			return !v.slips(staysTooLong)
		}
		return false
	})
}

// pastLimit reports whether a section is past its hard limit and the screen says
// nothing, which must never be; a stylist then goes by the wall clock. Such a
// session is reported by name and fails the month.
func (v *visit) pastLimit() bool {
	silent := !slices.ContainsFunc(v.state.GetAlarms(), func(a *pb.Alarm) bool { return a.GetKind() == pb.AlarmKind_ALARM_KIND_RINSE_NOW }) &&
		slices.ContainsFunc(v.planned(), func(s *pb.PlannedSection) bool {
			return v.minutesOn(s.GetSectionId()) > s.GetHardLimitMinute()+limitSlack
		})
	v.silent = v.silent || silent
	return silent
}

// limitSlack is how many minutes after the limit its alarm must be on the screen: a step
// of the clock and a glance at the till.
const limitSlack = glance + 0.5

// planned lists the planned sections that have product on. They are in the order of
// the plan.
func (v *visit) planned() []*pb.PlannedSection {
	return slices.DeleteFunc(slices.Clone(v.session.GetPlan().GetSections()), func(s *pb.PlannedSection) bool {
		return v.contact[s.GetSectionId()].IsZero()
	})
}

// minutesOn is how long product has been on a section. It is the true time,
// whatever the till has recorded.
func (v *visit) minutesOn(id string) float64 {
	if v.contact[id].IsZero() {
		return 0
	}
	return v.clock.Now().Sub(v.contact[id]).Minutes()
}

// dueTest is the section whose strand test has been due longest; "" when none is.
// Without the server, tests come as printed: from the planned minute on, then at
// the planned interval. A test that is due for several sections begins with the one
// that has waited longest. With one tap for the stage, the strand that has had
// product on for longest speaks for all.
func (v *visit) dueTest() string {
	if len(v.contact) == 0 {
		return ""
	}
	if v.slips(testsSkipped) || v.slips(staysTooLong) {
		v.planted = v.planted || v.slips(testsSkipped)
		return ""
	}
	id, since := "", v.clock.Now()
	if v.offline() {
		for _, s := range v.planned() {
			rested := v.clock.Now().Sub(v.lastTest).Minutes() >= v.session.GetPlan().GetStrandTestMinutes()
			if v.minutesOn(s.GetSectionId()) >= s.GetFirstStrandTestMinute() && rested {
				return s.GetSectionId()
			}
		}
		return ""
	}
	for _, s := range v.state.GetSections() {
		if due := s.GetNextStrandTestTime(); due != nil && !due.AsTime().After(since) {
			id, since = s.GetSectionId(), due.AsTime()
		}
	}
	if id != "" && v.wholeStage {
		return v.longestOn()
	}
	return id
}

// longestOn is the section that has had product on for longest. Its strand is the
// furthest, so it is the one to look at.
func (v *visit) longestOn() string {
	all := v.planned()
	longest := slices.MaxFunc(all, func(a, b *pb.PlannedSection) int {
		return cmp.Compare(v.minutesOn(a.GetSectionId()), v.minutesOn(b.GetSectionId()))
	})
	return longest.GetSectionId()
}

// testStrand tests a strand, and records what the eye says in words. Hands come
// after a moment, unless they are testing already. The eye's error is in logits, as
// the engine assumes: it is small near both ends of the curl. The reading is not
// clipped to what would be expected: an eye may be wrong.
func (v *visit) testStrand(id string) {
	if v.clock.Now().Sub(v.lastTest) > time.Minute {
		v.pause(v.delay * v.random.Float64())
	}
	v.lastTest = v.clock.Now()
	if v.how != careless || v.random.Float64() >= carelessSkips {
		// Logits need a share strictly between none and all.
		left := min(0.999, max(0.001, 1-straightenedShare(v.minutesOn(id), v.rates[id])))
		seen := 1 / (1 + math.Exp(-math.Log(left/(1-left))-eyeError*v.random.NormFloat64()))
		reading := pb.CurlReading_CURL_READING_PARTLY
		switch {
		case seen > eyeSpringsShare:
			reading = pb.CurlReading_CURL_READING_SPRINGS_BACK
		case seen < eyeSmoothShare:
			reading = pb.CurlReading_CURL_READING_STAYS_SMOOTH
		}
		v.smooth = reading == pb.CurlReading_CURL_READING_STAYS_SMOOTH
		if v.wholeStage {
			id = "" // for the whole head
		}
		v.record(strandTest(id, reading))
	}
	v.pause(testTakes)
}

// hasTime reports whether another section can be put on before one that is on must
// be rinsed: what cannot be finished is not begun. Without the server, the printed
// times decide. The pace is the stylist's own, which she knows better than any
// plan.
func (v *visit) hasTime() bool {
	if v.offline() {
		return !slices.ContainsFunc(v.planned(), func(s *pb.PlannedSection) bool {
			return v.minutesOn(s.GetSectionId())+v.by.pace > s.GetLatestRinseMinute()
		})
	}
	until := v.clock.Now().Add(minutesOf(v.by.pace))
	return !slices.ContainsFunc(v.state.GetSections(), func(s *pb.SectionState) bool {
		return s.GetLatestRinseTime() != nil && s.GetLatestRinseTime().AsTime().Before(until)
	})
}

// idle waits until something is due, but looks at the till now and then. The times
// come from the state on the screen; a call that the estimate brings forward is
// seen at the next glance. An accident is due as well, though nobody knows it.
func (v *visit) idle() {
	now := v.clock.Now()
	next := now.Add(glance * time.Minute)
	for _, s := range v.state.GetSections() {
		for _, due := range []time.Time{s.GetNextStrandTestTime().AsTime(), s.GetLatestRinseTime().AsTime(), s.GetHardLimitTime().AsTime()} {
			if due.After(now) && due.Before(next) {
				next = due
			}
		}
	}
	if v.accidentAt.After(now) && v.accidentAt.Before(next) {
		next = v.accidentAt
	}
	v.wait(next)
	v.look()
}

// rinse brings water on the stage after a moment and the way to the bowl. Both add
// up to what the server cannot know when it calls.
func (v *visit) rinse() {
	v.planted = v.planted || v.slips(staysTooLong)
	v.pause(v.delay*v.random.Float64() + v.way)
	v.water()
	v.pause(4)
	if !v.wholeStage {
		v.record(rinseFinished()) // else the lathers say so
	}
}

// water is water on the whole head: the clocks of all sections stop. What the true
// straightening has come to by then is noted, which no server can know.
func (v *visit) water() {
	for id := range v.contact {
		v.capPassed = v.capPassed || straightenedShare(v.minutesOn(id), v.rates[id]) > 0.8
	}
	v.record(waterOn(head))
	v.contact, v.smooth = map[string]time.Time{}, false
}
