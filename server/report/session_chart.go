package report

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

// Dimensions of the chart in user units. The chart is narrow, so that its text is
// legible when scaled to 400 pixels. Sections are stacked as panels, each with
// its own graph on the same time axis, so that a reader can follow one instant
// from top to bottom.
const (
	// The whole picture, and the margin of text.
	chartWidth  = 520.0
	chartMargin = 12.0
	// The time axis runs from plotLeft to plotRight. Percentages are written to
	// the left of it.
	plotLeft  = 56.0
	plotRight = 508.0
	// panelsTop is the upper edge of the first panel, below title and key;
	// panelHeight is the distance from one section to the next.
	panelsTop   = 262.0
	panelHeight = 186.0
	// flagsHeight is the height of a section's name and of the numbers of its
	// notices, above the graph.
	flagsHeight = 42.0
	// graphHeight is the height of 100 percent.
	graphHeight = 96.0
	// bandHeight is the height of a band of contact or of water.
	bandHeight = 14.0
	// placeHeight is the distance from one place under water to the next.
	placeHeight = 64.0
	// lineHeight is the distance between two lines of text.
	lineHeight = 18.0
	// minSamples is the minimum number of points of the curve. Our own choice: more
	// of them cannot be seen at this width.
	minSamples = 120
	// maxInstants bounds the number of states computed. Our own choice; an ordinary
	// session has about two hundred.
	maxInstants = 5000
)

// chartCautions are printed below every chart. They are drawn in the picture,
// because it may be copied out of a page.
var chartCautions = []string{
	"If it burns or tingles: rinse at once, whatever the clock says.",
	"The manufacturer's directions come first. Local codes and",
	"licensed practice decide. Estimates are statistical.",
}

// DrawSession returns the chart of a session as SVG. It contains section IDs and
// resource names, and no other personal data. A session without events gives an
// empty chart with its cautions. Numbers in the SVG have one decimal, so the same
// input gives the same bytes.
func DrawSession(session *pb.Session, events []*pb.StoredEvent) []byte {
	p := newSessionChart(session, events)
	places := p.flushedPlaces()
	below := panelsTop + float64(len(p.final.Sections))*panelHeight + float64(len(places))*placeHeight
	p.openDocument(below + 76 + float64(len(p.notices)+len(chartCautions)+1)*lineHeight)
	p.drawKey()
	p.text(chartMargin, panelsTop-30, "start", "whole session")
	p.drawNumbers("", panelsTop-12)
	for i, s := range p.final.Sections {
		p.drawSection(s, panelsTop+float64(i)*panelHeight)
	}
	y := panelsTop + float64(len(p.final.Sections))*panelHeight
	for _, place := range places {
		p.drawWater(place, y)
		y += placeHeight
	}
	y = p.writeList(p.drawAxis(y))
	for i, words := range chartCautions {
		p.text(chartMargin, y+float64(i+2)*lineHeight, "start", words)
	}
	p.write("</svg>\n")
	return []byte(p.out.String())
}

// sessionChart is a chart that is being drawn. Everything is computed by
// newSessionChart; the draw functions only write.
type sessionChart struct {
	out     strings.Builder
	session *pb.Session
	events  []*pb.StoredEvent // in the order of recording
	// final is the state after the last event.
	final *pb.SessionState
	// states are the states at instants in order of time, as they were known then.
	states []*pb.SessionState
	// notices are numbered by their position, from 1.
	notices []notice
	// begin and end are the bounds of the time axis.
	begin, end time.Time
}

// newSessionChart computes what is drawn: the final state, the states in between
// and the notices.
func newSessionChart(session *pb.Session, events []*pb.StoredEvent) *sessionChart {
	p := &sessionChart{session: session, events: events}
	last := session.GetStartTime().AsTime()
	for _, e := range events {
		// no event counts as later than its record time, whatever the till's clock says
		last = latestTime(last, e.GetRecordTime().AsTime())
	}
	// The final state is that of the whole record, with everything that arrived
	// late.
	p.final = timing.Fold(session, events, last)
	// closing a session ends its alarms; the chart shows the alarms before that
	open := proto.CloneOf(session)
	open.Outcome, open.Closing = "", nil
	p.begin, p.end = p.span(last)
	p.states = p.foldStates(open, latestTime(last, p.end))
	p.notices = p.collectNotices()
	return p
}

