package picture

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// notice is an alarm or a deviation. Its message is left out, for it may hold
// more than a picture should tell.
type notice struct {
	at        time.Time
	section   string // empty: the whole session
	words     string
	deviation bool
}

// collect finds the alarms that stood at any instant drawn, and the deviations
// of the end, in order.
func (p *page) collect() []notice {
	var found []notice
	add := func(n notice) {
		if !slices.Contains(found, n) {
			found = append(found, n)
		}
	}
	for _, state := range append(slices.Clone(p.course), p.final) {
		for _, a := range state.Alarms {
			add(notice{a.SinceTime.AsTime(), a.SectionId, words(a.Kind.String(), "ALARM_KIND_"), false})
		}
	}
	for _, d := range p.final.Deviations {
		add(notice{d.OccurTime.AsTime(), d.SectionId, words(d.Kind.String(), "DEVIATION_KIND_"), true})
	}
	slices.SortStableFunc(found, func(a, b notice) int {
		return cmp.Or(a.at.Compare(b.at), strings.Compare(a.section, b.section), strings.Compare(a.words, b.words))
	})
	return found
}

// words makes RINSE_NOW of a kind's name "rinse now".
func words(kind, prefix string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(kind, prefix), "_", " "))
}

// numbers flags the notices of a section above its graph, beside each other when
// they come close.
func (p *page) numbers(id string, y float64) {
	const size = 19.0
	shown := 0
	for _, n := range p.notices {
		if n.section == id {
			shown++
		}
	}
	edge := left - size
	for i, n := range p.notices {
		if n.section != id {
			continue
		}
		// Leave room on the right for those to come.
		x := max(edge+size, min(p.x(n.at)-size/2, right-size*float64(shown)))
		edge, shown = x, shown-1
		class := "flag"
		if n.deviation {
			class = "deviation"
		}
		p.stroke("tick", p.x(n.at), y+4, x+size/2, y-1)
		p.write(`<rect class="%s" x="%.1f" y="%.1f" width="%.1f" height="15"/>`+"\n", class, x, y-16, size-3)
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
	p.text((left+right)/2, y+34, "middle", "minutes since the first contact, "+p.begin.UTC().Format("2006-01-02 15:04")+" UTC")
	p.write("</g>\n")
	return y + 40
}

// list writes what the numbers mean.
func (p *page) list(y float64) float64 {
	p.write(`<g class="small">`)
	for i, n := range p.notices {
		y += line
		kind, where := "alarm", cmp.Or(n.section, "whole session")
		if n.deviation {
			kind = "deviation"
		}
		p.text(left-110, y, "start", fmt.Sprintf("%d. %s, %s: %s (%.1f min)", i+1, kind, where, n.words, n.at.Sub(p.begin).Minutes()))
	}
	p.write("</g>\n")
	return y
}

// key explains the lines and marks, in two rows above the sections.
func (p *page) key() {
	p.write(`<g class="small">`)
	limits := p.session.GetLimits()
	lines := []struct{ class, words string }{
		{"curve", "estimated straightening"},
		{"target", fmt.Sprintf("target %.0f %%", limits.GetTargetPercent())},
		{"cap", fmt.Sprintf("cap %.0f %%", limits.GetCapPercent())},
		{"latest", "latest rinse advised"},
		{"limit", "hard limit"},
	}
	for i, l := range lines {
		x := left - 110 + float64(i)*180
		p.stroke(l.class, x, 76, x+30, 76)
		p.text(x+36, 80, "start", l.words)
	}
	boxes := []struct{ class, words string }{
		{"interval", "90 % interval"},
		{"band", "contact, until the rinse"},
		{"test", "strand test, as read"},
		{"flag", "alarm, by number"},
		{"deviation", "deviation, by number"},
	}
	for i, b := range boxes {
		x := left - 110 + float64(i)*180
		if b.class == "test" {
			p.write(`<circle class="test" cx="%.1f" cy="106" r="4"/>`+"\n", x+15)
		} else {
			p.write(`<rect class="%s" x="%.1f" y="99" width="30" height="14"/>`+"\n", b.class, x)
		}
		p.text(x+36, 110, "start", b.words)
	}
	p.write("</g>\n")
}
