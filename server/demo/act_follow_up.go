package demo

import (
	"time"

	pb "alkalog/proto/alkalogv1"
)

// followUps shows the days after: the salon's list says whom to ask, until each
// follow-up is answered. It returns the incident of the eye. A burn often shows a
// day later, so an incident has follow-ups at 24 and 48 hours. They appear on a
// list per salon; nobody has to remember a client.
func (d *run) followUps(session *pb.Session) *pb.Incident {
	d.page.act("The days after: whom to ask")
	incidents := d.incidentsOf(session)
	d.clock.advance(24 * time.Hour)
	d.page.say("%s. Amara opens North Quay's list.", dateText(d.now()))
	d.expect(d.printDue() == 4, "two incidents have two follow-ups each to do")
	d.page.say("She telephones. The clinic has seen the eye; the crown does not hurt.")
	for _, i := range incidents {
		d.followUp(i, 1, pb.FollowUpChannel_FOLLOW_UP_CHANNEL_REMOTE, "By telephone: better.")
	}
	d.expect(d.printDue() == 2, "what was answered is off the list")

	d.clock.advance(24 * time.Hour)
	d.page.say("%s. Lindiwe comes by, and Amara looks.", dateText(d.now()))
	var eye *pb.Incident
	for _, i := range incidents {
		done := d.followUp(i, 2, pb.FollowUpChannel_FOLLOW_UP_CHANNEL_SEEN, "Seen in the salon: calm.")
		d.page.answer("%s: %s", incidentText(done), enumLabel(done.GetState()))
		d.expect(done.GetState() == pb.IncidentState_INCIDENT_STATE_FOLLOWED_UP, "both follow-ups are done")
		if done.GetKind() == pb.IncidentKind_INCIDENT_KIND_EYE {
			eye = done
		}
	}
	d.expect(d.printDue() == 0, "nothing is left to ask")
	return eye
}

// printDue prints the salon's list and returns its length. What was answered is off
// the list at once.
func (d *run) printDue() int {
	due := call(d, d.people.amara, d.incident.ListFollowUps, &pb.ListFollowUpsRequest{Parent: northQuay}).GetFollowUps()
	for _, f := range due {
		d.page.answer("%s, follow-up %d, due %s", enumLabel(f.GetKind()), f.GetFollowUp().GetNumber(), formatTime(f.GetFollowUp().GetDueTime(), "Mon 2 Jan 15:04"))
	}
	if len(due) == 0 {
		d.page.answer("nothing to ask")
	}
	return len(due)
}

// followUp records the answer to one follow-up. The channel matters: a telephone
// call cannot see a scalp, and clears nothing.
func (d *run) followUp(i *pb.Incident, number int32, channel pb.FollowUpChannel, said string) *pb.Incident {
	return call(d, d.people.amara, d.incident.RecordFollowUp, &pb.RecordFollowUpRequest{
		Name: i.GetName(), Number: &number, RequestId: newID(),
		FollowUp: &pb.FollowUp{Channel: channel, Worse: no, DoctorSeen: i.GetReferred(), Text: said, Practitioner: d.people.amara.name},
	}).GetIncident()
}
