package report

import (
	"fmt"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// isWater reports whether an event is about running water or what needs it.
func isWater(e *pb.Event) bool {
	switch e.GetFact().(type) {
	case *pb.Event_WaterOn, *pb.Event_WaterOff, *pb.Event_Splash, *pb.Event_HelpCalled, *pb.Event_RinseFinished:
		return true
	}
	return false
}

// flushedPlace is a place on the client that had to be flushed, with the times at
// which water ran on it.
type flushedPlace struct {
	flush *pb.FlushState // as it was at the end
	runs  []waterSpell
}

// waterSpell is a period during which water ran without a break.
type waterSpell struct{ from, to time.Time }

// flushedPlaces returns the places that had to be flushed. A spell begins where a
// state shows a new beginning of water.
func (p *sessionChart) flushedPlaces() []flushedPlace {
	var places []flushedPlace
	for _, end := range p.final.Flushes {
		w := flushedPlace{flush: end}
		for _, state := range p.states {
			for _, f := range state.Flushes {
				if f.Place != end.Place || f.WaterOnTime == nil {
					continue
				}
				from := f.WaterOnTime.AsTime()
				// Many states show the same spell; each is drawn once.
				if n := len(w.runs); n > 0 && !w.runs[n-1].from.Before(from) {
					continue
				}
				w.runs = append(w.runs, waterSpell{from, p.waterEnd(end.Place, from)})
			}
		}
		places = append(places, w)
	}
	return places
}

// waterEnd returns when the water that ran on a place since an instant stopped;
// the end of the chart if it never did.
func (p *sessionChart) waterEnd(place pb.Place, from time.Time) time.Time {
	for _, state := range p.states {
		at := state.Time.AsTime()
		if !at.After(from) {
			continue
		}
		for _, f := range state.Flushes {
			if f.Place == place && (f.WaterOnTime == nil || f.WaterOnTime.AsTime().After(from)) {
				return at
			}
		}
	}
	return p.end
}

// drawWater draws a place with its spells of water, the minutes that they sum up
// to and the minutes that were required. Help that took over ends what the salon
// had to do, and is named.
func (p *sessionChart) drawWater(w flushedPlace, y float64) {
	p.write(`<g class="place">` + "\n")
	p.text(chartMargin, y+22, "start", "water on: "+placeWords("", w.flush.Place))
	for _, r := range w.runs {
		p.write(`<rect class="wet" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`+"\n", p.x(r.from), y+30, p.x(r.to)-p.x(r.from), bandHeight)
	}
	p.stroke("tick", plotLeft, y+30+bandHeight, plotRight, y+30+bandHeight)
	p.write(`<g class="small">`)
	words := fmt.Sprintf("%.1f min of running water, at least %.0f", w.flush.GetFlushedMinutes(), w.flush.GetLeastMinutes())
	if w.flush.HelpTookOver {
		words += ", then medical help"
	}
	p.text(plotRight, y+22, "end", words)
	p.write("</g>\n</g>\n")
}
