package timing

import (
	"time"

	pb "alkalog/proto/alkalogv1"
)

// complaint is discomfort that the client reported. When it was reported and when
// water came are two facts, perhaps of two people.
type complaint struct {
	section string // empty: the whole head
	eventID string
	comfort pb.Comfort
	from    time.Time // reported
	water   time.Time // water began for it; zero: not yet
	open    bool      // product may still be where it hurts
}

// felt notes what the client feels. That it has passed does not take a report back.
// A report calls for water even where water is known to run: water may have failed,
// or product may have run elsewhere. Burning needs the flush time, not only a rinse.
func (f *service) felt(e fact, what *pb.ComfortCheck) {
	if !isBurn(what.Comfort) && what.Comfort != pb.Comfort_COMFORT_TINGLING {
		return
	}
	if f.discomfort.IsZero() {
		f.discomfort = e.at
	}
	c := &complaint{section: f.where(what.SectionId), eventID: e.EventId, comfort: what.Comfort, from: e.at, open: true}
	if f.head.reaches(c.section) && !f.isOn(c.section) {
		c.water = e.at // no water is late that runs
	}
	f.complaints = append(f.complaints, c)
	if isBurn(what.Comfort) {
		f.needFlush(f.flushOf(pb.Place_PLACE_HEAD), e)
		f.head.needed(c.section)
		f.flushHead(e)
	}
}

// where is the section of a report, or the whole head when that section is not one
// that product was put on: it may have run there.
func (f *service) where(id string) string {
	for _, c := range f.sections {
		if c.id == id && !c.first.IsZero() {
			return id
		}
	}
	return ""
}

// isOn tells whether product is on a section, or on any when id is empty.
func (f *service) isOn(id string) bool {
	for _, c := range f.sections {
		if c.on && (id == "" || c.id == id) {
			return true
		}
	}
	return false
}

// answer notes water on a section, or on the whole head, for what was reported.
func (f *service) answer(t time.Time, id string) {
	for _, c := range f.complaints {
		if !c.open || (id != "" && c.section != "" && c.section != id) {
			continue
		}
		if c.water.IsZero() {
			c.water = t
		}
		c.open = f.isOn(c.section)
	}
}

// began is when the duty to rinse began: at the report, or with the product if that
// came later.
func (f *service) began(c *complaint) time.Time { return later(c.from, f.product) }

// lateAnswer notes that water had not come in time by t.
func (f *service) lateAnswer(c *complaint, t time.Time) {
	if !f.treated() {
		return
	}
	from, until := f.began(c), c.water
	if until.IsZero() {
		until = t
	}
	if by := from.Add(minutes(discomfortMinutes)); until.After(by) {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_RINSE_AFTER_DISCOMFORT_LATE, c.section, c.eventID, by,
			"%s was reported and water had not come within %d minute", comfortWord(c.comfort), discomfortMinutes)
	}
}

func comfortWord(c pb.Comfort) string {
	if isBurn(c) {
		return "burning"
	}
	return "tingling"
}
