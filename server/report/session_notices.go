package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// noticeKind is the kind of a notice; each has its own frame.
type noticeKind string

// An alarm is what the server called for, a deviation what was not done as planned,
// and harm what somebody reported.
const (
	alarm     noticeKind = "alarm"
	deviation noticeKind = "deviation"
	harm      noticeKind = "report" // what the client felt, a splash, help
)

// class returns the style of the frame.
func (s noticeKind) class() string {
	switch s {
	case deviation:
		return "deviation"
	case harm:
		return "harm"
	}
	return "flag"
}

// notice is an alarm, a deviation or reported harm. The message of an alarm is
// left out, because it may contain more than the chart should show.
type notice struct {
	// at is when the alarm began, the deviation occurred or the harm was reported,
	// by the server's clock.
	at      time.Time
	section string // empty: the whole session
	place   pb.Place
	words   string
	kind    noticeKind
}

// collectNotices returns, in order of time, the alarms that stood at any instant,
// the deviations at the end, and the harm that was reported. The numbers on the
// chart are the positions in this list.
func (p *sessionChart) collectNotices() []notice {
	var found []notice
	add := func(n notice) {
		if !slices.Contains(found, n) {
			found = append(found, n)
		}
	}
	for _, state := range append(slices.Clone(p.states), p.final) {
		for _, a := range state.Alarms {
			add(notice{a.SinceTime.AsTime(), a.SectionId, a.Place, enumWords(a.Kind.String(), "ALARM_KIND_"), alarm})
		}
	}
	for _, d := range p.final.Deviations {
		add(notice{d.OccurTime.AsTime(), d.SectionId, 0, enumWords(d.Kind.String(), "DEVIATION_KIND_"), deviation})
	}
	for _, e := range p.events {
		if n, ok := harmOf(e); ok {
			add(n)
		}
	}
	slices.SortStableFunc(found, func(a, b notice) int {
		return cmp.Or(a.at.Compare(b.at), strings.Compare(a.section, b.section), cmp.Compare(a.place, b.place), strings.Compare(a.words, b.words))
	})
	return found
}

// harmOf returns the notice for an event that reports harm or help; ok is false
// for other events. A check at which the client was comfortable is not harm.
func harmOf(e *pb.StoredEvent) (notice, bool) {
	n := notice{at: occurTime(e), kind: harm}
	switch fact := e.GetEvent().GetFact().(type) {
	case *pb.Event_ComfortCheck:
		n.section, n.place, n.words = fact.ComfortCheck.SectionId, pb.Place_PLACE_HEAD, enumWords(fact.ComfortCheck.Comfort.String(), "COMFORT_")
		return n, fact.ComfortCheck.Comfort != pb.Comfort_COMFORT_COMFORTABLE
	case *pb.Event_Splash:
		n.place, n.words = fact.Splash.Place, "splash"
		return n, true
	case *pb.Event_HelpCalled:
		n.words = "help called: " + enumWords(fact.HelpCalled.Kind.String(), "HELP_KIND_")
		if fact.HelpCalled.TookOver {
			n.words = "medical help took over"
		}
		return n, true
	}
	return n, false
}

// enumWords turns the name of an enum value into words: "rinse now" for
// RINSE_NOW.
func enumWords(kind, prefix string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(kind, prefix), "_", " "))
}

// placeWords returns the name of a section or of a place on the client. A section
// is more precise than a place and comes first.
func placeWords(section string, place pb.Place) string {
	switch {
	case section != "":
		return section
	case place == pb.Place_PLACE_EYE_LEFT:
		return "left eye"
	case place == pb.Place_PLACE_EYE_RIGHT:
		return "right eye"
	case place == pb.Place_PLACE_HEAD, place == pb.Place_PLACE_SKIN:
		return enumWords(place.String(), "PLACE_")
	}
	return "whole session"
}

