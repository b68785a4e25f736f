package storage

import (
	"time"

	pb "alkalog/proto/alkalogv1"
)

// Outcomes are never changed, and are listed newest first. A session has at most one; a
// unique index refuses a second. The column bad feeds the counters.
var Outcomes = Kind[*pb.Outcome]{newestFirst: true, table: newSealed("outcomes", "parent",
	column[*pb.Outcome]{"session", "text", func(o *pb.Outcome) any { return o.GetSession() }},
	column[*pb.Outcome]{"bad", "boolean", func(o *pb.Outcome) any { return isBad(o) }},
	// Set only where a pace was measured.
	column[*pb.Outcome]{"practitioner", "text", func(o *pb.Outcome) any { return o.GetApplicationPace().GetPractitioner() }},
	// NULL in outcomes from before the field existed: the session says which salon.
	column[*pb.Outcome]{"salon", "text", func(o *pb.Outcome) any { return o.GetSalon() }},
	column[*pb.Outcome]{"retouch_time", "timestamptz", func(o *pb.Outcome) any { return o.GetNextRetouchTime() }},
)}

// MeasuredOutcomes reads up to limit of the newest outcomes that measured the pace of a
// practitioner, over all clients of the chain, newest first.
func MeasuredOutcomes(s *Snapshot, practitioner string, limit int) ([]*pb.Outcome, error) {
	rows, planned, err := s.list(measuredOutcomesID(practitioner))
	if !planned {
		err = s.all(&rows, "select "+sealedColumns+" from outcomes"+ofClient+" where chain = $1 and "+measuredOutcomes+" order by id desc limit $3", s.chain, practitioner, limit)
	}
	if err != nil {
		return nil, err
	}
	return openRows[*pb.Outcome](s, Outcomes.name, "", rows)
}

// measuredOutcomes is the condition of MeasuredOutcomes.
const measuredOutcomes = "client = parent and practitioner = $2"

// measuredOutcomesID identifies the measured outcomes of a practitioner among the lists
// of a plan.
func measuredOutcomesID(practitioner string) string { return "pace of " + practitioner }

// RetouchWindow says which outcomes RetouchesDue reads.
type RetouchWindow struct {
	Salon string
	// From and Until bound the time of the next retouch, both included.
	From, Until time.Time
	// AfterTime and AfterName are the last outcome of the page before.
	AfterTime time.Time
	AfterName string
}

// RetouchesDue reads outcomes whose next retouch falls into a window, the earliest
// first, then by name, up to a limit. Outcomes that do not say their salon are
// among them, whichever salon they are of.
func RetouchesDue(s *Snapshot, w RetouchWindow, limit int) ([]*pb.Outcome, error) {
	var after key
	if w.AfterName != "" {
		var err error
		if after, err = parseName(w.AfterName); err != nil {
			return nil, ErrBadToken
		}
	}
	var rows []sealedRow
	err := s.all(&rows, "select "+sealedColumns+" from outcomes"+ofClient+` where chain = $1 and client = parent
		and (salon = $2 or salon is null) and retouch_time between $3 and $4 and (retouch_time, parent, id) > ($5, $6, $7)
		order by retouch_time, parent, id limit $8`, s.chain, w.Salon, w.From, w.Until, w.AfterTime, after.parent, after.id, limit)
	if err != nil {
		return nil, err
	}
	return openRows[*pb.Outcome](s, Outcomes.name, "", rows)
}
