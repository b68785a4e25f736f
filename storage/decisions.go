package storage

import pb "alkalog/proto/alkalogv1"

// Decisions are never changed, and listed newest first. They are stored
// without their overrides, which come later and are records of their own.
var Decisions = Kind[*pb.Decision]{newestFirst: true, table: newTable("decisions",
	column[*pb.Decision]{"verdict", "text", func(d *pb.Decision) any { return d.GetVerdict().String() }},
	column[*pb.Decision]{"create_time", "timestamptz", func(d *pb.Decision) any { return d.GetCreateTime() }},
)}

// overrides are the attempts to set findings of decisions aside.
var overrides = newTable[*pb.Override]("overrides")

// InsertOverride makes the record of an attempt to override a finding of the
// decision of that name. It needs an override id.
func InsertOverride(decision string, o *pb.Override) Record {
	at, err := childKey(decision, o.GetOverrideId())
	return overrides.record(at, err, o)
}

// Overrides reads the attempts on a decision in the order they were made.
func Overrides(s *Snapshot, decision string) ([]*pb.Override, error) {
	at, err := parseName(decision)
	if err != nil {
		return nil, err
	}
	var bodies [][]byte
	if err := s.all(&bodies, "select body from overrides where chain = $1 and parent = $2 order by id", s.chain, at.id); err != nil {
		return nil, err
	}
	return parseAll[*pb.Override](bodies)
}

// LatestDecisions reads the newest decisions of the chain, newest first.
func LatestDecisions(s *Snapshot, limit int) ([]*pb.Decision, error) {
	var bodies [][]byte
	if err := s.all(&bodies, "select body from decisions where chain = $1 order by id desc limit $2", s.chain, limit); err != nil {
		return nil, err
	}
	return parseAll[*pb.Decision](bodies)
}
