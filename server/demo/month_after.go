package demo

import (
	"time"

	pb "alkalog/proto/alkalogv1"
)

// Accidents. Hands react as fast as careful hands do, and the till reaches the server,
// because what is looked for is its alarm. After an accident the service is broken off:
// no normalizer, because nothing acid belongs on a burn, and an outcome that says why.

// burns is burning at the scalp: water within seconds, and for a quarter of an
// hour. The flush must last for its minutes even when it does not hurt any more.
func (v *visit) burns() {
	v.complain(pb.Comfort_COMFORT_BURNING)
	v.pause(16)
	v.record(waterOff(head), rinseFinished())
}

// tingles is a milder discomfort: rinse, and go on to the shampoo. It calls for
// water like burning does, but not for the full flush.
func (v *visit) tingles() {
	v.complain(pb.Comfort_COMFORT_TINGLING)
	v.pause(4)
	v.record(rinseFinished())
}

// complain records what the client feels, and brings water within half a minute;
// more than a minute would be a deviation. The till has the server at once: the
// call is what it is for.
func (v *visit) complain(comfort pb.Comfort) {
	v.offlineUntil = time.Time{}
	v.record(comfortCheck(comfort, ""))
	v.pause(0.4)
	v.water()
}

// splashes is product in an eye: flush until medical help takes over. Water on the
// eye comes first, and on the head as soon as a second person is there.
func (v *visit) splashes() {
	v.offlineUntil = time.Time{}
	v.record(splashed(eye))
	v.pause(0.3)
	v.record(waterOn(eye), helpCalled(false))
	v.pause(0.5)
	v.water()
	v.pause(20)
	v.record(helpCalled(true), waterOff(eye), rinseFinished())
}

// distress is hair that gives way at a strand test. It is the strand that tells,
// long before any estimate would.
func (v *visit) distress() {
	v.record(&pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{
		SectionId: v.planned()[0].GetSectionId(), Reading: pb.CurlReading_CURL_READING_PARTLY, Distressed: true,
	}}})
	v.rinse()
}

// waterFails is a burn whose water stops after two minutes. The server must call
// the water back before anybody thinks that it is over.
func (v *visit) waterFails() {
	v.complain(pb.Comfort_COMFORT_BURNING)
	v.pause(2)
	v.record(waterOff(head))
	v.pause(0.5)
	v.record(waterOn(head))
	v.pause(16)
	v.record(waterOff(head), rinseFinished())
}

// brokenOff is a client who wants to stop with product on. Product is on, so
// breaking off means rinsing, not leaving.
func (v *visit) brokenOff() {
	v.record(&pb.Event{Fact: &pb.Event_Stopped{Stopped: &pb.Stopped{Reason: "The client wants to stop."}}})
	v.rinse()
}

// neutralize brings the hair to neutral: normalizer and lathers, or the neutralizer
// of a thio lotion. The first lather shows the indicator's colour and the others do
// not, which is the ordinary course. Stylists who tap little note the lathers in
// one fact, after the last of them.
func (v *visit) neutralize(lathers int) {
	if v.kind == waveVisit {
		v.record(&pb.Event{Fact: &pb.Event_Blotted{Blotted: &pb.Blotted{}}}, &pb.Event{Fact: &pb.Event_NeutralizerOn{NeutralizerOn: &pb.NeutralizerOn{}}})
		v.pause(5.5)
		v.record(&pb.Event{Fact: &pb.Event_NeutralizerOff{NeutralizerOff: &pb.NeutralizerOff{}}})
		return
	}
	if v.by.fewTaps {
		v.pause(5 + 2*float64(lathers))
		v.record(lathered(int32(lathers), !v.ended))
		return
	}
	if !v.ended {
		v.record(normalizerOn())
		v.pause(5)
		v.record(normalizerOff())
	}
	for n := 1; n <= lathers; n++ {
		v.pause(2)
		colour := pb.IndicatorColour_INDICATOR_COLOUR_CLEAR
		if n == 1 {
			colour = pb.IndicatorColour_INDICATOR_COLOUR_ALKALI
		}
		v.record(shampooed(int32(n), colour))
	}
}

// finish neutralizes, looks at the scalp and records the outcome. A till that is
// offline waits: an outcome needs the facts first. A service that is closed too
// early is refused, and is then finished properly. Stylists who tap little say with
// the outcome that the scalp was looked at.
func (v *visit) finish() {
	lathers := 3
	if v.slips(fewLathers) {
		lathers, v.planted = 2, true
	}
	v.neutralize(lathers)
	v.pause(3)
	if !v.by.fewTaps {
		v.record(scalpUnchanged()) // else the outcome says so
	}
	if v.offline() {
		v.wait(v.offlineUntil)
	}
	v.send()
	reason := v.close()
	if reason != "" {
		v.sign("error", reason)
		v.pause(2)
		v.record(shampooed(3, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR))
		reason = v.close()
		v.expect(reason == "", "a service that was completed can be closed, not %s", reason)
	}
	v.aftermath()
}

// close records the outcome; one tap. It returns why it was refused. The server
// completes it from the facts.
func (v *visit) close() (reason string) {
	outcome := &pb.Outcome{Session: v.session.GetName(), Completed: !v.ended, ScalpChanged: no,
		HomeCareAdvice: []string{"No shampoo for two days."}}
	if v.ended {
		outcome.BrokenOffReason = v.accident.name
	}
	v.taps++
	answer, reason := attempt(v.run, v.by.person, v.outcome.RecordOutcome, &pb.RecordOutcomeRequest{Parent: v.client, Outcome: outcome, RequestId: newID()})
	if reason == "" {
		v.closed = true
		v.noteDeviations(answer.GetOutcome().GetDeviations())
	}
	return reason
}

// aftermath reports what shows the day after, and follows incidents up, on the
// first and on the second day. The visit ends with it, since an incident is not
// over when the client leaves. The follow-ups are answered by the supervisor, by
// telephone.
func (v *visit) aftermath() {
	if v.accident == nil {
		return
	}
	// What shows only the day after is reported on a session that is closed.
	if v.accident.happen == nil {
		v.planted = true
		v.pause(20 * 60)
		v.record(comfortCheck(pb.Comfort_COMFORT_BURNING, ""))
		v.pause(1)
		v.record(waterOn(head))
		v.pause(16)
		v.record(waterOff(head), helpCalled(true))
	}
	found := call(v.run, v.by.person, v.incident.ListIncidents, &pb.ListIncidentsRequest{Parent: v.client}).GetIncidents()
	v.hurt = len(found)
	for _, i := range found {
		v.sign("incident")
		v.sign("incident", codeOf(i.GetKind()))
	}
	for number := int32(1); number <= 2 && len(found) > 0; number++ {
		v.pause(24 * 60)
		for _, i := range found {
			call(v.run, v.by.salon.supervisor, v.incident.RecordFollowUp, &pb.RecordFollowUpRequest{
				Name: i.GetName(), Number: &number, RequestId: newID(),
				FollowUp: &pb.FollowUp{Channel: pb.FollowUpChannel_FOLLOW_UP_CHANNEL_REMOTE, Worse: no, DoctorSeen: no, Text: "By telephone: better.", Practitioner: v.by.salon.supervisor.name},
			})
		}
	}
}
