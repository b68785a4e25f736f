package timing

import (
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// OpenRinses lists what must be done with water before a service can be closed as
// completed, as instructions; empty when nothing is open. It covers every call for water
// of the state, water that was taken off too soon, product that is still on, and a rinse
// that nobody recorded: a shampoo is no rinse.
func OpenRinses(s *pb.Session, events []*pb.StoredEvent, state *pb.SessionState) []string {
	var open []string
	for _, a := range state.GetAlarms() {
		if a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_NOW || a.Kind == pb.AlarmKind_ALARM_KIND_WATER_OFF_TOO_SOON {
			open = append(open, AlarmPlace(a)+": "+a.Message)
		}
	}
	f := foldFacts(s, events, nil, state.GetTime().AsTime(), cautious)
	for _, c := range f.sections {
		if c.on {
			open = append(open, sectionWords(c.id)+": Rinse the product out.")
		}
	}
	if f.unrinsed {
		open = append(open, "the head: Rinse the product out and tap it. No rinse is on record.")
	}
	return slices.Compact(open)
}
