package storage

import pb "alkalog/proto/alkalogv1"

// Outcomes are never changed, and are listed newest first. A session has at most one; a
// unique index refuses a second. The column bad feeds the counters.
var Outcomes = Kind[*pb.Outcome]{newestFirst: true, table: newSealed("outcomes", "parent",
	column[*pb.Outcome]{"session", "text", func(o *pb.Outcome) any { return o.GetSession() }},
	column[*pb.Outcome]{"bad", "boolean", func(o *pb.Outcome) any { return isBad(o) }},
	// Set only where a pace was measured.
	column[*pb.Outcome]{"practitioner", "text", func(o *pb.Outcome) any { return o.GetApplicationPace().GetPractitioner() }},
)}

// MeasuredOutcomes reads up to limit of the newest outcomes that measured the pace of a
// practitioner, over all clients of the chain, newest first.
func MeasuredOutcomes(s *Snapshot, practitioner string, limit int) ([]*pb.Outcome, error) {
	var rows []sealedRow
	err := s.all(&rows, "select "+sealedColumns+" from outcomes"+ofClient+
		" where chain = $1 and client = parent and practitioner = $2 order by id desc limit $3", s.chain, practitioner, limit)
	if err != nil {
		return nil, err
	}
	return openRows[*pb.Outcome](s, Outcomes.name, "", rows)
}
