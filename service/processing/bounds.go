package processing

import pb "alkalog/proto/alkalogv1"

// A session is read, replayed and shown as a whole, so the number of its facts
// is bounded. Both bounds are our own choice: an honest service has 50 to 300.
const (
	// mostEvents is how many facts of any kind are recorded.
	mostEvents = 5000
	// mostSafetyEvents is how many there may be with those that concern the
	// client's safety, which no flood of remarks may keep out.
	mostSafetyEvents = 10000
)

// full says why a fact is not recorded in a session that has so many; empty: it is.
func full(e *pb.Event, recorded int) string {
	switch {
	case recorded < mostEvents, isSafety(e) && recorded < mostSafetyEvents:
		return ""
	case isSafety(e):
		return "event: the session has 10,000 events, the most there can be; close it and begin another"
	}
	return "event: the session has 5,000 events; only what the client feels, water, splashes, help and stopping are still recorded"
}

// isSafety reports whether a fact concerns the client's safety at once.
func isSafety(e *pb.Event) bool {
	switch e.Fact.(type) {
	case *pb.Event_ComfortCheck, *pb.Event_RinseStarted, *pb.Event_RinseFinished, *pb.Event_WaterOn, *pb.Event_WaterOff,
		*pb.Event_Splash, *pb.Event_HelpCalled, *pb.Event_Stopped, *pb.Event_ScalpChecked, *pb.Event_OtherFact:
		return true
	}
	return false
}
