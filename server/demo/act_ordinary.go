package demo

import (
	"time"

	pb "alkalog/proto/alkalogv1"
)

// wren is a client with whom nothing is wrong, played as the month plays its
// visits: by a careful practitioner who follows the guidance. This is her first
// visit. Her visit is recorded as an offline till does it, so that her next visit
// has a record to begin from.
func (d *run) wren() *visit {
	d.page.act("Wren: nothing happens")
	d.clock.advance(30 * minute)
	begins := d.clock.Now()
	quay := &chairs{name: northQuay, law: pb.Jurisdiction_JURISDICTION_UK, zone: time.UTC, supervisor: d.people.supervisor}
	v := &visit{
		month: &month{Month: Month{Seed: 1}}, run: d, random: newRandom(1, 1),
		by: &stylist{person: d.people.amara, salon: quay, pace: truePace, fewTaps: true}, kind: retouchVisit, how: careful,
		product: regular, lot: regularLot, at: begins, before: earlier{at: begins}, result: newResult(),
		truth: &inventedClient{texture: pb.Texture_TEXTURE_MEDIUM, curl: pb.CurlType_CURL_TYPE_VI, density: pb.Density_DENSITY_MEDIUM, age: 41, growth: 0.29},
	}
	v.playBefore(d.clock.moveTo)
	v.truth.relaxed = begins
	d.page.say("Wren has her new growth relaxed, as she has had for years. The till is offline, and sends the whole visit when it is over. Nothing to report.")
	return v
}

// ordinaryVisit is Wren's next visit, with its taps counted. The golden file then
// shows when an ordinary visit costs more answers or taps than before, which no
// test of a single rule would. It fails when the visit is stopped, or when the
// screen calls to rinse now.
func (d *run) ordinaryVisit(v *visit) {
	d.page.act("An ordinary visit, with its taps counted")
	d.clock.advance(20 * minute)
	weeks := d.clock.Now().Sub(v.truth.relaxed).Hours() / 24 / 7
	d.page.say("%s. Wren is back after %.0f weeks. Nothing is wrong, and nobody has time.", dateText(d.now()), weeks)
	v.at, v.run = d.clock.Now(), d
	v.truth.newHair, v.truth.washed = 20, d.clock.Now().Add(-72*time.Hour)
	v.tell = func(fact *pb.Event) { d.page.say("%s  %s", clockTime(fact.GetOccurTime()), stepText(fact)) }
	v.play(d.clock.moveTo)
	d.page.answer("verdict: %s, after %d answers and %d questions", enumLabel(v.decision.GetVerdict()), v.answers, v.asked)
	d.page.answer("taps before the first contact: %d; from then to closing: %d, in %d stages", v.tapsBefore, v.taps, v.stages)
	d.page.answer("RINSE_NOW: %d; deviations: %d", v.alarms[pb.AlarmKind_ALARM_KIND_RINSE_NOW], len(v.deviations))
	d.expect(v.closed && !v.refused && !v.referred, "an ordinary visit goes ahead and is completed")
	d.expect(v.alarms[pb.AlarmKind_ALARM_KIND_RINSE_NOW] == 0, "an ordinary visit has no call to rinse now")
}
