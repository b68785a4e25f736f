package timing

import (
	"fmt"
	"slices"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"
)

// drawFact is anything that may happen in a salon, sensible or not.
func drawFact(t *rapid.T) *pb.Event {
	section := rapid.SampledFrom([]string{"back-left", "back-right", "hairline", "fringe"}).Draw(t, "section")
	head := rapid.SampledFrom([]string{"", section}).Draw(t, "section or head")
	switch rapid.IntRange(0, 17).Draw(t, "kind") {
	case 0:
		return based()
	case 1, 2:
		return part(section, pb.SectionPart(rapid.IntRange(1, 3).Draw(t, "part")))
	case 3, 4:
		e := strand(section, rapid.Float64Range(0, 100).Draw(t, "remaining"))
		e.GetStrandTest().Distressed = rapid.IntRange(0, 9).Draw(t, "distress") == 0
		return e
	case 5:
		return says(head, pb.Comfort(rapid.IntRange(1, 3).Draw(t, "comfort")))
	case 6:
		return water(head)
	case 7:
		return rinsedOutFact()
	case 8:
		return normalizerOn()
	case 9:
		return normalizerOff()
	case 10, 11:
		e := shampoo(int32(rapid.IntRange(1, 5).Draw(t, "number")), pb.IndicatorColour(rapid.IntRange(0, 2).Draw(t, "colour")))
		if rapid.Bool().Draw(t, "paper") {
			ph := rapid.Float64Range(0, 14).Draw(t, "ph")
			e.GetShampoo().Ph = &ph
		}
		return e
	case 12:
		return used(relaxer, "L1")
	}
	return drawNewerFact(t, head)
}

// drawNewerFact is a fact of water, splashes, preparation, thio or a mixture.
func drawNewerFact(t *rapid.T, head string) *pb.Event {
	place := pb.Place(rapid.IntRange(0, 4).Draw(t, "place"))
	return rapid.SampledFrom([]func() *pb.Event{
		stopped, conditioned, func() *pb.Event { return looked(true) },
		func() *pb.Event { return waterOn(place, head) }, func() *pb.Event { return waterOn(place, head) },
		func() *pb.Event { return waterOff(place, head) }, func() *pb.Event { return waterOff(place, head) },
		func() *pb.Event { return splash(place) }, func() *pb.Event { return splash(place) },
		func() *pb.Event { return help(rapid.Bool().Draw(t, "took over")) },
		func() *pb.Event { return said(head, pb.CurlReading(rapid.IntRange(0, 3).Draw(t, "word"))) },
		func() *pb.Event { return confirmed(relaxer, "L1") },
		func() *pb.Event { return met("cond.gloves", "") },
		func() *pb.Event { return stageOn(pb.SectionPart_SECTION_PART_MID_STRAND) },
		func() *pb.Event { return several(3, pink, clear) },
		mixed, discarded, blotted, neutralizerOn, neutralizerOff,
		func() *pb.Event { return unheardOf(rapid.Bool().Draw(t, "rinse now")) },
	}).Draw(t, "rest")()
}

// drawTimeline is a session of up to 30 facts, some at the same instant.
func drawTimeline(t *rapid.T) *timeline {
	s := newTimeline(regular())
	if rapid.IntRange(0, 4).Draw(t, "without decision") == 0 {
		s.session.Decision, s.session.Plan = "", nil
	}
	if rapid.IntRange(0, 2).Draw(t, "newer session") > 0 {
		s.session.ProductKind = pb.ProductKind(rapid.IntRange(1, 2).Draw(t, "product kind"))
		s.session.Conditions = []*pb.ConditionState{{ConditionId: "c1", RuleId: "cond.gloves", BeforeContact: true}}
		s.session.Limits.UseWithinMinutes = new(float64(rapid.IntRange(0, 20).Draw(t, "use within")))
	}
	for range rapid.IntRange(0, 30).Draw(t, "facts") {
		s.at(float64(rapid.IntRange(-20, 160).Draw(t, "quarter minutes"))/4, drawFact(t))
	}
	return s
}

// till is a state machine: facts of one session leave the till in any order, some
// more than once, some very late, and the state is made again after each.
type till struct {
	timeline *timeline
	waiting  []int // facts not sent yet
	arrived  []*pb.StoredEvent
	clock    time.Time
}

func (m *till) send(t *rapid.T) {
	if len(m.waiting) == 0 {
		return
	}
	i := rapid.IntRange(0, len(m.waiting)-1).Draw(t, "which")
	m.record(t, m.waiting[i])
	m.waiting = slices.Delete(m.waiting, i, i+1)
}

func (m *till) sendAgain(t *rapid.T) {
	if len(m.arrived) == 0 {
		return
	}
	again := rapid.SampledFrom(m.arrived).Draw(t, "again")
	m.record(t, slices.IndexFunc(m.timeline.events, func(e *pb.StoredEvent) bool { return e.Event.EventId == again.Event.EventId }))
}

func (m *till) record(t *rapid.T, i int) {
	m.clock = m.clock.Add(time.Duration(rapid.IntRange(0, 1000).Draw(t, "seconds later")) * time.Second)
	m.arrived = append(m.arrived, &pb.StoredEvent{
		Event:      m.timeline.events[i].Event,
		RecordTime: stamp(m.clock),
		Sequence:   int64(len(m.arrived) + 1),
	})
}

// check: what has arrived is all there and counted once.
func (m *till) check(t *rapid.T) {
	ids := map[string]bool{}
	for _, e := range m.arrived {
		ids[e.Event.EventId] = true
	}
	if got := Fold(m.timeline.session, m.arrived, minute(1e4)).Sequence; got != int64(len(ids)) {
		t.Fatalf("%d facts arrived, the state rests on %d", len(ids), got)
	}
}

