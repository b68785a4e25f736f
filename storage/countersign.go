package storage

import (
	"errors"

	pb "alkalog/proto/alkalogv1"
)

// countersignatures are supervisors' signatures under students' decisions, with
// the same keys as those. A decision has one at most; the database refuses a
// second, and one without its audit entry.
var countersignatures = newSealed[*pb.Countersignature]("countersignatures", "parent")

// InsertCountersignature makes the record of the signature under the decision of
// that name.
func InsertCountersignature(decision string, c *pb.Countersignature) Record {
	at, err := parseName(decision)
	return countersignatures.record(key{chain: at.chain, parent: at.parent, id: at.id}, err, c)
}

// CountersignatureOf reads the signature under a decision; nil when there is
// none.
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
