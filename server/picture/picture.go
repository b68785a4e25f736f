// Package picture draws a session as an SVG: for each section a band from first
// contact to rinse, its strand tests and the straightening that was estimated.
// It is pure, and needs no colour, no script and no font of its own.
package picture

import (
	"encoding/xml"
	"fmt"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/timing"
)

// Measures of the page, in user units.
const (
	width   = 960.0
	left    = 130.0 // where time begins
	right   = 930.0
	top     = 168.0 // of the first panel, below title and key
	panel   = 190.0 // from one section to the next
	flags   = 24.0  // numbers of notices, above the graph
	graph   = 104.0 // 0 to 100 percent
	band    = 14.0
	line    = 18.0 // of text
	samples = 120  // instants at which the curve is taken
)

// Draw is the picture of a session from its facts. It names sections by their
// ids and the session by its resource name; nothing else of a person is in it.
func Draw(session *pb.Session, events []*pb.StoredEvent) []byte {
	p := newPage(session, events)
	p.open()
	p.key()
	p.text(left-110, top-16, "start", "whole session")
	p.numbers("", top-16)
	for i, s := range p.final.Sections {
		p.section(s, top+float64(i)*panel)
	}
	below := p.axis(top + float64(len(p.final.Sections))*panel)
	below = p.list(below)
	p.text(left-110, below+2*line, "start", "The manufacturer's directions come first. Estimates are statistical.")
	p.write("</svg>\n")
	return []byte(p.out.String())
}

// page is a picture while it is drawn.
type page struct {
	out        strings.Builder
	session    *pb.Session
	events     []*pb.StoredEvent
	final      *pb.SessionState
	course     []*pb.SessionState // the state at instants in order
	notices    []notice
	begin, end time.Time
}

func newPage(session *pb.Session, events []*pb.StoredEvent) *page {
	p := &page{session: session, events: events}
	last := session.GetStartTime().AsTime()
	for _, e := range events {
		// No fact is taken to be later than its record, whatever a till's clock says.
		last = latest(last, e.GetRecordTime().AsTime())
	}
	p.final = timing.Fold(session, events, last)
	p.begin, p.end = p.span(last)
	for i := range samples + 1 {
		at := p.begin.Add(p.end.Sub(p.begin) * time.Duration(i) / samples)
		p.course = append(p.course, timing.Fold(session, events, at))
	}
	p.notices = p.collect()
	return p
}

// span is the time to draw: from the first contact to the last rinse or limit,
// or to the last fact while product is on.
func (p *page) span(last time.Time) (begin, end time.Time) {
	for _, s := range p.final.Sections {
		if s.FirstContactTime == nil {
			continue
		}
		first := s.FirstContactTime.AsTime()
		if begin.IsZero() || first.Before(begin) {
			begin = first
		}
		end = latest(end, rinsed(s, last))
		if s.HardLimitTime != nil {
			end = latest(end, s.HardLimitTime.AsTime())
		}
	}
	if begin.IsZero() {
		begin = p.session.GetStartTime().AsTime()
	}
	return begin, latest(end, begin.Add(10*time.Minute)).Add(time.Minute)
}

// rinsed is when a section's band ends.
func rinsed(s *pb.SectionState, otherwise time.Time) time.Time {
	if s.RinseTime == nil {
		return otherwise
	}
	return s.RinseTime.AsTime()
}

func latest(times ...time.Time) time.Time {
	var last time.Time
	for _, t := range times {
		if t.After(last) {
			last = t
		}
	}
	return last
}

// x is where an instant is drawn; what lies outside stays on the edge.
func (p *page) x(at time.Time) float64 {
	share := float64(at.Sub(p.begin)) / float64(p.end.Sub(p.begin))
	return left + (right-left)*min(1, max(0, share))
}

func (p *page) write(format string, args ...any) { fmt.Fprintf(&p.out, format, args...) }

// text writes words, escaped.
func (p *page) text(x, y float64, anchor, words string) {
	p.write(`<text x="%.1f" y="%.1f" text-anchor="%s">`, x, y, anchor)
	// A strings.Builder takes everything.
	_ = xml.EscapeText(&p.out, []byte(words))
	p.write("</text>\n")
}

func (p *page) stroke(class string, x1, y1, x2, y2 float64) {
	p.write(`<line class="%s" x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f"/>`+"\n", class, x1, y1, x2, y2)
}

// open begins the document. Every line has its own pattern, so that a print in
// black and white tells them apart.
func (p *page) open() {
	height := top + float64(len(p.final.Sections))*panel + 80 + float64(len(p.notices)+2)*line
	p.write(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %.0f %.0f" width="%.0f" height="%.0f">`+"\n%s", width, height, width, height, style)
	p.write(`<rect width="%.0f" height="%.0f" fill="#fff"/>`+"\n", width, height)
	p.write(`<g font-weight="bold">`)
	p.text(left-110, 28, "start", "Session")
	p.write("</g>\n")
	p.write(`<g class="small">`)
	p.text(left-110, 48, "start", p.session.GetName())
	p.write("</g>\n")
}

const style = `<style>
text { font-family: sans-serif; font-size: 13px; fill: #000 }
.small text { font-size: 11px }
.frame { fill: none; stroke: #000; stroke-width: 0.6 }
.band { fill: url(#hatch); stroke: #000 }
.interval { fill: #ddd; stroke: #777; stroke-width: 0.6 }
.curve { fill: none; stroke: #000; stroke-width: 2 }
.target { stroke: #000; stroke-dasharray: 9 4 }
.cap { stroke: #000; stroke-width: 2; stroke-dasharray: 9 3 2 3 }
.latest { stroke: #000; stroke-dasharray: 2 3 }
.limit { stroke: #000; stroke-width: 3 }
.test { fill: #fff; stroke: #000; stroke-width: 2 }
.flag { fill: #fff; stroke: #000 }
.deviation { fill: #fff; stroke: #000; stroke-width: 2.5 }
.tick { stroke: #000 }
</style>
<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="6" height="6" fill="#fff"/><line y2="6" stroke="#000" stroke-width="2"/></pattern></defs>
`
