package storage

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// Incidents are listed newest first. A salon finds its open follow-ups by due_time; the
// server finds those that it must report as overdue by unlogged_time. Both columns are
// NULL when nothing is left to do.
var Incidents = Mutable[*pb.Incident]{Kind[*pb.Incident]{newestFirst: true, table: incidents()}}

// incidents returns the table of incidents. Those that were imported have external ids.
func incidents() table[*pb.Incident] {
	t := newSealed("incidents", "parent",
		column[*pb.Incident]{"salon", "text", func(i *pb.Incident) any { return i.GetSalon() }},
		column[*pb.Incident]{"due_time", "timestamptz", func(i *pb.Incident) any { return NextDue(i) }},
		column[*pb.Incident]{"unlogged_time", "timestamptz", func(i *pb.Incident) any { return nextUnlogged(i) }},
	)
	t.external = func(i *pb.Incident) externalID { return externalID{OfRecords, i.GetSource().GetExternalId()} }
	return t
}

// NextDue returns when the next follow-up that is not done is due; nil if all are done.
// A follow-up that was already logged as overdue still counts.
func NextDue(i *pb.Incident) *timestamppb.Timestamp {
	for _, f := range i.GetFollowUps() {
		if f.GetDoneTime() == nil {
			return f.GetDueTime()
		}
	}
	return nil
}

// nextUnlogged returns when the next follow-up is due that is neither done nor logged
// as overdue; nil if there is none.
func nextUnlogged(i *pb.Incident) *timestamppb.Timestamp {
	for _, f := range i.GetFollowUps() {
		if f.GetDoneTime() == nil && !f.GetOverdue() {
			return f.GetDueTime()
		}
	}
	return nil
}

// ListIncidents reads a page of the incidents of a client, or of the whole chain if
// client is empty, newest first.
func ListIncidents(s *Snapshot, client string, page Page) ([]*pb.Incident, string, error) {
	if client != "" {
		return Incidents.List(s, client, page)
	}
	return list[*pb.Incident](s, Incidents.byID("chain = $1", true, s.chain), page)
}

// DueIncidents reads up to limit incidents of a salon with an open follow-up, the
// earliest due first.
func DueIncidents(s *Snapshot, salon string, limit int) ([]*pb.Incident, error) {
	return incidentsWhere(s, "due_time is not null and salon = $2 order by due_time, id limit $3", salon, limit)
}

// OverdueIncidents reads up to limit incidents of the chain with a follow-up that was
// due before a time, is not done and is not yet logged as overdue, the earliest due
// first.
func OverdueIncidents(s *Snapshot, before time.Time, limit int) ([]*pb.Incident, error) {
	return incidentsWhere(s, "unlogged_time < $2 order by unlogged_time, id limit $3", before, limit)
}

// incidentsWhere reads the incidents of the chain that a condition holds for. The
// condition is appended to "chain = $1 and ..."; its parameters begin with $2.
func incidentsWhere(s *Snapshot, where string, args ...any) ([]*pb.Incident, error) {
	var rows []sealedRow
	err := s.all(&rows, "select "+sealedColumns+" from incidents"+ofClient+" where chain = $1 and client = parent and "+where,
		append([]any{s.chain}, args...)...)
	if err != nil {
		return nil, err
	}
	return openRows[*pb.Incident](s, Incidents.name, "", rows)
}
