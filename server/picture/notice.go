package picture

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// sort tells notices apart; each has its own frame.
type sort string

const (
	alarm     sort = "alarm"
	deviation sort = "deviation"
	harm      sort = "report" // what the client felt, a splash, help
)

// class is the frame of a sort of notice.
func (s sort) class() string {
	switch s {
	case deviation:
		return "deviation"
	case harm:
		return "harm"
	}
	return "flag"
}

// notice is an alarm, a deviation or reported harm. Its message is left out, for it
// may hold more than a picture should tell.
type notice struct {
	at      time.Time
	section string // empty: the whole session
	place   pb.Place
	words   string
	sort    sort
}

// collect finds the alarms that stood at any instant, the deviations of the end, and
// the harm that was reported, in order.
func (p *page) collect() []notice {
	var found []notice
	add := func(n notice) {
		if !slices.Contains(found, n) {
			found = append(found, n)
		}
	}
	for _, state := range append(slices.Clone(p.course), p.final) {
		for _, a := range state.Alarms {
			add(notice{a.SinceTime.AsTime(), a.SectionId, a.Place, words(a.Kind.String(), "ALARM_KIND_"), alarm})
		}
	}
	for _, d := range p.final.Deviations {
		add(notice{d.OccurTime.AsTime(), d.SectionId, 0, words(d.Kind.String(), "DEVIATION_KIND_"), deviation})
	}
	for _, e := range p.events {
		if n, ok := reported(e); ok {
			add(n)
		}
	}
	slices.SortStableFunc(found, func(a, b notice) int {
		return cmp.Or(a.at.Compare(b.at), strings.Compare(a.section, b.section), cmp.Compare(a.place, b.place), strings.Compare(a.words, b.words))
	})
	return found
}

// reported is a fact that tells of harm or of help against it.
func reported(e *pb.StoredEvent) (notice, bool) {
	n := notice{at: happened(e), sort: harm}
	switch fact := e.GetEvent().GetFact().(type) {
	case *pb.Event_ComfortCheck:
		n.section, n.place, n.words = fact.ComfortCheck.SectionId, pb.Place_PLACE_HEAD, words(fact.ComfortCheck.Comfort.String(), "COMFORT_")
		return n, fact.ComfortCheck.Comfort != pb.Comfort_COMFORT_COMFORTABLE
	case *pb.Event_Splash:
		n.place, n.words = fact.Splash.Place, "splash"
		return n, true
	case *pb.Event_HelpCalled:
		n.words = "help called: " + words(fact.HelpCalled.Kind.String(), "HELP_KIND_")
		if fact.HelpCalled.TookOver {
			n.words = "medical help took over"
		}
		return n, true
	}
	return n, false
}

// words makes RINSE_NOW of a kind's name "rinse now".
func words(kind, prefix string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(kind, prefix), "_", " "))
}

// where names a section, or a place on the client.
func where(section string, place pb.Place) string {
	switch {
	case section != "":
		return section
	case place == pb.Place_PLACE_EYE_LEFT:
		return "left eye"
	case place == pb.Place_PLACE_EYE_RIGHT:
		return "right eye"
	case place == pb.Place_PLACE_HEAD, place == pb.Place_PLACE_SKIN:
		return words(place.String(), "PLACE_")
	}
	return "whole session"
}

// numbers flags the notices of a section above its graph, beside each other when
// they come close.
func (p *page) numbers(id string, y float64) {
	shown := 0
	for _, n := range p.notices {
		if n.section == id {
			shown++
		}
	}
	size := min(22, (right-left)/float64(max(1, shown)))
	edge := left - size
	for i, n := range p.notices {
		if n.section != id {
			continue
		}
		// Leave room on the right for those to come.
		x := max(edge+size, min(p.x(n.at)-size/2, right-size*float64(shown)))
		edge, shown = x, shown-1
		p.stroke("tick", p.x(n.at), y+4, x+size/2, y-1)
		p.write(`<rect class="%s" x="%.1f" y="%.1f" width="%.1f" height="15"/>`+"\n", n.sort.class(), x, y-16, size-3)
		p.write(`<g class="small">`)
		p.text(x+(size-3)/2, y-4.5, "middle", fmt.Sprint(i+1))
		p.write("</g>\n")
	}
}

// axis draws the minutes since the first contact, and returns where it ends.
func (p *page) axis(y float64) float64 {
	p.stroke("tick", left, y, right, y)
	p.write(`<g class="small">`)
	total := int(p.end.Sub(p.begin).Minutes())
	step := max(5, (total/60)*5)
	for m := 0; m <= total; m += step {
		x := p.x(p.begin.Add(time.Duration(m) * time.Minute))
		p.stroke("tick", x, y, x, y+5)
		p.text(x, y+18, "middle", fmt.Sprint(m))
	}
	p.text((left+right)/2, y+34, "middle", "minutes since the first contact")
	p.write("</g>\n")
	return y + 40
}

// inWords is a notice with its number.
func (p *page) inWords(i int, n notice) string {
	return fmt.Sprintf("%d. %s, %s: %s (%.1f min)", i+1, n.sort, where(n.section, n.place), n.words, n.at.Sub(p.begin).Minutes())
}

// list writes what the numbers mean.
func (p *page) list(y float64) float64 {
	p.write(`<g class="small">`)
	for i, n := range p.notices {
		y += line
		p.text(margin, y, "start", p.inWords(i, n))
	}
	p.write("</g>\n")
	return y
}

// key explains the lines and marks, in two columns above the sections.
func (p *page) key() {
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
			p.write(`<circle class="test" cx="%.1f" cy="%.1f" r="4"/>`+"\n", margin+15, y-4)
		} else {
			p.stroke(l.class, margin, y-4, margin+30, y-4)
		}
		p.text(margin+38, y, "start", l.words)
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
		p.write(`<rect class="%s" x="%.1f" y="%.1f" width="30" height="14"/>`+"\n", b.class, width/2, y-11)
		p.text(width/2+38, y, "start", b.words)
	}
	p.write("</g>\n")
}
