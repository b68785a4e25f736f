package demo

import (
	"time"

	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/proto"
)

// betweenVisits is how long Lindiwe stays away.
const betweenVisits = 9 * 7 * 24 * time.Hour

// secondVisit is a retouch nine weeks later: the plan starts from what the
// first visit taught.
func (d *day) secondVisit(first *pb.Decision) {
	d.page.act("Nine weeks later: the second plan knows what the first could not")
	d.clock.advance(betweenVisits)
	d.page.say("%s. Lindiwe is back for her new growth, and Amara opens the card.", date(d.now()))
	client := &pb.Client{Name: parent(first.GetName(), 2)}
	for _, r := range d.card(first.GetName()).GetReminders() {
		d.page.answer("reminder: %s", r)
	}
	request := virginWith(regular, regularLot)
	request.ServiceKind = pb.ServiceKind_SERVICE_KIND_RETOUCH
	second := d.decide(client, d.retouchCard(first), request, d.cast.amara)
	d.page.tellDecision(second)
	d.page.tellConditions(second, first.GetConditions())
	d.page.tellPlan(second.GetPlan())
	d.page.say("The two plans beside each other:")
	d.compare(first.GetPlan(), second.GetPlan())
	d.expect(second.GetVerdict() == pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, "the retouch may go ahead under conditions, not %s", second.GetVerdict())
	d.expect(begins(first.GetPlan()) != "front", "the first plan did not begin with the front")
	d.expect(begins(second.GetPlan()) == "front", "the second plan begins with the front, not with %q", begins(second.GetPlan()))
}

// retouchCard is the second consultation: relaxed lengths, new growth, the rest
// as sound as before.
func (d *day) retouchCard(first *pb.Decision) *pb.Consultation {
	now := d.clock.Now()
	days := int(now.Sub(first.GetCreateTime().AsTime()).Hours() / 24)
	card := soundCard(northQuay, d.cast.amara, now)
	card.Wishes.ServiceKind = pb.ServiceKind_SERVICE_KIND_RETOUCH
	card.Hair.NewGrowthMm = proto.Float64(17)
	card.Hair.LengthMm = proto.Float64(257)
	card.History.Relaxer = ago(now, days)
	for _, zone := range card.Hair.Zones[1:] {
		zone.Hydroxide = ago(now, days)
		zone.HydroxideKind = pb.HydroxideKind_HYDROXIDE_KIND_SODIUM
	}
	return card
}

// compare writes the order and the expected minutes of both plans.
func (d *day) compare(first, second *pb.Plan) {
	d.page.answer("%-8s %-30s %s", "order", "first visit", "second visit")
	for i, s := range second.GetSections() {
		before := "-"
		if i < len(first.GetSections()) {
			before = placed(first.GetSections()[i])
		}
		d.page.answer("%-8d %-30s %s", s.GetOrder(), before, placed(s))
	}
}
