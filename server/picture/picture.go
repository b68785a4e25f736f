// Package picture draws a session as an SVG: for each section a band from first
// contact to rinse, its strand tests and the straightening that was estimated; below
// them running water on eyes, skin and head; and every alarm, deviation and reported
// harm by number. It is pure, and needs no colour, no script and no font of its own.
// It fills the width it is given, on a telephone of 400 pixels as on paper.
package picture

import (
	"encoding/xml"
	"fmt"
	"slices"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/timing"

	"google.golang.org/protobuf/proto"
)

// Measures of the page, in user units. The page is narrow, so that its letters are
// still read when it is scaled to 400 pixels.
const (
	width  = 520.0
	margin = 12.0
	left   = 56.0 // where time begins
	right  = 508.0
	top    = 262.0 // of the first panel, below title and key
	panel  = 186.0 // from one section to the next
	flags  = 42.0  // name of the section and numbers of notices, above the graph
	graph  = 96.0  // 0 to 100 percent
	band   = 14.0
	row    = 64.0 // of a place under water
	line   = 18.0 // of text
	// samples is at how many instants the curve is taken at the least.
	samples = 120
	// most bounds how many instants are looked at. Our own choice; an ordinary session
	// has some two hundred.
	most = 5000
)

// cautions stand under every picture.
var cautions = []string{
	"If it burns or tingles: rinse at once, whatever the clock says.",
	"The manufacturer's directions come first. Local codes and",
	"licensed practice decide. Estimates are statistical.",
}

// Draw is the picture of a session from its facts. It names sections by their
// ids and the session by its resource name; nothing else of a person is in it.
func Draw(session *pb.Session, events []*pb.StoredEvent) []byte {
	p := newPage(session, events)
	places := p.places()
	below := top + float64(len(p.final.Sections))*panel + float64(len(places))*row
	p.open(below + 76 + float64(len(p.notices)+len(cautions)+1)*line)
	p.key()
	p.text(margin, top-30, "start", "whole session")
	p.numbers("", top-12)
	for i, s := range p.final.Sections {
		p.section(s, top+float64(i)*panel)
	}
	y := top + float64(len(p.final.Sections))*panel
	for _, place := range places {
		p.water(place, y)
		y += row
	}
	y = p.list(p.axis(y))
	for i, words := range cautions {
		p.text(margin, y+float64(i+2)*line, "start", words)
	}
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
	// Closing a session silences what called before. The course is what called then.
	open := proto.CloneOf(session)
	open.Outcome, open.Closing = "", nil
	p.begin, p.end = p.span(last)
	p.course = p.states(open, latest(last, p.end))
	p.notices = p.collect()
	return p
}

// states are those of the session up to an instant: at every fact, at every instant
// at which time alone may raise or end an alarm, and often enough for a curve.
func (p *page) states(open *pb.Session, until time.Time) []*pb.SessionState {
	var fixed []time.Time
	for i := range samples + 1 {
		fixed = append(fixed, p.begin.Add(p.end.Sub(p.begin)*time.Duration(i)/samples))
	}
	for _, e := range p.events {
		fixed = append(fixed, happened(e))
	}
	slices.SortFunc(fixed, time.Time.Compare)
	var states []*pb.SessionState
	at := fixed[0]
	for range most {
		state := timing.Fold(open, p.events, at)
		states = append(states, state)
		next, waits := timing.NextChange(open, p.events, state)
		i, _ := slices.BinarySearchFunc(fixed, at, func(t, at time.Time) int {
			if t.After(at) {
				return 1
			}
			return -1
		})
		if i < len(fixed) && (!waits || fixed[i].Before(next)) {
			next, waits = fixed[i], true
		}
		if !waits || next.After(until) {
			return states
		}
		at = next
	}
	return states
}

// happened is when a fact happened by the server's clock.
func happened(e *pb.StoredEvent) time.Time {
	if e.GetCorrectedTime() != nil {
		return e.GetCorrectedTime().AsTime()
	}
	return e.GetEvent().GetOccurTime().AsTime()
}

