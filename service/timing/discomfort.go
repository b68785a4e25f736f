package timing

import (
	"time"

	pb "alkalog/proto/alkalogv1"
)

// discomfortReport is discomfort that the client reported. The report and the water are
// two facts with two times, often by two people.
type discomfortReport struct {
	// Empty: the whole head.
	section string
	eventID string
	comfort pb.Comfort
	// Reported.
	reportTime time.Time
	// Water began for it; zero: not yet.
	waterTime time.Time
	// Product may still be where it hurts.
	open bool
}

// comfortChecked records what the client feels. A later "comfortable" does not withdraw a
// report. A report calls for water even where water is known to run: the water may have
// failed, or product may have run elsewhere. Burning needs the full flush time, not only
// a rinse.
func (f *folding) comfortChecked(e fact, what *pb.ComfortCheck) {
	if !isBurn(what.Comfort) && what.Comfort != pb.Comfort_COMFORT_TINGLING {
		return
	}
	if f.discomfort.IsZero() {
		f.discomfort = e.at
	}
	c := &discomfortReport{section: f.knownSection(what.SectionId), eventID: e.EventId, comfort: what.Comfort, reportTime: e.at, open: true}
	if f.head.runsOn(c.section) && !f.productOn(c.section) {
		c.waterTime = e.at // no water is late that runs
	}
	f.reports = append(f.reports, c)
	if isBurn(what.Comfort) {
		f.reportFlush(f.flushOf(pb.Place_PLACE_HEAD), e)
		f.head.addBurn(c.section)
		f.flushHead(e)
	}
}

// knownSection returns the section of a report, or the whole head if no product was put
// on that section: the product may have run there.
func (f *folding) knownSection(id string) string {
	for _, c := range f.sections {
		if c.id == id && !c.firstContact.IsZero() {
			return id
		}
	}
	return ""
}

// productOn reports whether product is on a section, or on any if id is empty.
func (f *folding) productOn(id string) bool {
	for _, c := range f.sections {
		if c.on && (id == "" || c.id == id) {
			return true
		}
	}
	return false
}

// noteWaterForReports records water on a section, or on the whole head, for the reports
// there. A report stays open while product is on where it hurts.
// The first water decides whether it came in time; later water does not change that.
func (f *folding) noteWaterForReports(t time.Time, id string) {
	for _, c := range f.reports {
		if !c.open || (id != "" && c.section != "" && c.section != id) {
			continue
		}
		if c.waterTime.IsZero() {
			c.waterTime = t
		}
		c.open = f.productOn(c.section)
	}
}

// rinseDutyTime is when the duty to rinse began: at the report, or with the product if
// that came later.
func (f *folding) rinseDutyTime(c *discomfortReport) time.Time {
	return later(c.reportTime, f.contactTime)
}

// checkRinseAfterDiscomfort records that water had not come in time by t.
// Discomfort without product on the hair calls for water all the same, but no rinse
// was late.
func (f *folding) checkRinseAfterDiscomfort(c *discomfortReport, t time.Time) {
	if !f.productTouchedHair() {
		return
	}
	from, until := f.rinseDutyTime(c), c.waterTime
	if until.IsZero() {
		until = t
	}
	if by := from.Add(minutes(discomfortMinutes)); until.After(by) {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_RINSE_AFTER_DISCOMFORT_LATE, c.section, c.eventID, by,
			"%s was reported and water had not come within %d minute", comfortWord(c.comfort), discomfortMinutes)
	}
}

// comfortWord names a discomfort in a sentence.
func comfortWord(c pb.Comfort) string {
	if isBurn(c) {
		return "burning"
	}
	return "tingling"
}
