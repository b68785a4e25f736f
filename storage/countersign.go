package storage

import (
	"errors"

	pb "alkalog/proto/alkalogv1"
)

// countersignatures holds supervisors' signatures on students' decisions, under the
// keys of the decisions. A decision has at most one: the primary key refuses a second,
// and a trigger refuses one without its audit entry.
var countersignatures = newSealed[*pb.Countersignature]("countersignatures", "parent")

// InsertCountersignature makes the record of the signature on a decision, given by its
// resource name.
func InsertCountersignature(decision string, c *pb.Countersignature) Record {
	at, err := parseName(decision)
	return countersignatures.record(key{chain: at.chain, parent: at.parent, id: at.id}, err, c)
}

// CountersignatureOf reads the signature on a decision; nil without an error if there
// is none.
func CountersignatureOf(s *Snapshot, decision string) (*pb.Countersignature, error) {
	at, err := parseName(decision)
	if err != nil {
		return nil, err
	}
	body, err := countersignatures.read(s, key{chain: s.chain, parent: at.parent, id: at.id})
	if errors.Is(err, ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return parse[*pb.Countersignature](body)
}
