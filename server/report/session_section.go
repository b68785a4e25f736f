package report

import (
	"fmt"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// drawSection draws one section: numbers of notices, the graph, the band. y is
// its upper edge. A section that no product touched has an empty graph.
func (p *sessionChart) drawSection(s *pb.SectionState, y float64) {
	floor := y + flagsHeight + graphHeight
	p.write(`<g class="section">` + "\n")
	p.write(`<g font-weight="bold">`)
	p.text(chartMargin, y+14, "start", s.SectionId)
	p.write("</g>\n")
	p.write(`<rect class="frame" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`+"\n", plotLeft, y+flagsHeight, plotRight-plotLeft, graphHeight)
	p.write(`<g class="small">`)
	for _, percent := range []float64{0, 50, 100} {
		p.text(plotLeft-4, floor-graphHeight*percent/100+4, "end", fmt.Sprintf("%.0f %%", percent))
	}
	p.write("</g>\n")
	if s.FirstContactTime != nil {
		p.drawCurve(s.SectionId, floor)
	}
	p.drawLevels(floor)
	p.drawLimits(s, floor)
	p.drawTests(s.SectionId, floor)
	p.drawContact(s, floor+8)
	p.drawNumbers(s.SectionId, y+flagsHeight-4)
	p.write("</g>\n")
}

// drawCurve draws the estimate and its 90 % interval, as they were known at each
// instant: a strand test bends them. The interval is one polygon: the upper
// bounds from left to right, then the lower ones back.
func (p *sessionChart) drawCurve(id string, floor float64) {
	var middle, upper []string
	lower := ""
	for _, state := range p.states {
		at := state.Time.AsTime()
		if at.Before(p.begin) || at.After(p.end) {
			continue
		}
		s := sectionByID(state, id)
		// There is an estimate only while product is on.
		if s == nil || s.FirstContactTime == nil || s.StraighteningPercent == nil || s.RinseTime != nil {
			continue
		}
		point := func(percent float64) string { return fmt.Sprintf("%.1f,%.1f ", p.x(at), floor-graphHeight*percent/100) }
		e := s.StraighteningPercent
		middle, upper = append(middle, point(e.Value)), append(upper, point(e.High))
		lower = point(e.Low) + lower
	}
	p.write(`<polygon class="interval" points="%s%s"/>`+"\n", strings.Join(upper, ""), lower)
	p.write(`<polyline class="curve" points="%s"/>`+"\n", strings.Join(middle, ""))
}

// sectionByID returns a section of a state; nil if it is not in it.
func sectionByID(state *pb.SessionState, id string) *pb.SectionState {
	for _, s := range state.Sections {
		if s.SectionId == id {
			return s
		}
	}
	return nil
}

// drawLevels draws the target and the cap of the session. A level of zero is not
// set.
func (p *sessionChart) drawLevels(floor float64) {
	draw := func(class string, percent float64) {
		if percent > 0 {
			p.stroke(class, plotLeft, floor-graphHeight*percent/100, plotRight, floor-graphHeight*percent/100)
		}
	}
	draw("target", p.session.GetLimits().GetTargetPercent())
	draw("cap", p.session.GetLimits().GetCapPercent())
}

// drawLimits draws the last latest rinse that was advised before the section was
// rinsed, and the hard limit.
func (p *sessionChart) drawLimits(s *pb.SectionState, floor float64) {
	advised := s.LatestRinseTime
	for _, state := range p.states {
		// Once it is rinsed there is no more advice.
		if then := sectionByID(state, s.SectionId); then != nil && then.RinseTime == nil && then.LatestRinseTime != nil {
			advised = then.LatestRinseTime
		}
	}
	if advised != nil {
		p.stroke("latest", p.x(advised.AsTime()), floor-graphHeight, p.x(advised.AsTime()), floor+8+bandHeight)
	}
	if t := s.HardLimitTime; t != nil {
		p.stroke("limit", p.x(t.AsTime()), floor-graphHeight, p.x(t.AsTime()), floor+8+bandHeight)
	}
}

// drawTests marks the strand tests of a section and those of the whole head. A
// test with a percentage is drawn at the straightening that was read; one with
// words only is drawn on the estimate. An event that was sent twice is drawn
// once.
func (p *sessionChart) drawTests(id string, floor float64) {
	seen := map[string]bool{}
	for _, e := range p.events {
		test := e.GetEvent().GetStrandTest()
		if test == nil || test.SectionId != id && test.SectionId != "" || seen[e.Event.EventId] {
			continue
		}
		seen[e.Event.EventId] = true
		read, label := 100-test.GetRemainingCurlPercent(), fmt.Sprintf("%.0f %%", 100-test.GetRemainingCurlPercent())
		if test.RemainingCurlPercent == nil {
			estimated := sectionByID(p.stateAt(occurTime(e)), id).GetStraighteningPercent()
			if test.Reading == pb.CurlReading_CURL_READING_UNSPECIFIED || estimated == nil {
				continue
			}
			read, label = estimated.Value, enumWords(test.Reading.String(), "CURL_READING_")
		}
		x, y := p.x(occurTime(e)), floor-graphHeight*read/100
		p.write(`<circle class="test" cx="%.1f" cy="%.1f" r="4"/>`+"\n", x, y)
		p.labelTest(x, y, read, label)
	}
}

// stateAt returns the state at an instant; the final one if none was computed for
// it.
func (p *sessionChart) stateAt(at time.Time) *pb.SessionState {
	for _, state := range p.states {
		if state.Time.AsTime().Equal(at) {
			return state
		}
	}
	return p.final
}

// labelTest writes the result of a strand test on a white ground, on the side
// where the curve, which rises from the lower left to the upper right, does not
// run. percent is where the test is drawn. The width of the text is estimated
// from its number of characters, since an SVG has no measure of it.
func (p *sessionChart) labelTest(x, y, percent float64, label string) {
	wide := 8 + 6.2*float64(len(label))
	at, down := x-wide-6, -15.0
	if percent < 50 || at < plotLeft {
		at, down = x+6, 3
	}
	p.write(`<rect x="%.1f" y="%.1f" width="%.1f" height="13" fill="#fff"/>`+"\n"+`<g class="small">`, at, y+down, wide)
	p.text(at+wide/2, y+down+10.5, "middle", label)
	p.write("</g>\n")
}

// drawContact draws the time of contact as a band. Without a rinse the band goes
// to the end of the axis and says so. Minutes are those
// between first contact and rinse.
func (p *sessionChart) drawContact(s *pb.SectionState, y float64) {
	if s.FirstContactTime == nil {
		p.text(plotLeft+4, y+12, "start", "no product")
		return
	}
	from, to := p.x(s.FirstContactTime.AsTime()), p.x(rinseTime(s, p.end))
	p.write(`<rect class="band" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`+"\n", from, y, to-from, bandHeight)
	words := "not rinsed yet"
	if s.RinseTime != nil {
		words = fmt.Sprintf("rinse after %.1f min", s.RinseTime.AsTime().Sub(s.FirstContactTime.AsTime()).Minutes())
	}
	p.write(`<g class="small">`)
	p.text((from+to)/2, y+bandHeight+12, "middle", words)
	p.write("</g>\n")
}
