package timing

import pb "alkalog/proto/alkalogv1"

// renew takes, of tills whose clocks are not measured, the latest time that fits for
// a report that calls for water and was received after the water that would answer
// it. By a slow clock "it burns" after a finished flush looks like the report that
// the flush answered; it must call again. Within one till the device's own order is
// certain whatever its clock says.
func renew(facts []fact) {
	for i := range facts {
		f := &facts[i]
		if !f.unmeasured() || f.received.IsZero() || !needsWater(f.Event) {
			continue
		}
		for _, g := range facts {
			before := !g.received.IsZero() && g.received.Before(f.received)
			if before && !g.at.Before(f.at) && answers(g.Event) && !f.notedBefore(g) {
				f.at = f.received
				break
			}
		}
	}
}

// needsWater reports whether an event calls for water by what it says.
func needsWater(e *pb.Event) bool {
	switch what := e.Fact.(type) {
	case *pb.Event_ComfortCheck:
		return isBurn(what.ComfortCheck.Comfort) || what.ComfortCheck.Comfort == pb.Comfort_COMFORT_TINGLING
	case *pb.Event_Splash:
		return true
	case *pb.Event_OtherFact:
		return what.OtherFact.RinseNow
	}
	return false
}

// answers reports whether an event is, implies or ends water, or ends the need of it.
func answers(e *pb.Event) bool {
	switch e.Fact.(type) {
	case *pb.Event_WaterOn, *pb.Event_WaterOff, *pb.Event_HelpCalled, *pb.Event_NormalizerOff, *pb.Event_NeutralizerOff:
		return true
	}
	return stopsClock(e)
}

// notedBefore reports whether one till noted f before g, by its own numbers.
func (f fact) notedBefore(g fact) bool {
	return f.sender == g.sender && f.DeviceSequence != nil && g.DeviceSequence != nil && f.GetDeviceSequence() < g.GetDeviceSequence()
}
