// Package card builds a client's record card from the stored visits, and draws it
// as a message, as text, as HTML for print, and as a head map (SVG). The package
// is pure.
//
// # What a card shows
//
// The elements follow what the Australian unit SHBHREF002, Straighten and relax
// hair with chemical treatments, requires to be recorded: pre-service analysis,
// contraindications, desired degree of relaxation, products, strengths and
// processing times, straightening methods, degree of relaxation achieved,
// home-care advice. A test checks each element.
//
// The first line is for somebody who has the client in the chair and two seconds:
// the last service, its product, minutes and result, what went wrong, and what to
// do differently. After it come reminders, incidents, tender spots, hair,
// overrides, the conditions and the proof of neutrality of the last visit,
// photos, and the visits.
//
// # How a card is made
//
// There are three steps, each a function of the one before:
//
//   - Build turns stored visits and incidents into the message
//     RecordCard. Between this step and the next, package record adds
//     what is learned from all visits together, rates and growth, and
//     cuts the list of visits.
//   - Summarize turns the card into a few lines of text and the head
//     map. Programs read the fields of the card; people read these
//     lines.
//   - Text and HTML print the summary and the visits. Both print the
//     same blocks in the same order.
//
// Only the message is an input of decisions. A change of a text or of the layout
// changes no decision and no replay.
//
// # A card is computed, never stored
//
// A card is computed from facts at each reading. What was reported after a
// service was closed appears as if it had been known then: a burn often shows
// days later. A visit without facts (imported, or from before facts were stored)
// is shown from its outcome alone; a visit that nobody closed is shown from its
// facts and marked as not closed. If outcome and facts differ, the facts win,
// because they can be corrected afterwards.
//
// # What is not known
//
// What nobody recorded is left out and never guessed: no percentage, no minutes,
// no result. A guess on a card would be read at the next visit as a fact, and the
// next exposure would be planned by it. "Not shown" and "not recorded as met" are written out where silence
// could be read as "in order". Estimates have their interval.
//
// # What a card leaves out
//
// A card on paper has no name: the salon writes it by hand. It records what was
// seen and never names a disease. Each day is that in the salon where it happened: east
// of Greenwich a morning's day in UTC is the day before. Times of day are in the records,
// not on the card.
//
// # Errors
//
// Messages that are nil or empty are shown as such. The only error is that of the
// HTML template.
package card