// Any interleaving, duplication and delay of a session's facts gives the same final
// state, and no fact is lost.
func TestAnyOrderOfArrivalGivesTheSameState(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := &till{timeline: drawTimeline(t), clock: minute(60)}
		for i := range m.timeline.events {
			m.waiting = append(m.waiting, i)
		}
		t.Repeat(map[string]func(*rapid.T){"send": m.send, "send again": m.sendAgain, "": m.check})
		for len(m.waiting) > 0 {
			m.record(t, m.waiting[0])
			m.waiting = m.waiting[1:]
		}
		// The same facts in the order in which they happened, recorded at once.
		for _, at := range []time.Time{minute(7), minute(41), minute(1e4)} {
			want, got := Fold(m.timeline.session, m.timeline.events, at), Fold(m.timeline.session, m.arrived, at)
			if !proto.Equal(want, got) {
				t.Fatalf("at %v:\n%v\nin another order:\n%v", at, want, got)
			}
		}
		want, got := ClosingDeviations(m.timeline.session, m.timeline.events, minute(1e4)), ClosingDeviations(m.timeline.session, m.arrived, minute(1e4))
		if fmt.Sprint(deviationWords(want)) != fmt.Sprint(deviationWords(got)) {
			t.Fatalf("closing: %v and %v", deviationWords(want), deviationWords(got))
		}
	})
}

// Laws of every state, however wild the facts.
func TestEveryStateIsSafe(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawTimeline(t)
		at := minute(float64(rapid.IntRange(-20, 200).Draw(t, "quarter minutes")) / 4)
		state := Fold(s.session, s.events, at)
		rinseAll := slices.Contains(alarmWords(state.Alarms), "RINSE_NOW ")
		for _, c := range state.Sections {
			called := rinseAll || slices.Contains(alarmWords(state.Alarms), "RINSE_NOW "+c.SectionId)
			on := c.LatestRinseTime != nil
			if on && !at.Before(c.HardLimitTime.AsTime()) && !called {
				t.Fatalf("%s is at its limit and nobody is called", c.SectionId)
			}
			due := slices.Contains(alarmWords(state.Alarms), "RINSE_DUE "+c.SectionId)
			if on && !at.Before(c.LatestRinseTime.AsTime()) && !called && !due {
				t.Fatalf("%s is at its latest rinse and nobody is called", c.SectionId)
			}
			if on && c.LatestRinseTime.AsTime().After(c.HardLimitTime.AsTime()) {
				t.Fatalf("%s is called after its limit", c.SectionId)
			}
			if c.ExposureMinutes < 0 {
				t.Fatalf("%s: %v minutes", c.SectionId, c.ExposureMinutes)
			}
			for _, e := range []*pb.Estimate{c.StraighteningPercent, c.MinutesToTarget, c.MinutesToCap} {
				if e != nil && !(e.Low <= e.Value && e.Value <= e.High) {
					t.Fatalf("%s: estimate %v", c.SectionId, e)
				}
			}
		}
		for i, a := range state.Alarms {
			if i > 0 && contract.CompareRank(state.Alarms[i-1].Kind, a.Kind) < 0 {
				t.Fatalf("a milder alarm stands before a more severe one: %v", alarmWords(state.Alarms))
			}
			if a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_NOW && a.Cause == pb.AlarmCause_ALARM_CAUSE_UNSPECIFIED {
				t.Fatalf("a call to rinse without a cause: %v", a)
			}
		}
		for _, w := range state.Flushes {
			short := w.GetFlushedMinutes() < w.GetLeastMinutes()
			if !w.HelpTookOver && short && !slices.ContainsFunc(state.Alarms, func(a *pb.Alarm) bool { return callsForWater(a.Kind) && a.Place == w.Place }) {
				t.Fatalf("nobody is called to flush: %v among %v", w, state.Alarms)
			}
		}
		if state.Neutral && state.Shampoos < fewestShampoos && !IsThio(s.session) {
			t.Fatalf("neutral after %d lathers", state.Shampoos)
		}
		for i := 1; i < len(state.Deviations); i++ {
			if state.Deviations[i].OccurTime.AsTime().Before(state.Deviations[i-1].OccurTime.AsTime()) {
				t.Fatal("deviations out of order")
			}
		}
		if next, ok := NextChange(s.session, s.events, state); ok && !next.After(at) {
			t.Fatalf("waits until %v at %v", next, at)
		}
	})
}

// Until the next instant named by NextChange neither alarms nor deviations change.
func TestGuidanceChangesOnlyWhenItSaid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawTimeline(t)
		state := s.stateAt(40)
		next, ok := NextChange(s.session, s.events, state)
		if !ok {
			next = minute(1e4)
		}
		share := rapid.Float64Range(0, 0.999).Draw(t, "share")
		between := Fold(s.session, s.events, minute(40).Add(time.Duration(share*float64(next.Sub(minute(40))))))
		if !slices.Equal(alarmWords(state.Alarms), alarmWords(between.Alarms)) || len(NewDeviations(state, between)) > 0 {
			t.Fatalf("%v %v, and before %v: %v %v", alarmWords(state.Alarms), deviationWords(state.Deviations), next, alarmWords(between.Alarms), deviationWords(between.Deviations))
		}
	})
}

func BenchmarkFoldWholeService(b *testing.B) {
	s := newTimeline(regular()).at(-1, based())
	for i, p := range s.session.Plan.Sections {
		s.at(float64(3*i), applied(p.SectionId))
		for j := range 5 {
			s.at(float64(3*i)+5+2*float64(j), strand(p.SectionId, 75-12*float64(j)))
		}
	}
	for b.Loop() {
		s.stateAt(20)
	}
}
