package storage

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The answer to a request is mostly a record that the same write stores, such as a
// decision. Storing it twice would double what a call costs on disk, so requests keeps
// the names of these records and the difference of the answer to them. A retry gets the
// same answer byte for byte.
//
// Only records that are never changed again may be named, and only those that are sealed
// with the same key as the answer: what erases the client erases both. Every other answer
// is stored as it is.

// byReference is the first byte of an answer that is stored as a reference. No encoded
// message begins with it, because no field has the number 0; so a program from before
// references fails to decode it instead of giving a wrong answer.
const byReference = 0

// referencesSchema is the first schema version whose servers can read references. They are
// written when all servers that may write are of that version.
const referencesSchema = 19

// minReferenced is the size in bytes from which an answer is stored by reference. Shorter
// ones gain nothing. Our own choice.
const minReferenced = 256

// finalRecord is a record that is never changed again, and that an answer may be made from.
type finalRecord struct {
	table, parent, id string
	plain             []byte
}

// isFinal reports whether a record is never changed again once it is stored as m.
func isFinal(m proto.Message) bool {
	switch m := m.(type) {
	case *pb.Decision, *pb.Override, *pb.Countersignature, *pb.Outcome, *pb.StoredEvent:
		return true
	case *pb.Consultation:
		return m.GetState() == pb.ConsultationState_CONSULTATION_STATE_SUBMITTED
	}
	return false
}

// referTo replaces the answer of a claim by a reference, if records of the client that the
// request is about make it shorter: those that the write stores, else with them the
// decision that was read. records must not be sealed yet.
func (g *sealer) referTo(c *claim, records []Record) {
	if g.about == "" || len(c.answer) < minReferenced {
		return
	}
	var finals []finalRecord
	for _, r := range records {
		if r.final && r.err == nil && r.client == g.about {
			finals = append(finals, finalRecord{r.name, r.key.parent, r.key.id, r.body})
		}
	}
	short := referenceTo(finals, c.answer)
	if len(short) >= minReferenced {
		for _, o := range g.opened {
			if o.table == Decisions.name && o.key.parent == g.about {
				finals = append(finals, finalRecord{o.table, o.key.parent, o.key.id, o.plain})
			}
		}
		short = referenceTo(finals, c.answer)
	}
	if len(short) < len(c.answer)/2 {
		c.answer = short
	}
}

// maxReferenced is how many records an answer may be made from. Our own choice: more would
// be read at a retry than the answer is worth.
const maxReferenced = 20

// referenceTo makes a reference: the marker, the number of records, each by table, parent
// and ID, the SHA-256 of the answer, and its difference to the records one after the other.
func referenceTo(finals []finalRecord, answer []byte) []byte {
	if len(finals) == 0 || len(finals) > maxReferenced {
		return answer
	}
	ref := binary.AppendUvarint([]byte{byReference}, uint64(len(finals)))
	var base []byte
	for _, f := range finals {
		for _, s := range []string{f.table, f.parent, f.id} {
			ref = append(binary.AppendUvarint(ref, uint64(len(s))), s...)
		}
		base = append(base, f.plain...)
	}
	sum := sha256.Sum256(answer)
	return append(append(ref, sum[:]...), difference(base, answer)...)
}

// resolve returns the answer that a stored one stands for. k is the client's key.
func (s *Snapshot) resolve(answer []byte, k *clientKey) ([]byte, error) {
	if len(answer) == 0 || answer[0] != byReference {
		return answer, nil
	}
	rest := answer[1:]
	n, ok := cutNumber(&rest)
	if !ok || n > maxReferenced {
		return nil, errReference
	}
	var base []byte
	for range n {
		var at [3]string // table, parent, ID
		for i := range at {
			size, ok := cutNumber(&rest)
			if !ok || size > uint64(len(rest)) {
				return nil, errReference
			}
			at[i], rest = string(rest[:size]), rest[size:]
		}
		plain, err := s.referenced(at[0], key{chain: s.chain, parent: at[1], id: at[2]}, k)
		if err != nil {
			return nil, err
		}
		base = append(base, plain...)
	}
	if len(rest) < sha256.Size {
		return nil, errReference
	}
	whole, err := applyDifference(base, rest[sha256.Size:])
	if sum := sha256.Sum256(whole); err != nil || !bytes.Equal(sum[:], rest[:sha256.Size]) {
		return nil, errReference
	}
	return whole, nil
}

// errReference means that an answer cannot be made from the records that it names, because
// they or the answer were changed in the database.
var errReference = fmt.Errorf("%w: an answer does not fit the records that it names", ErrSealed)

// referenced reads and opens a record that an answer names. A record that is gone is not
// reported as not found: nothing deletes records.
func (s *Snapshot) referenced(table string, at key, k *clientKey) ([]byte, error) {
	if !slices.ContainsFunc(coveredTables, func(t *statements) bool { return t.name == table && t.client != "" }) {
		return nil, errReference
	}
	var body []byte
	err := s.one(&body, fmt.Sprintf("select body from %s where chain = $1 and parent = $2 and id = $3", table), at.chain, at.parent, at.id)
	if errors.Is(err, ErrNotFound) {
		return nil, errReference
	}
	if err != nil {
		return nil, err
	}
	return k.open(table, at, body)
}
