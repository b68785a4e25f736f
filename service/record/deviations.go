package record

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
	"alkalog/service/timing"
)

// Deviations are what a write changes among the deviations of a session that are
// on the audit log. The session keeps which are logged: its version is checked
// when the write commits, so a deviation is logged once whichever call or server
// sees it. A deviation says that something happened that the plan or the
// directions did not allow. It is logged when it is first seen, which can be in a
// write that records facts, in a closing, or in the sweep of sessions that were
// left open.
type Deviations struct {
	Fresh     []*pb.Deviation // not on the log yet
	Withdrawn []*pb.Deviation // on the log, and disproved
}

// NoteDeviations compares what was found now with what is logged, and notes both
// on the session. Disproved is what stood before the facts of this write and does
// not stand with them: only facts withdraw a deviation, never the passing of time
// or a change of the catalogue. Sessions begun before there was such a list count
// as logged what legacy says. A withdrawn deviation stays in the list with the
// time of its withdrawal, since its entry stays on the log. The session is
// changed and is to be written with the entries.
func NoteDeviations(audit ledger.EntryContext, session *pb.Session, found, disproved []*pb.Deviation, legacy func() ([]*pb.Deviation, error)) (Deviations, error) {
	if !ListsDeviations(session) {
		logged, err := legacy()
		if err != nil {
			return Deviations{}, err
		}
		session.Deviations = logged
	}
	var changed Deviations
	gone := &pb.SessionState{Deviations: disproved}
	for _, d := range session.Deviations {
		stands := d.WithdrawTime == nil
		if stands && len(timing.NewDeviations(gone, &pb.SessionState{Deviations: []*pb.Deviation{d}})) == 0 {
			d.WithdrawTime = timestamppb.New(audit.Time)
			changed.Withdrawn = append(changed.Withdrawn, d)
		}
	}
	for _, d := range timing.NewDeviations(Logged(session), &pb.SessionState{Deviations: found}) {
		d = proto.CloneOf(d)
		d.Entry = audit.Chain + "/entries/" + audit.NewID()
		changed.Fresh = append(changed.Fresh, d)
		session.Deviations = append(session.Deviations, d)
	}
	return changed, nil
}

// ListsDeviations reports whether a session has the list of what is logged of it. Those
// that were begun before there was one have none.
func ListsDeviations(session *pb.Session) bool {
	return len(session.Deviations) > 0 || session.GetLimits().GetFlushMinutes() != 0
}

// NoLegacy is legacy for a session that is just being begun.
func NoLegacy() ([]*pb.Deviation, error) { return nil, nil }

// Logged are the deviations of a session that are on the log and were not withdrawn.
func Logged(session *pb.Session) *pb.SessionState {
	logged := &pb.SessionState{}
	for _, d := range session.Deviations {
		if d.WithdrawTime == nil {
			logged.Deviations = append(logged.Deviations, d)
		}
	}
	return logged
}

// None reports whether nothing changed.
func (d Deviations) None() bool { return len(d.Fresh)+len(d.Withdrawn) == 0 }

// Entries are the audit entries of the changes; session is the session as it is
// written. The cause of a deviation is the event that showed it, or else the
// session; that of a withdrawal is the newest event. A deviation without an
// entry, of a session from before there was such a list, is withdrawn without
// one. The ids of the entries of fresh deviations were made by NoteDeviations,
// because the session names them.
func (d Deviations) Entries(audit ledger.EntryContext, session *pb.Session, events []*pb.StoredEvent) []*pb.AuditEntry {
	causes := map[string]proto.Message{}
	for _, e := range events {
		causes[e.Event.EventId] = e
	}
	var entries []*pb.AuditEntry
	for _, fresh := range d.Fresh {
		cause, shown := causes[fresh.EventId]
		if !shown {
			cause = session
		}
		e := audit.Deviated(session, fresh, cause)
		e.Name = fresh.Entry
		entries = append(entries, e)
	}
	for _, w := range d.Withdrawn {
		if w.Entry != "" && len(events) > 0 {
			entries = append(entries, audit.Withdrawn(session, w, events[len(events)-1]))
		}
	}
	return entries
}
