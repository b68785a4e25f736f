package storage

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// Incidents are listed newest first. A salon finds those that have a follow-up
// to do by the time at which the next one is due.
var Incidents = Mutable[*pb.Incident]{Kind[*pb.Incident]{newestFirst: true, table: newSealed("incidents", "parent",
	column[*pb.Incident]{"salon", "text", func(i *pb.Incident) any { return i.GetSalon() }},
	column[*pb.Incident]{"due_time", "timestamptz", func(i *pb.Incident) any { return NextDue(i) }},
	column[*pb.Incident]{"unlogged_time", "timestamptz", func(i *pb.Incident) any { return nextUnlogged(i) }},
)}}

// NextDue is when the next follow-up of an incident is due that is not done; nil:
// all are done. An overdue one that was logged still counts.
func NextDue(i *pb.Incident) *timestamppb.Timestamp {
	for _, f := range i.GetFollowUps() {
		if f.GetDoneTime() == nil {
			return f.GetDueTime()
		}
	}
	return nil
}

// nextUnlogged is when the next follow-up is due that is neither done nor on the
// log as overdue.
func nextUnlogged(i *pb.Incident) *timestamppb.Timestamp {
	for _, f := range i.GetFollowUps() {
		if f.GetDoneTime() == nil && !f.GetOverdue() {
			return f.GetDueTime()
		}
	}
	return nil
}

// ListIncidents reads a page of the incidents of a client, or of the whole chain
// if client is empty, newest first.
func ListIncidents(s *Snapshot, client string, page Page) ([]*pb.Incident, string, error) {
	if client != "" {
		return Incidents.List(s, client, page)
	}
	return list[*pb.Incident](s, Incidents.byID("chain = $1", true, s.chain), page)
}

// DueIncidents reads the incidents of a salon that have a follow-up to do, the
// earliest due first.
func DueIncidents(s *Snapshot, salon string, limit int) ([]*pb.Incident, error) {
	return incidentsWhere(s, "due_time is not null and salon = $2 order by due_time, id limit $3", salon, limit)
}

// OverdueIncidents reads the incidents of the chain with a follow-up that was due
// before a time, is not done, and is not on the log as overdue.
func OverdueIncidents(s *Snapshot, before time.Time, limit int) ([]*pb.Incident, error) {
	return incidentsWhere(s, "unlogged_time < $2 order by unlogged_time, id limit $3", before, limit)
}

func incidentsWhere(s *Snapshot, where string, args ...any) ([]*pb.Incident, error) {
	var rows []sealedRow
	err := s.all(&rows, "select "+sealedColumns+" from incidents"+ofClient+" where chain = $1 and client = parent and "+where,
		append([]any{s.chain}, args...)...)
	if err != nil {
		return nil, err
	}
	return openRows[*pb.Incident](s, Incidents.name, "", rows)
}
