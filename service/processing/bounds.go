package processing

import (
	pb "alkalog/proto/alkalogv1"
	"alkalog/service/timing"
)

// A session is read, replayed and shown as a whole, so the number of its facts
// is bounded. The bounds are our own choice: an honest service has 50 to 300.
const (
	// mostEvents is how many facts of any kind are recorded.
	mostEvents = 5000
	// mostSafetyEvents is how many there may be with those that concern the
	// client's safety, which no flood of remarks may keep out.
	mostSafetyEvents = 10000
	// mostOtherEvents is how many facts are recorded that this server does not
	// know. They may concern safety, and must not take the room of those that do.
	mostOtherEvents = 200
	// keptForDiscomfort is how many reports of discomfort and splashes are recorded
	// however many other facts there are.
	keptForDiscomfort = 1000
)

// tally counts the facts that a session has.
type tally struct {
	all        int
	other      int // not known to this server
	discomfort int // discomfort and splashes
}

// add counts a fact. One that is rejected or was recorded before is not counted.
func (t *tally) add(e *pb.Event) {
	t.all++
	if isOther(e) {
		t.other++
	}
	if isDiscomfort(e) {
		t.discomfort++
	}
}

// full says why a fact is not recorded in such a session; empty: it is.
func (t *tally) full(e *pb.Event) string {
	switch {
	case isOther(e) && t.other >= mostOtherEvents:
		return "event: the session has 200 facts that this server does not know, the most there can be; record what the client feels, water and splashes as such"
	case isDiscomfort(e) && t.discomfort < keptForDiscomfort:
		return ""
	case t.all < mostEvents, (isSafety(e) || isOther(e)) && t.all < mostSafetyEvents:
		return ""
	case isSafety(e) || isOther(e):
		return "event: the session has 10,000 events, the most there can be; close it and begin another"
	}
	return "event: the session has 5,000 events; only what the client feels, water, splashes, help and stopping are still recorded"
}

// isOther reports whether this server does not know a fact at all.
func isOther(e *pb.Event) bool { return e.GetOtherFact() != nil || timing.UnknownFact(e) != "" }

// isDiscomfort reports whether a fact says that the client is hurt. A comfort that
// this server does not know counts as the worst.
func isDiscomfort(e *pb.Event) bool {
	if check := e.GetComfortCheck(); check != nil {
		return check.Comfort != pb.Comfort_COMFORT_UNSPECIFIED && check.Comfort != pb.Comfort_COMFORT_COMFORTABLE
	}
	return e.GetSplash() != nil
}

// isSafety reports whether a fact concerns the client's safety at once.
func isSafety(e *pb.Event) bool {
	switch e.Fact.(type) {
	case *pb.Event_ComfortCheck, *pb.Event_RinseStarted, *pb.Event_RinseFinished, *pb.Event_WaterOn, *pb.Event_WaterOff,
		*pb.Event_Splash, *pb.Event_HelpCalled, *pb.Event_Stopped, *pb.Event_ScalpChecked:
		return true
	}
	return false
}
