package timing

import (
	"fmt"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
	"google.golang.org/protobuf/proto"
)

// timeline is a session written down minute by minute, as a test tells it. The salon,
// its products and its clients are invented.
type timeline struct {
	session *pb.Session
	events  []*pb.StoredEvent
}

var opening = time.Date(2026, 3, 5, 9, 0, 0, 0, time.UTC)

const relaxer = "chains/ebb-and-flow/products/tideline-regular"

// minute is so many minutes after the timeline's beginning.
func minute(m float64) time.Time { return opening.Add(minutes(m)) }

// regular is a decision's inputs: medium hair of normal porosity, curl type VI, a
// product of regular strength for it with a usual time of 12 minutes, limit 18.
func regular() *pb.DecisionInputs {
	return &pb.DecisionInputs{
		DecideTime:  stamp(minute(-20)),
		ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN,
		Consultation: &pb.Consultation{Hair: &pb.HairAnalysis{
			Texture:  pb.Texture_TEXTURE_MEDIUM,
			CurlType: pb.CurlType_CURL_TYPE_IV,
			Zones: []*pb.HairZone{
				{Zone: pb.Zone_ZONE_NEW_GROWTH, Porosity: pb.Porosity_POROSITY_NORMAL},
				{Zone: pb.Zone_ZONE_MID_STRAND, Porosity: pb.Porosity_POROSITY_NORMAL},
			},
		}},
		Product: &pb.Product{
			Name:     relaxer,
			Kind:     pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER,
			Strength: pb.Strength_STRENGTH_REGULAR,
			Directions: &pb.Directions{
				UsualMinutes:   proto.Int32(12),
				MaximumMinutes: proto.Int32(18),
				BaseNeeded:     pb.Answer_ANSWER_YES,
			},
		},
	}
}

// newTimeline is a session that follows its decision.
func newTimeline(in *pb.DecisionInputs) *timeline {
	return &timeline{session: &pb.Session{
		Decision:  "chains/ebb-and-flow/clients/invented/decisions/first",
		Product:   in.GetProduct().GetName(),
		StartTime: stamp(minute(-5)),
		Plan:      Plan(in),
		Limits:    Limits(in),

		GuidanceRevision: Revision,
	}}
}

// ofRevision is the session with the guidance of a revision.
func (s *timeline) ofRevision(revision int32) *timeline {
	s.session.GuidanceRevision = revision
	return s
}

// at adds a fact that is recorded as it happens.
func (s *timeline) at(m float64, e *pb.Event) *timeline { return s.when(minute(m), e) }

func (s *timeline) when(t time.Time, e *pb.Event) *timeline {
	n := int64(len(s.events) + 1)
	e.EventId = fmt.Sprintf("00000000-0000-4000-8000-%012d", n)
	e.DeviceSequence = &n
	e.OccurTime = stamp(t)
	s.events = append(s.events, &pb.StoredEvent{Event: e, RecordTime: stamp(t), Sequence: n})
	return s
}

// stateAt is the state at a minute.
func (s *timeline) stateAt(m float64) *pb.SessionState { return Fold(s.session, s.events, minute(m)) }

func based() *pb.Event {
	return &pb.Event{Fact: &pb.Event_BaseApplied{BaseApplied: &pb.BaseApplied{WholeScalp: true}}}
}

func applied(section string) *pb.Event {
	return part(section, pb.SectionPart_SECTION_PART_MID_STRAND)
}

func part(section string, p pb.SectionPart) *pb.Event {
	return &pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{SectionId: section, Part: p}}}
}

func strand(section string, remaining float64) *pb.Event {
	return &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: section, RemainingCurlPercent: new(remaining)}}}
}

func gummy(section string, remaining float64) *pb.Event {
	e := strand(section, remaining)
	e.GetStrandTest().Distressed = true
	return e
}

func says(section string, c pb.Comfort) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{SectionId: section, Comfort: c}}}
}

func burns(section string) *pb.Event { return says(section, pb.Comfort_COMFORT_BURNING) }

func water(section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{SectionId: section}}}
}

func rinsedOutFact() *pb.Event {
	return &pb.Event{Fact: &pb.Event_RinseFinished{RinseFinished: &pb.RinseFinished{}}}
}

func normalizerOn() *pb.Event {
	return &pb.Event{Fact: &pb.Event_NormalizerOn{NormalizerOn: &pb.NormalizerOn{}}}
}

func normalizerOff() *pb.Event {
	return &pb.Event{Fact: &pb.Event_NormalizerOff{NormalizerOff: &pb.NormalizerOff{}}}
}

const (
	unseen = pb.IndicatorColour_INDICATOR_COLOUR_UNSPECIFIED
	pink   = pb.IndicatorColour_INDICATOR_COLOUR_ALKALI
	clear  = pb.IndicatorColour_INDICATOR_COLOUR_CLEAR
)

func shampoo(number int32, colour pb.IndicatorColour) *pb.Event {
	return &pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{Number: new(number), Indicator: colour}}}
}