// drawNumbers draws the numbers of a section's notices above its graph. Those
// that would overlap are moved to the right; a line leads from each to its
// instant.
func (p *sessionChart) drawNumbers(id string, y float64) {
	shown := 0
	for _, n := range p.notices {
		if n.section == id {
			shown++
		}
	}
	size := min(22, (plotRight-plotLeft)/float64(max(1, shown)))
	edge := plotLeft - size
	for i, n := range p.notices {
		if n.section != id {
			continue
		}
		// Leave room on the right for those to come.
		x := max(edge+size, min(p.x(n.at)-size/2, plotRight-size*float64(shown)))
		edge, shown = x, shown-1
		p.stroke("tick", p.x(n.at), y+4, x+size/2, y-1)
		p.write(`<rect class="%s" x="%.1f" y="%.1f" width="%.1f" height="15"/>`+"\n", n.kind.class(), x, y-16, size-3)
		p.write(`<g class="small">`)
		p.text(x+(size-3)/2, y-4.5, "middle", fmt.Sprint(i+1))
		p.write("</g>\n")
	}
}

// drawAxis draws the axis of minutes since the first contact, and returns its
// lower edge.
func (p *sessionChart) drawAxis(y float64) float64 {
	p.stroke("tick", plotLeft, y, plotRight, y)
	p.write(`<g class="small">`)
	total := int(p.end.Sub(p.begin).Minutes())
	step := max(5, (total/60)*5)
	for m := 0; m <= total; m += step {
		x := p.x(p.begin.Add(time.Duration(m) * time.Minute))
		p.stroke("tick", x, y, x, y+5)
		p.text(x, y+18, "middle", fmt.Sprint(m))
	}
	p.text((plotLeft+plotRight)/2, y+34, "middle", "minutes since the first contact")
	p.write("</g>\n")
	return y + 40
}

// describe returns a notice with its number, kind, place, words and minute.
func (p *sessionChart) describe(i int, n notice) string {
	return fmt.Sprintf("%d. %s, %s: %s (%.1f min)", i+1, n.kind, placeWords(n.section, n.place), n.words, n.at.Sub(p.begin).Minutes())
}

// writeList writes the list that explains the numbers, and returns its lower
// edge.
func (p *sessionChart) writeList(y float64) float64 {
	p.write(`<g class="small">`)
	for i, n := range p.notices {
		y += lineHeight
		p.text(chartMargin, y, "start", p.describe(i, n))
	}
	p.write("</g>\n")
	return y
}

// drawKey explains the lines and marks, in two columns above the sections. Target
// and cap are those of the session's limits.
func (p *sessionChart) drawKey() {
	p.write(`<g class="small">`)
	limits := p.session.GetLimits()
	for i, l := range []struct{ class, words string }{
		{"curve", "estimated straightening"},
		{"target", fmt.Sprintf("target %.0f %%", limits.GetTargetPercent())},
		{"cap", fmt.Sprintf("cap %.0f %%", limits.GetCapPercent())},
		{"latest", "latest rinse advised"},
		{"limit", "hard limit"},
		{"test", "strand test, as read"},
	} {
		y := 84 + float64(i)*22
		if l.class == "test" {
			p.write(`<circle class="test" cx="%.1f" cy="%.1f" r="4"/>`+"\n", chartMargin+15, y-4)
		} else {
			p.stroke(l.class, chartMargin, y-4, chartMargin+30, y-4)
		}
		p.text(chartMargin+38, y, "start", l.words)
	}
	for i, b := range []struct{ class, words string }{
		{"interval", "90 % interval"},
		{"band", "contact, until the rinse"},
		{"wet", "running water"},
		{alarm.class(), "alarm, by number"},
		{deviation.class(), "deviation, by number"},
		{harm.class(), "reported harm or help"},
	} {
		y := 84 + float64(i)*22
		p.write(`<rect class="%s" x="%.1f" y="%.1f" width="30" height="14"/>`+"\n", b.class, chartWidth/2, y-11)
		p.text(chartWidth/2+38, y, "start", b.words)
	}
	p.write("</g>\n")
}
