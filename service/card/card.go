// Package card makes a client's record card from what is stored of the visits.
// It is pure. The elements follow what the Australian unit SHBHREF002,
// Straighten and relax hair with chemical treatments, requires to be recorded:
// pre-service analysis, contraindications, desired degree of relaxation,
// products, strengths and processing times, straightening methods, degree of
// relaxation achieved, home-care advice.
//
// A card is computed from facts at each reading and never frozen: what was
// reported after a service was closed stands on it as if it had been known then.
package card

import (
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/timing"
)

// Past is one visit as stored.
type Past struct {
	// Outcome is nil for a visit that nobody closed.
	Outcome *pb.Outcome
	Session *pb.Session
	// Decision is nil for a service begun without one.
	Decision *pb.Decision
	// Events are the facts, and State what they come to now. A visit without them
	// is told from its outcome alone.
	Events []*pb.StoredEvent
	State  *pb.SessionState
}

// Build makes the card from all visits of a client, newest first, and the
// client's incidents, newest first. At most keep visits stay on it whole; rates
// and growth rest on all of them.
func Build(client string, past []Past, incidents []*pb.Incident, keep int) *pb.RecordCard {
	c := &pb.RecordCard{Client: client, Incidents: incidents}
	var visits []*pb.Visit
	for _, p := range past {
		visits = append(visits, visit(p))
	}
	for i := len(visits) - 1; i >= 0; i-- {
		c.Rates = timing.Learn(c.Rates, learned(visits[i]))
	}
	c.GrowthUmPerDay = timing.Growth(visits)
	if newest := newestClosed(past); newest != nil {
		c.MostResistantSection = newest.MostResistantSection
	}
	if i := slices.IndexFunc(past, putsOffRetouch); i >= 0 {
		c.NextRetouchTime, c.NextRetouchReason = past[i].Outcome.NextRetouchTime, past[i].Outcome.NextRetouchReason
	}
	c.Reminders = reminders(past, visits, incidents)
	c.Visits = visits[:min(keep, len(visits))]
	return c
}

// newestClosed is the outcome of the newest visit that has one; nil: none has.
func newestClosed(past []Past) *pb.Outcome {
	for _, p := range past {
		if p.Outcome != nil {
			return p.Outcome
		}
	}
	return nil
}

// putsOffRetouch tells whether product touched hair in a closed visit: one broken
// off before that puts off no retouch.
func putsOffRetouch(p Past) bool {
	return p.Outcome.GetCompleted() || touched(p.Outcome.GetSections())
}

// learned is what a visit taught about the rates of its sections.
func learned(v *pb.Visit) []*pb.LearnedRate {
	var rates []*pb.LearnedRate
	for _, s := range v.Sections {
		if s.Rate != nil {
			rates = append(rates, &pb.LearnedRate{SectionId: s.SectionId, Rate: s.Rate})
		}
	}
	return rates
}

// reminders is what to mind next time: of the newest visit, and of incidents that
// are still being followed.
func reminders(past []Past, visits []*pb.Visit, incidents []*pb.Incident) []string {
	var lines []string
	if len(visits) > 0 {
		lines = ofNewest(past[0], visits[0])
	}
	for _, i := range incidents {
		if i.State == pb.IncidentState_INCIDENT_STATE_OPEN {
			lines = append(lines, "Ask about "+incidentWords(i)+" of "+day(i.OccurTime.AsTime())+" and look at the place before anything else.")
		}
	}
	return lines
}

// ofNewest is what the newest visit asks to be minded.
func ofNewest(p Past, v *pb.Visit) []string {
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

// scalpChanged reports whether somebody saw a changed scalp, when the service was
// closed or later.
func scalpChanged(p Past) bool {
	changed := p.Outcome.GetScalpChanged() == pb.Answer_ANSWER_YES
	for _, e := range p.Events {
		changed = changed || e.GetEvent().GetScalpChecked().GetChanged()
	}
	return changed
}

// day is a calendar day in words. The card's days are those of UTC: a client goes
// from salon to salon.
func day(t time.Time) string { return t.UTC().Format("2 Jan 2006") }
