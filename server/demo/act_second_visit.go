package demo

import (
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"

	typedate "google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
)

// betweenVisits is the time until Lindiwe's next visit.
const betweenVisits = 9 * 7 * 24 * time.Hour

// secondVisit is the retouch. It is refused until a doctor's letter allows it, and
// then planned around the burned place. Nothing about the first visit is told
// again: the record knows of the eye, of the burn and of the relaxed lengths. Two
// causes need the doctor's word, because a word clears only its own cause.
func (d *run) secondVisit(first *pb.Decision, session *pb.Session, eye *pb.Incident) {
	d.page.act("Nine weeks later: the next visit knows")
	d.clock.advance(betweenVisits)
	d.page.say("%s. Lindiwe is back for her new growth, and says that she is well. Amara reads one line:", dateText(d.now()))
	d.page.answer("%s", d.card(session.GetName()).GetSummary().GetFirstLine())
	client := &pb.Client{Name: parent(first.GetName(), 2)}
	card := d.retouchCard(session)
	refusal := d.decide(client, card, retouch(), d.people.amara)
	d.page.printDecision(refusal)
	d.expect(refusal.GetVerdict() == pb.Verdict_VERDICT_REFUSE && firedRules(refusal, "incident.doctors-word-missing"), "an eye without a doctor's word is refused, not %s", refusal.GetVerdict())

	// A word for each of the two causes, dated and with a reference; without these it would
	// lead to a question.
	d.page.say("A week later she brings a letter from the eye clinic about that day.")
	d.clock.advance(7 * 24 * time.Hour)
	given := d.clock.Now().AddDate(0, 0, -2)
	card = d.retouchCard(session)
	for _, cause := range []pb.ClearanceCause{pb.ClearanceCause_CLEARANCE_CAUSE_INCIDENT, pb.ClearanceCause_CLEARANCE_CAUSE_BAD_REACTION} {
		word := &pb.DoctorsWord{Cause: cause, Reference: "invented letter 31",
			GiveDate: &typedate.Date{Year: int32(given.Year()), Month: int32(given.Month()), Day: int32(given.Day())}}
		if cause == pb.ClearanceCause_CLEARANCE_CAUSE_INCIDENT {
			word.Incident = eye.GetName()
		}
		card.History.DoctorsWords = append(card.History.DoctorsWords, word)
	}
	second := d.decide(client, card, retouch(), d.people.amara)
	d.page.printDecision(second)
	d.page.printConditions(second, first.GetConditions())
	d.page.say("The two plans side by side; the crown is now marked as fragile:")
	d.compare(first.GetPlan(), second.GetPlan())
	d.expect(second.GetVerdict() == pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, "with the doctor's word it may go ahead under conditions, not %s", second.GetVerdict())
	d.expect(begins(first.GetPlan()) == "crown" && begins(second.GetPlan()) == "nape", "the crown comes first at first and later now, not %q", begins(second.GetPlan()))
}

// retouch requests a retouch at North Quay by Amara. It is virginRequest with
// another service; only new growth may be relaxed.
func retouch() *pb.CheckEligibilityRequest {
	request := virginRequest(regular, regularLot)
	request.ServiceKind = pb.ServiceKind_SERVICE_KIND_RETOUCH
	return request
}

// retouchCard is the second consultation: relaxed lengths, new growth, a fragile
// crown and the recorded reaction. The earlier relaxer is stated on the zones and
// on the head, with the time of the recorded session: another time would be a
// contradiction.
func (d *run) retouchCard(session *pb.Session) *pb.Consultation {
	card := healthyConsultation(northQuay, d.people.amara, d.clock.Now())
	relaxed := &pb.PastEvent{Happened: yes, LastTime: session.GetStartTime()}
	card.Wishes.ServiceKind = pb.ServiceKind_SERVICE_KIND_RETOUCH
	card.Hair.NewGrowthMm, card.Hair.LengthMm = proto.Float64(17), proto.Float64(257)
	card.Hair.Sections[0].Fragile = yes
	card.History.Relaxer, card.History.BadReaction = relaxed, yes
	for _, zone := range card.Hair.Zones[1:] {
		zone.Hydroxide, zone.HydroxideKind = relaxed, pb.HydroxideKind_HYDROXIDE_KIND_SODIUM
	}
	return card
}

// firedRules reports whether a rule has a finding. Only its ID is compared, since
// versions and messages change.
func firedRules(decision *pb.Decision, rule string) bool {
	return slices.ContainsFunc(decision.GetFindings(), func(f *pb.Finding) bool { return f.GetRuleId() == rule })
}

// compare prints the order and expected minutes of both plans. What the server
// learned at the first visit shows in the order and in the minutes.
func (d *run) compare(first, second *pb.Plan) {
	d.page.answer("%-6s %-18s %s", "order", "first visit", "now")
	for i, s := range second.GetSections() {
		before := "-"
		if i < len(first.GetSections()) {
			before = placed(first.GetSections()[i])
		}
		d.page.answer("%-6d %-18s %s", s.GetOrder(), before, placed(s))
		d.page.detail("%s", s.GetReason())
	}
}
