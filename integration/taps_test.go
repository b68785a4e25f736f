package integration

import (
	"slices"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// mostTaps is how many taps an ordinary service may need from first contact to closing.
// Our own choice: wet fingers tap no more.
const mostTaps = 12

// tapped is a till in the hand of one stylist who follows the guidance. Every tap is one
// call with one fact, noted when it happens.
type tapped struct {
	*chain
	t       *testing.T
	session *pb.Session
	state   *pb.SessionState
	taps    []string
}

// tap notes a fact of this instant.
func (p *tapped) tap(name string, e *pb.Event) {
	p.t.Helper()
	e.EventId, e.OccurTime, e.DeviceSequence = newID(), p.clock.timestamp(), new(noted.Add(1))
	p.state = p.report(p.t, p.session, e).State
	p.taps = append(p.taps, name)
}

// wait lets time pass and reads the state, which is no tap: the till shows it.
func (p *tapped) wait(d time.Duration) {
	p.t.Helper()
	p.clock.advance(d)
	p.state = must(p.t, p.till, p.processing.GetSession, &pb.GetSessionRequest{Name: p.session.Name}).Session.State
}

// calls reports whether the guidance calls for something of a kind.
func (p *tapped) calls(kinds ...pb.AlarmKind) bool {
	return slices.ContainsFunc(p.state.Alarms, func(a *pb.Alarm) bool { return slices.Contains(kinds, a.Kind) })
}

// stage puts product on a stage, tests its strands when the guidance asks, and brings water
// on it when the guidance calls. The hair is an invented one that stays smooth from minute
// 13 and springs back partly from minute 6.
func (p *tapped) stage() {
	p.tap("on", &pb.Event{Fact: &pb.Event_StageApplied{StageApplied: &pb.StageApplied{Part: pb.SectionPart_SECTION_PART_MID_STRAND}}})
	began := p.clock.Now()
	for !p.calls(pb.AlarmKind_ALARM_KIND_RINSE_DUE, pb.AlarmKind_ALARM_KIND_TARGET_NEAR, pb.AlarmKind_ALARM_KIND_RINSE_NOW) {
		if !p.calls(pb.AlarmKind_ALARM_KIND_STRAND_TEST_DUE) {
			p.wait(10 * time.Second)
			continue
		}
		reading := pb.CurlReading_CURL_READING_SPRINGS_BACK
		switch minutes := p.clock.Now().Sub(began).Minutes(); {
		case minutes >= 13:
			reading = pb.CurlReading_CURL_READING_STAYS_SMOOTH
		case minutes >= 6:
			reading = pb.CurlReading_CURL_READING_PARTLY
		}
		p.tap("test", &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{Reading: reading}}})
	}
	p.wait(time.Minute) // the way to the bowl
	p.tap("water", &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}})
	p.wait(5 * time.Minute)
}

// neutralize is the normalizer and three lathers: colour, colour, and then none. One tap
// after the last lather says what was seen.
func (p *tapped) neutralize() {
	p.wait(15 * time.Minute)
	p.tap("lathers", &pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{AfterNormalizer: true, Lathers: new(int32(3)),
		EarlierIndicator: pb.IndicatorColour_INDICATOR_COLOUR_ALKALI, Indicator: pb.IndicatorColour_INDICATOR_COLOUR_CLEAR}}})
}

// neutralizeOneByOne is the same, noted as it happens.
func (p *tapped) neutralizeOneByOne() {
	p.tap("normalizer on", &pb.Event{Fact: &pb.Event_NormalizerOn{NormalizerOn: &pb.NormalizerOn{}}})
	p.wait(5 * time.Minute)
	p.tap("normalizer out", &pb.Event{Fact: &pb.Event_NormalizerOff{NormalizerOff: &pb.NormalizerOff{}}})
	for _, colour := range []pb.IndicatorColour{pb.IndicatorColour_INDICATOR_COLOUR_ALKALI, pb.IndicatorColour_INDICATOR_COLOUR_ALKALI, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR} {
		p.wait(2 * time.Minute)
		p.tap("lather", &pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{Indicator: colour}}})
	}
}