// foldStates computes the states of the session up to an instant: at every event,
// at every time when an alarm may start or end, and often enough for a curve.
// Each state costs one fold of all events, so their number is bounded by
// maxInstants; a chart that reaches the bound ends there.
func (p *sessionChart) foldStates(open *pb.Session, until time.Time) []*pb.SessionState {
	var fixed []time.Time
	for i := range minSamples + 1 {
		fixed = append(fixed, p.begin.Add(p.end.Sub(p.begin)*time.Duration(i)/minSamples))
	}
	for _, e := range p.events {
		fixed = append(fixed, occurTime(e))
	}
	slices.SortFunc(fixed, time.Time.Compare)
	var states []*pb.SessionState
	at := fixed[0]
	for range maxInstants {
		state := timing.Fold(open, p.events, at)
		states = append(states, state)
		// The next instant is the earlier of the next sample and the next moment
		// at which an alarm may begin or end; between the two nothing changes
		// that is drawn.
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

// occurTime is when an event happened by the server's clock. Without a correction
// it is the till's own time.
func occurTime(e *pb.StoredEvent) time.Time {
	if e.GetCorrectedTime() != nil {
		return e.GetCorrectedTime().AsTime()
	}
	return e.GetEvent().GetOccurTime().AsTime()
}

// span is the time to draw: from the first contact to the last rinse or limit, to
// the last fact while product is on or water is needed. It is at least ten
// minutes long, so that a service that was broken off early is legible, and ends
// a minute after the last mark.
func (p *sessionChart) span(last time.Time) (begin, end time.Time) {
	for _, s := range p.final.Sections {
		if s.FirstContactTime == nil {
			continue
		}
		first := s.FirstContactTime.AsTime()
		if begin.IsZero() || first.Before(begin) {
			begin = first
		}
		end = latestTime(end, rinseTime(s, last))
		if s.HardLimitTime != nil {
			end = latestTime(end, s.HardLimitTime.AsTime())
		}
	}
	if begin.IsZero() {
		begin = p.session.GetStartTime().AsTime()
	}
	// A flush goes on after the last rinse, so its water extends the axis.
	if len(p.final.Flushes) > 0 {
		for _, e := range p.events {
			if isWater(e.GetEvent()) {
				end = latestTime(end, occurTime(e))
			}
		}
	}
	return begin, latestTime(end, begin.Add(10*time.Minute)).Add(time.Minute)
}

// rinseTime is when a section's band ends. Without a rinse it is the time that
// the caller passes: the end of what is drawn.
func rinseTime(s *pb.SectionState, otherwise time.Time) time.Time {
	if s.RinseTime == nil {
		return otherwise
	}
	return s.RinseTime.AsTime()
}

// latestTime returns the latest of the times; the zero time without any.
func latestTime(times ...time.Time) time.Time {
	var last time.Time
	for _, t := range times {
		if t.After(last) {
			last = t
		}
	}
	return last
}

// x is where an instant is drawn; what lies outside stays on the edge.
func (p *sessionChart) x(at time.Time) float64 {
	share := float64(at.Sub(p.begin)) / float64(p.end.Sub(p.begin))
	return plotLeft + (plotRight-plotLeft)*min(1, max(0, share))
}

// write appends formatted text. Values must be safe for XML; text of others goes
// through text or escape.
func (p *sessionChart) write(format string, args ...any) { fmt.Fprintf(&p.out, format, args...) }

// text writes escaped text.
func (p *sessionChart) text(x, y float64, anchor, words string) {
	p.write(`<text x="%.1f" y="%.1f" text-anchor="%s">`, x, y, anchor)
	p.escape(words)
	p.write("</text>\n")
}

// escape writes text as XML character data.
func (p *sessionChart) escape(words string) {
	// writing to a strings.Builder cannot fail
	_ = xml.EscapeText(&p.out, []byte(words))
}

// stroke draws a line with the style of a class.
func (p *sessionChart) stroke(class string, x1, y1, x2, y2 float64) {
	p.write(`<line class="%s" x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f"/>`+"\n", class, x1, y1, x2, y2)
}

// openDocument begins the document. Every line has its own pattern, so that a
// print in black and white tells them apart. It also writes the title, the names
// of the client and the session, and the description for screen readers.
func (p *sessionChart) openDocument(height float64) {
	p.write(`<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="title desc" viewBox="0 0 %.0f %.0f" width="100%%">`+"\n", chartWidth, height)
	p.write(`<title id="title">`)
	p.escape(p.title())
	p.write("</title>\n" + `<desc id="desc">`)
	p.escape(p.description())
	p.write("</desc>\n%s", chartStyle)
	p.write(`<rect width="%.0f" height="%.0f" fill="#fff"/>`+"\n", chartWidth, height)
	p.write(`<g font-weight="bold">`)
	p.text(chartMargin, 24, "start", p.title())
	p.write("</g>\n" + `<g class="small">`)
	// A name is longer than the page is wide.
	client, session, _ := strings.Cut(p.session.GetName(), "/sessions/")
	p.text(chartMargin, 42, "start", client)
	p.text(chartMargin, 58, "start", "session "+session)
	p.write("</g>\n")
}

// title returns the title of the chart.
func (p *sessionChart) title() string {
	return "Session of " + p.begin.UTC().Format("2 Jan 2006, 15:04") + " UTC"
}

// description describes the chart in words, for screen readers. It says the same
// as the picture, in the same order.
func (p *sessionChart) description() string {
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
		parts = append(parts, fmt.Sprintf("Water on %s: %.1f minutes.", placeWords("", f.Place), f.GetFlushedMinutes()))
	}
	for i, n := range p.notices {
		parts = append(parts, p.describe(i, n)+".")
	}
	return strings.Join(parts, " ")
}

// chartStyle is the style sheet and the two patterns: hatching for product on the
// hair, drops for running water.
const chartStyle = `<style>
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
