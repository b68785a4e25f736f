package card

import (
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// Summarize is the card at a glance, for somebody who has the client in the
// chair. It reads the card that Build made, and the visits' facts for what the
// card does not keep: tender spots and photos. The line of the last relaxer
// changes from day to day and is for the caller to fill in. Everything in it is a
// text for people; a program reads the fields of the visits.
func Summarize(c *pb.RecordCard, past []StoredVisit, zones Zones) *pb.CardSummary {
	s := &pb.CardSummary{
		FirstLine:         firstLine(c, zones),
		Overlaps:          overlaps(c),
		ResistantSections: resistant(c),
		FragileSections:   fragile(c),
		HeadMapSvg:        headMap(c, zones),
		TenderSpots:       tenderSpots(past, zones),
		Photos:            photos(past, c.Incidents),
	}
	for _, i := range c.Incidents {
		s.Incidents = append(s.Incidents, incidentLine(i, zones))
	}
	for _, r := range c.ImportedRecords {
		s.Imported = append(s.Imported, importedLine(r))
	}
	for _, v := range c.Visits {
		for _, o := range v.Overrides {
			s.Overrides = append(s.Overrides, fmt.Sprintf("%s: %s set aside by %s (%s)", zones.day(v.Salon, o.CreateTime.AsTime()), ruleWords(o.RuleId, o.Subject), lastSegment(o.Practitioner), o.ReasonCode))
		}
	}
	if len(c.Visits) > 0 {
		s.Conditions = conditionLines(c.Visits[0], zones)
		s.Neutral = neutralWords(c.Visits[0])
	}
	return s
}

// firstLine is the last service in one line: date, service, product, minutes,
// result, what went wrong, and what to do differently. Minutes are the longest
// exposure of a section. Parts that are not known are left out and never guessed.
// Of the reminders it has the first alone, which is the most useful.
func firstLine(c *pb.RecordCard, zones Zones) string {
	// Who reads only this line must not take the client for a new one.
	if n := len(c.ImportedRecords); len(c.Visits) == 0 && n > 0 {
		return fmt.Sprintf("No service on record here; imported records: %d.", n)
	}
	if len(c.Visits) == 0 {
		return "No service on record."
	}
	v := c.Visits[0]
	said := []string{zones.day(v.Salon, v.StartTime.AsTime()) + ": " + enumWords(v.ServiceKind.String(), "SERVICE_KIND_", "service")}
	if v.ProductDisplayName != "" {
		product := v.ProductDisplayName
		if word := enumWords(v.Strength.String(), "STRENGTH_", ""); word != "" {
			product += " (" + word + ")"
		}
		said = append(said, product)
	}
	if v.ExposureMinutes != nil {
		said = append(said, fmt.Sprintf("%.0f min", v.GetExposureMinutes()))
	}
	said = append(said, result(v))
	line := strings.Join(said, ", ") + "."
	if wrong := problems(c, v); len(wrong) > 0 {
		line += " Went wrong: " + strings.Join(wrong, "; ") + "."
	}
	if len(c.Reminders) > 0 {
		line += " Next time: " + c.Reminders[0]
	}
	return line
}

// result says how a visit ended. Sections differ, so straightening is a range. A
// percentage that nobody judged is left out; if none was judged, the result is
// "done".
func result(v *pb.Visit) string {
	switch {
	case v.NotClosed && !v.FirstContact:
		return "never begun"
	case v.NotClosed:
		return "never closed"
	case !v.Completed && !v.FirstContact:
		return "broken off before any product"
	case !v.Completed:
		return "broken off"
	}
	var least, most *float64
	for _, s := range v.Sections {
		if p := s.StraighteningPercent; p != nil {
			if least == nil || *p < *least {
				least = p
			}
			if most == nil || *p > *most {
				most = p
			}
		}
	}
	switch {
	case least == nil:
		return "done"
	case *least == *most:
		return fmt.Sprintf("%.0f %% straight", *most)
	}
	return fmt.Sprintf("%.0f to %.0f %% straight", *least, *most)
}

// problems are what went wrong at a visit: its incidents, and the deviations that
// were not withdrawn. Deviations of one kind and section are named once.
func problems(c *pb.RecordCard, v *pb.Visit) []string {
	var wrong []string
	for _, i := range c.Incidents {
		if i.Session == v.Session {
			wrong = append(wrong, incidentWords(i))
		}
	}
	for _, d := range v.Deviations {
		line := deviationWords(d)
		if d.WithdrawTime == nil && !slices.Contains(wrong, line) {
			wrong = append(wrong, line)
		}
	}
	return wrong
}

// overlaps counts how often product was on relaxed hair, section by section, over all
// visits of the card; nil without visits.
func overlaps(c *pb.RecordCard) *int32 {
	var n int32
	for _, v := range c.Visits {
		n += int32(len(v.OverlappedSections))
	}
	if len(c.Visits) == 0 {
		return nil
	}
	return &n
}

// resistant are the sections that were slowest or were marked as resistant. The
// slowest of the newest closed visit comes first. Each section is listed once.
func resistant(c *pb.RecordCard) []string {
	var sections []string
	if c.MostResistantSection != "" {
		sections = append(sections, c.MostResistantSection)
	}
	for _, v := range c.Visits {
		for _, s := range v.Hair.GetSections() {
			if s.Resistant == pb.Answer_ANSWER_YES {
				sections = append(sections, s.SectionId)
			}
		}
	}
	return unique(sections)
}

// fragile are the sections that were marked as fragile or broke. A section that
// broke stays listed as long as its visit is on the card.
func fragile(c *pb.RecordCard) []string {
	var sections []string
	for _, v := range c.Visits {
		for _, s := range v.Hair.GetSections() {
			if s.Fragile == pb.Answer_ANSWER_YES {
				sections = append(sections, s.SectionId)
			}
		}
		for _, s := range v.Sections {
			if s.Breakage == pb.Answer_ANSWER_YES {
				sections = append(sections, s.SectionId)
			}
		}
	}
	for _, i := range c.Incidents {
		if i.Kind == pb.IncidentKind_INCIDENT_KIND_BREAKAGE && i.SectionId != "" {
			sections = append(sections, i.SectionId)
		}
	}
	return unique(sections)
}

// tenderSpots are where it tingled or burned, with the date. Tingling alone is no
// incident, so this is the only place where it shows. A feeling without a section
// is listed for the whole head.
func tenderSpots(past []StoredVisit, zones Zones) []string {
	var spots []string
	for _, p := range past {
		for _, e := range p.Events {
			comfort := e.GetEvent().GetComfortCheck()
			switch comfort.GetComfort() {
			case pb.Comfort_COMFORT_UNSPECIFIED, pb.Comfort_COMFORT_COMFORTABLE:
				continue
			}
			where := comfort.GetSectionId()
			if where == "" {
				where = "whole head"
			}
			spots = append(spots, where+": "+enumWords(comfort.GetComfort().String(), "COMFORT_", "discomfort")+", "+zones.day(p.Session.GetSalon(), e.GetEvent().GetOccurTime().AsTime()))
		}
	}
	return unique(spots)
}

// photos are the references of photos, newest first. The photos themselves are
// with the salon. Photos of incidents come before those of visits.
func photos(past []StoredVisit, incidents []*pb.Incident) []string {
	var references []string
	for _, i := range incidents {
		for _, p := range i.Photos {
			references = append(references, p.Reference)
		}
	}
	for _, p := range past {
		for _, e := range p.Events {
			if photo := e.GetEvent().GetPhotoTaken(); photo != nil {
				references = append(references, photo.Reference)
			}
		}
	}
	return unique(references)
}

// conditionLines are the conditions of a visit's decision, and whether they were
// met. A condition that is not recorded as met is said to be so; it is not said
// to have been broken, because nobody may have recorded it.
func conditionLines(v *pb.Visit, zones Zones) []string {
	var lines []string
	for _, c := range v.Conditions {
		state := "not recorded as met"
		if c.MetTime != nil {
			state = "met " + zones.day(v.Salon, c.MetTime.AsTime())
			if c.Actor != "" {
				state += " by " + lastSegment(c.Actor)
			}
		}
		lines = append(lines, c.Text+" - "+state)
	}
	return lines
}

// neutralWords says how the hair was shown to be neutral. It separates what was
// shown from what was done: with the normalizer alone, clear lathers show that
// nothing more came out and not that the hair is neutral.
func neutralWords(v *pb.Visit) string {
	if !v.FirstContact {
		return "no product on the hair"
	}
	lathers := ""
	if v.Lathers != nil {
		lathers = fmt.Sprintf("%d lathers: ", v.GetLathers())
	}
	switch v.NeutralProof {
	case pb.NeutralProof_NEUTRAL_PROOF_COLOUR_GONE:
		return lathers + "colour seen, then gone"
	case pb.NeutralProof_NEUTRAL_PROOF_PH:
		return lathers + "shown by a pH reading"
	case pb.NeutralProof_NEUTRAL_PROOF_NOT_SHOWN:
		return lathers + "not shown; normalizer used and the lathers stayed clear"
	case pb.NeutralProof_NEUTRAL_PROOF_OXIDISED:
		return "oxidising neutralizer on for its time"
	}
	return lathers + "not shown"
}
