package report

import (
	"fmt"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// isWater tells the facts that a place under water is drawn from.
func isWater(e *pb.Event) bool {
	switch e.GetFact().(type) {
	case *pb.Event_WaterOn, *pb.Event_WaterOff, *pb.Event_Splash, *pb.Event_HelpCalled, *pb.Event_RinseFinished:
		return true
	}
	return false
}

// flushedPlace is running water on one place that had to be flushed.
type flushedPlace struct {
	flush *pb.FlushState // as it was at the end
	runs  []waterSpell
}

// waterSpell is one spell of running water.
type waterSpell struct{ from, to time.Time }

// flushedPlaces are those that had to be flushed, with their spells of water.
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

// waterEnd is when water that ran on a place since an instant was taken away.
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

// drawWater draws a place: when product came there, and when water ran on it.
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