func paper(number int32, colour pb.IndicatorColour, ph float64) *pb.Event {
	e := shampoo(number, colour)
	e.GetShampoo().Ph = &ph
	return e
}

func conditioned() *pb.Event {
	return &pb.Event{Fact: &pb.Event_Conditioned{Conditioned: &pb.Conditioned{}}}
}

func used(product, lot string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ProductUsed{ProductUsed: &pb.ProductUsed{Product: product, LotCode: lot}}}
}

func looked(changed bool) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ScalpChecked{ScalpChecked: &pb.ScalpChecked{Changed: changed}}}
}

func stopped() *pb.Event {
	return &pb.Event{Fact: &pb.Event_Stopped{Stopped: &pb.Stopped{Reason: "the client had to leave"}}}
}

func waterOn(p pb.Place, section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_WaterOn{WaterOn: &pb.WaterOn{Place: p, SectionId: section}}}
}

func waterOff(p pb.Place, section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_WaterOff{WaterOff: &pb.WaterOff{Place: p, SectionId: section}}}
}

func splash(p pb.Place) *pb.Event {
	return &pb.Event{Fact: &pb.Event_Splash{Splash: &pb.Splash{Place: p}}}
}

func help(tookOver bool) *pb.Event {
	return &pb.Event{Fact: &pb.Event_HelpCalled{HelpCalled: &pb.HelpCalled{Kind: pb.HelpKind_HELP_KIND_EMERGENCY, TookOver: tookOver}}}
}

// tookOver is help of a kind that took over.
func tookOver(k pb.HelpKind) *pb.Event {
	e := help(true)
	e.GetHelpCalled().Kind = k
	return e
}

// received changes when the server received the nth fact.
func received(s *timeline, n int, m float64) *timeline {
	s.events[n-1].RecordTime = stamp(minute(m))
	return s
}

// unmeasured makes the till's clock one that nobody knows.
func unmeasured(s *timeline) *timeline {
	s.session.CreateTime, s.session.Clock = s.session.StartTime, &pb.ClockState{}
	return s
}

// said is a strand test in words.
func said(section string, word pb.CurlReading) *pb.Event {
	return &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: section, Reading: word}}}
}

func confirmed(product, lot string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ProductConfirmed{ProductConfirmed: &pb.ProductConfirmed{Product: product, LotCode: lot}}}
}

func met(rule, subject string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ConditionMet{ConditionMet: &pb.ConditionMet{RuleId: rule, Subject: subject}}}
}

func mixed() *pb.Event     { return &pb.Event{Fact: &pb.Event_Mixed{Mixed: &pb.Mixed{}}} }
func discarded() *pb.Event { return &pb.Event{Fact: &pb.Event_Discarded{Discarded: &pb.Discarded{}}} }
func blotted() *pb.Event   { return &pb.Event{Fact: &pb.Event_Blotted{Blotted: &pb.Blotted{}}} }

func neutralizerOn() *pb.Event {
	return &pb.Event{Fact: &pb.Event_NeutralizerOn{NeutralizerOn: &pb.NeutralizerOn{}}}
}

func neutralizerOff() *pb.Event {
	return &pb.Event{Fact: &pb.Event_NeutralizerOff{NeutralizerOff: &pb.NeutralizerOff{}}}
}

func unheardOf(rinseNow bool) *pb.Event {
	return &pb.Event{Fact: &pb.Event_OtherFact{OtherFact: &pb.OtherFact{Fact: "hair_shed", RinseNow: rinseNow}}}
}

// alarmCauses lists alarms with kind, section and place, cause and event, for comparing.
func alarmCauses(alarms []*pb.Alarm) []string {
	var words []string
	for _, a := range alarms {
		word := a.Kind.String()[len("ALARM_KIND_"):] + " " + a.SectionId
		if a.Place != pb.Place_PLACE_HEAD && a.Place != pb.Place_PLACE_UNSPECIFIED {
			word += a.Place.String()[len("PLACE_"):]
		}
		if a.Cause != pb.AlarmCause_ALARM_CAUSE_UNSPECIFIED {
			word += " " + a.Cause.String()[len("ALARM_CAUSE_"):]
		}
		if n := len(a.EventId); n > 2 {
			word += " #" + strings.TrimLeft(a.EventId[n-2:], "0")
		}
		words = append(words, word)
	}
	return words
}

// deviationWords lists deviations in words, for comparing.
func deviationWords(deviations []*pb.Deviation) []string {
	var words []string
	for _, d := range deviations {
		words = append(words, d.Kind.String()[len("DEVIATION_KIND_"):]+" "+d.SectionId)
	}
	return words
}

// alarmWords lists alarms in words, for comparing.
func alarmWords(alarms []*pb.Alarm) []string {
	var words []string
	for _, a := range alarms {
		words = append(words, a.Kind.String()[len("ALARM_KIND_"):]+" "+a.SectionId)
	}
	return words
}

// stateOf is one section's state.
func stateOf(t *testing.T, state *pb.SessionState, id string) *pb.SectionState {
	t.Helper()
	c := sectionState(state, id)
	if c == nil {
		t.Fatalf("no section %s in the state", id)
	}
	return c
}
