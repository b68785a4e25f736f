package picture

import (
	"fmt"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// water tells the facts that a place under water is drawn from.
func water(e *pb.Event) bool {
	switch e.GetFact().(type) {
	case *pb.Event_WaterOn, *pb.Event_WaterOff, *pb.Event_Splash, *pb.Event_HelpCalled, *pb.Event_RinseFinished:
		return true
	}
	return false
}

// wet is running water on one place that had to be flushed.
type wet struct {
	flush *pb.FlushState // as it was at the end
	runs  []run
}

// run is one spell of running water.
type run struct{ from, to time.Time }

// places are those that had to be flushed, with their spells of water.
func (p *page) places() []wet {
	var places []wet
	for _, end := range p.final.Flushes {
		w := wet{flush: end}
		for _, state := range p.course {
			for _, f := range state.Flushes {
				if f.Place != end.Place || f.WaterOnTime == nil {
					continue
				}
				from := f.WaterOnTime.AsTime()
				if n := len(w.runs); n > 0 && !w.runs[n-1].from.Before(from) {
					continue
				}
				w.runs = append(w.runs, run{from, p.dry(end.Place, from)})
			}
		}
		places = append(places, w)
	}
	return places
}

// dry is when water that ran on a place since an instant was taken away.
func (p *page) dry(place pb.Place, from time.Time) time.Time {
	for _, state := range p.course {
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

// water draws a place: when product came there, and when water ran on it.
func (p *page) water(w wet, y float64) {
	p.write(`<g class="place">` + "\n")
	p.text(margin, y+22, "start", "water on: "+where("", w.flush.Place))
	for _, r := range w.runs {
		p.write(`<rect class="wet" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`+"\n", p.x(r.from), y+30, p.x(r.to)-p.x(r.from), band)
	}
	p.stroke("tick", left, y+30+band, right, y+30+band)
	p.write(`<g class="small">`)
	words := fmt.Sprintf("%.1f min of running water, at least %.0f", w.flush.GetFlushedMinutes(), w.flush.GetLeastMinutes())
	if w.flush.HelpTookOver {
		words += ", then medical help"
	}
	p.text(right, y+22, "end", words)
	p.write("</g>\n</g>\n")
}