// span is the time to draw: from the first contact to the last rinse or limit, to
// the last fact while product is on or water is needed.
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
	if len(p.final.Flushes) > 0 {
		for _, e := range p.events {
			if water(e.GetEvent()) {
				end = latest(end, happened(e))
			}
		}
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
	p.escape(words)
	p.write("</text>\n")
}

// escape writes words so that they are nothing but words.
func (p *page) escape(words string) {
	// A strings.Builder takes everything.
	_ = xml.EscapeText(&p.out, []byte(words))
}

func (p *page) stroke(class string, x1, y1, x2, y2 float64) {
	p.write(`<line class="%s" x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f"/>`+"\n", class, x1, y1, x2, y2)
}

// open begins the document. Every line has its own pattern, so that a print in
// black and white tells them apart.
func (p *page) open(height float64) {
	p.write(`<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="title desc" viewBox="0 0 %.0f %.0f" width="100%%">`+"\n", width, height)
	p.write(`<title id="title">`)
	p.escape(p.title())
	p.write("</title>\n" + `<desc id="desc">`)
	p.escape(p.description())
	p.write("</desc>\n%s", style)
	p.write(`<rect width="%.0f" height="%.0f" fill="#fff"/>`+"\n", width, height)
	p.write(`<g font-weight="bold">`)
	p.text(margin, 24, "start", p.title())
	p.write("</g>\n" + `<g class="small">`)
	// A name is longer than the page is wide.
	client, session, _ := strings.Cut(p.session.GetName(), "/sessions/")
	p.text(margin, 42, "start", client)
	p.text(margin, 58, "start", "session "+session)
	p.write("</g>\n")
}

// title says what the picture is of.
func (p *page) title() string {
	return "Session of " + p.begin.UTC().Format("2 Jan 2006, 15:04") + " UTC"
}

// description is the picture in words, for those who do not see it.
func (p *page) description() string {
	var parts []string
	for _, s := range p.final.Sections {
		switch {
		case s.FirstContactTime == nil:
			parts = append(parts, s.SectionId+": no product.")
		case s.RinseTime == nil:
			parts = append(parts, s.SectionId+": not rinsed yet.")
		default:
			parts = append(parts, fmt.Sprintf("%s: rinsed after %.1f minutes.", s.SectionId, s.RinseTime.AsTime().Sub(s.FirstContactTime.AsTime()).Minutes()))
		}
	}
	for _, f := range p.final.Flushes {
		parts = append(parts, fmt.Sprintf("Water on %s: %.1f minutes.", where("", f.Place), f.GetFlushedMinutes()))
	}
	for i, n := range p.notices {
		parts = append(parts, p.inWords(i, n)+".")
	}
	return strings.Join(parts, " ")
}

const style = `<style>
svg { max-width: 60rem }
text { font-family: sans-serif; font-size: 14px; fill: #000 }
.small text { font-size: 12px }
.frame { fill: none; stroke: #000; stroke-width: 0.6 }
.band { fill: url(#hatch); stroke: #000 }
.wet { fill: url(#drops); stroke: #000 }
.interval { fill: #ddd; stroke: #777; stroke-width: 0.6 }
.curve { fill: none; stroke: #000; stroke-width: 2 }
.target { stroke: #000; stroke-dasharray: 9 4 }
.cap { stroke: #000; stroke-width: 2; stroke-dasharray: 9 3 2 3 }
.latest { stroke: #000; stroke-dasharray: 2 3 }
.limit { stroke: #000; stroke-width: 3 }
.test { fill: #fff; stroke: #000; stroke-width: 2 }
.flag { fill: #fff; stroke: #000 }
.deviation { fill: #fff; stroke: #000; stroke-width: 2.5 }
.harm { fill: #fff; stroke: #000; stroke-dasharray: 2 2 }
.tick { stroke: #000 }
@media print { svg { max-width: none } }
</style>
<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="6" height="6" fill="#fff"/><line y2="6" stroke="#000" stroke-width="2"/></pattern>
<pattern id="drops" width="7" height="7" patternUnits="userSpaceOnUse"><rect width="7" height="7" fill="#fff"/><circle cx="3.5" cy="3.5" r="1.5" fill="#000"/></pattern></defs>
`