import (
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// StoredVisit is what is stored of one visit. Package record reads it; this
// package never reads anything by itself.
type StoredVisit struct {
	// Outcome is nil for a visit that nobody closed.
	Outcome *pb.Outcome
	// Session says when, where and by whom; it is never nil.
	Session *pb.Session
	// Decision is nil for a service begun without one.
	Decision *pb.Decision
	// Events are the facts, and State is what they come to now. Both are empty for a visit
	// that has no facts.
	Events []*pb.StoredEvent
	State  *pb.SessionState
	// Sections are the outcomes of the sections by those facts, and ClosingDeviations
	// what closing the session showed. Package timing computes both; they are empty for
	// a visit that has no facts.
	Sections          []*pb.SectionOutcome
	ClosingDeviations []*pb.Deviation
}

// Build makes the card from all visits of a client and the client's incidents,
// both newest first. It shows all visits. What is learned from them, rates and
// growth, is for package timing to compute. It shows all visits; the caller cuts
// the list after it has learned from them. past and incidents are not changed.
func Build(client string, past []StoredVisit, incidents []*pb.Incident, zones Zones) *pb.RecordCard {
	c := &pb.RecordCard{Client: client, Incidents: incidents}
	var visits []*pb.Visit
	for _, p := range past {
		visits = append(visits, visit(p))
	}
	if newest := newestClosed(past); newest != nil {
		c.MostResistantSection = newest.MostResistantSection
	}
	if i := slices.IndexFunc(past, delaysRetouch); i >= 0 {
		c.NextRetouchTime, c.NextRetouchReason = past[i].Outcome.NextRetouchTime, past[i].Outcome.NextRetouchReason
	}
	c.Reminders = reminders(past, visits, incidents, zones)
	c.Visits = visits
	return c
}

// A card of linked clients is cut by the caller client by client, before it is merged.

// Merge makes one card from those of clients that are one person; the first is the
// client whose card it is. All visits and all reminders are kept, and the latest date of
// the next retouch counts: the hair of a person who came twice has had less time to
// recover than either record says. The section to begin with is that of the newest visit
// which found one, because resistance is seen anew each time. Incidents, rates and growth are the caller's to add.
func Merge(cards []*pb.RecordCard) *pb.RecordCard {
	c := &pb.RecordCard{Client: cards[0].GetClient()}
	var slow time.Time // of the visit that the most resistant section is from
	for _, one := range cards {
		c.Visits = append(c.Visits, one.GetVisits()...)
		for _, line := range one.GetReminders() {
			if !slices.Contains(c.Reminders, line) {
				c.Reminders = append(c.Reminders, line)
			}
		}
		if t := one.GetNextRetouchTime(); t != nil && t.AsTime().After(c.GetNextRetouchTime().AsTime()) {
			c.NextRetouchTime, c.NextRetouchReason = t, one.GetNextRetouchReason()
		}
		if one.GetMostResistantSection() != "" && len(one.GetVisits()) > 0 {
			if at := one.Visits[0].GetStartTime().AsTime(); at.After(slow) {
				c.MostResistantSection, slow = one.MostResistantSection, at
			}
		}
	}
	slices.SortStableFunc(c.Visits, func(a, b *pb.Visit) int { return b.GetStartTime().AsTime().Compare(a.GetStartTime().AsTime()) })
	return c
}

// newestClosed is the outcome of the newest visit that has one; nil when none
// has. A visit that nobody closed says nothing about which section was slowest.
func newestClosed(past []StoredVisit) *pb.Outcome {
	for _, p := range past {
		if p.Outcome != nil {
			return p.Outcome
		}
	}
	return nil
}

// delaysRetouch reports whether product touched hair in a closed visit. A visit broken off
// before that does not delay the next retouch.
func delaysRetouch(p StoredVisit) bool {
	return TouchedHair(p.Outcome)
}

// TouchedHair reports whether product touched hair in a closed visit.
func TouchedHair(o *pb.Outcome) bool {
	return o.GetCompleted() || anyContact(o.GetSections())
}

// reminders is what to mind next time: from the newest visit, and from incidents
// that are still open. The follow-up of an incident may be in another salon, so
// the one who sees the client next asks.
func reminders(past []StoredVisit, visits []*pb.Visit, incidents []*pb.Incident, zones Zones) []string {
	var lines []string
	if len(visits) > 0 {
		lines = newestReminders(past[0], visits[0])
	}
	for _, i := range incidents {
		if i.State == pb.IncidentState_INCIDENT_STATE_OPEN {
			lines = append(lines, "Ask about "+incidentWords(i)+" of "+zones.day(i.Salon, i.OccurTime.AsTime())+" and look at the place before anything else.")
		}
	}
	return lines
}

// newestReminders is what to mind because of the newest visit, the most useful
// first: the first line of the card repeats the first of them. One visit back is
// enough: what lasts, such as a resistant section, is in the summary.
func newestReminders(p StoredVisit, v *pb.Visit) []string {
	var lines []string
	if s := p.Outcome.GetMostResistantSection(); s != "" {
		lines = append(lines, "Apply "+s+" first: it was the slowest section last time.")
	}
	for _, s := range v.Sections {
		if s.Breakage == pb.Answer_ANSWER_YES {
			lines = append(lines, "Hair broke in "+s.SectionId+" last time: analyse it again before anything else.")
		}
	}
	if scalpChanged(p) {
		lines = append(lines, "The scalp had changed after the last service: look closely and refer when in doubt.")
	}
	if v.NeutralProof == pb.NeutralProof_NEUTRAL_PROOF_NOT_SHOWN {
		lines = append(lines, "The lather never showed colour last time, so neutral was not shown: take a pH strip this time.")
	}
	switch {
	case v.NotClosed:
		lines = append(lines, "Nobody closed the last service: ask the client how it ended, and look at hair and scalp.")
	case !v.Completed:
		lines = append(lines, "The last service was broken off: "+p.Outcome.GetBrokenOffReason())
	}
	return lines
}

// scalpChanged reports whether a changed scalp was recorded, at closing or later.
// A check during the service counts like the answer at closing, since either may
// have been forgotten.
func scalpChanged(p StoredVisit) bool {
	changed := p.Outcome.GetScalpChanged() == pb.Answer_ANSWER_YES
	for _, e := range p.Events {
		changed = changed || e.GetEvent().GetScalpChecked().GetChanged()
	}
	return changed
}

// Zones are the time zones of the salons on a card, by resource name. Where a salon is
// not listed, days are those in UTC.
type Zones map[string]*time.Location

// day is a date as printed on the card: the day on which it was in the salon.
func (z Zones) day(salon string, t time.Time) string {
	zone := z[salon]
	if zone == nil {
		zone = time.UTC
	}
	return t.In(zone).Format("2 Jan 2006")
}

// retouchSalon is the salon whose day the next retouch is: that of the newest visit in
// which product touched hair, as in Build.
func retouchSalon(c *pb.RecordCard) string {
	for _, v := range c.Visits {
		if !v.NotClosed && (v.Completed || v.FirstContact) {
			return v.Salon
		}
	}
	return ""
}