// prepared is a service before first contact, with everything noted that must be.
func (c *chain) prepared(t *testing.T, d *pb.Decision) *tapped {
	t.Helper()
	session := c.begin(t, d)
	facts := []*pb.Event{eventAt(session, 0, based()), eventAt(session, 0, &pb.Event{Fact: &pb.Event_ProductConfirmed{ProductConfirmed: &pb.ProductConfirmed{
		Product: c.relaxer, LotCode: c.relaxerLot, Scanned: true}}})}
	for _, condition := range session.Conditions {
		if condition.BeforeContact {
			facts = append(facts, eventAt(session, 0, met(condition)))
		}
	}
	c.report(t, session, facts...)
	c.clock.advance(5 * time.Minute)
	return &tapped{chain: c, t: t, session: session}
}

// ordinaryService plays a whole service from first contact to closing, and checks what is
// recorded of it.
func (p *tapped) ordinaryService(d *pb.Decision, neutralize func()) {
	p.t.Helper()
	for range d.Plan.Stages {
		p.stage()
		neutralize()
	}
	outcome := must(p.t, p.amara, p.outcome.RecordOutcome, &pb.RecordOutcomeRequest{Parent: parent(p.session.Name), RequestId: newID(),
		Outcome: &pb.Outcome{Session: p.session.Name, Completed: true, ScalpChanged: no}}).Outcome
	p.taps = append(p.taps, "close")
	p.t.Logf("%d stages, %d taps: %s", len(d.Plan.Stages), len(p.taps), strings.Join(p.taps, ", "))
	if len(p.taps) > mostTaps {
		p.t.Errorf("%d taps, at most %d are wanted", len(p.taps), mostTaps)
	}
	if len(outcome.Deviations) > 0 || outcome.NeutralProof != pb.NeutralProof_NEUTRAL_PROOF_COLOUR_GONE {
		p.t.Errorf("deviations %v, neutral by %v", outcome.Deviations, outcome.NeutralProof)
	}
	if len(outcome.Sections) != len(d.Plan.Sections) {
		p.t.Errorf("%d sections are on record, %d were planned", len(outcome.Sections), len(d.Plan.Sections))
	}
	for _, s := range outcome.Sections {
		first := slices.ContainsFunc(d.Plan.Stages, func(stage *pb.PlannedStage) bool { return stage.SectionIds[0] == s.SectionId })
		if s.ContactAssumed == first || s.GetExposureMinutes() < 5 || s.GetExposureMinutes() > 18 {
			p.t.Errorf("%s: contact assumed %v, %v minutes", s.SectionId, s.ContactAssumed, s.GetExposureMinutes())
		}
	}
}

// An ordinary retouch, from first contact to closing: every fact is true, and it takes few
// taps. A head of two stages notes its lathers when the last one is done; one of a single
// stage can note each.
func TestOrdinaryServiceTakesFewTaps(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "taps")
	for name, sections := range map[string]int{"a whole head in two stages": 4, "a head in one stage": 2} {
		divided := func(k *pb.Consultation) { k.Hair.Sections = k.Hair.Sections[:sections] }
		d := wantVerdict(t, c.served(t, c.client(t), pb.ServiceKind_SERVICE_KIND_RETOUCH, c.relaxedZones(63, 63, 63), divided), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
		if want := sections / 2; len(d.Plan.Stages) != want {
			t.Fatalf("%s: %d stages, this test needs %d", name, len(d.Plan.Stages), want)
		}
		p := c.prepared(t, d)
		if p.session.GuidanceRevision == 0 {
			t.Errorf("%s: the session does not store the revision of its guidance", name)
		}
		if len(d.Plan.Stages) == 1 {
			p.ordinaryService(d, p.neutralizeOneByOne)
		} else {
			p.ordinaryService(d, p.neutralize)
		}
	}
}
