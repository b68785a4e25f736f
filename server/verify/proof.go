package verify

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

// Proof is a proof that one entry is on a log, in one file that can be kept and
// checked without the log (c2sp.org/tlog-proof). The entry is its extra data,
// which a proof that others have written may lack.
type Proof struct {
	Index      int64         // of the entry, from 0
	Stored     []byte        // the bytes that the entry is stored as; nil: the proof does not hold it
	Hashes     []ledger.Hash // from the leaf's sibling up
	Checkpoint []byte        // signed
}

// ErrProof says that a text is not a proof in the form of c2sp.org/tlog-proof
// with an entry in it.
var ErrProof = errors.New("verify: not a proof of an entry")

// ErrNotProved says that a proof does not prove its entry.
var ErrNotProved = errors.New("verify: the entry is not proved")

// proofHead is the first line of a proof.
const proofHead = "c2sp.org/tlog-proof@v1"

// maxProof bounds the hashes of a proof; a log of 2^62 entries needs no more.
const maxProof = 62

// Text is the proof as it is kept.
func (p Proof) Text() []byte {
	lines := []string{proofHead}
	if p.Stored != nil {
		lines = append(lines, "extra "+base64.StdEncoding.EncodeToString(p.Stored))
	}
	lines = append(lines, "index "+strconv.FormatInt(p.Index, 10))
	for _, h := range p.Hashes {
		lines = append(lines, h.String())
	}
	return []byte(strings.Join(lines, "\n") + "\n\n" + string(p.Checkpoint))
}

// ParseProof reads a proof. Its line of extra data is optional (c2sp.org/tlog-proof);
// without it Stored is nil, and the entry must come from elsewhere.
func ParseProof(text []byte) (Proof, error) {
	head, checkpoint, found := strings.Cut(string(text), "\n\n")
	lines := strings.Split(head, "\n")
	if !found || lines[0] != proofHead {
		return Proof{}, fmt.Errorf("%w: it has not the lines of one", ErrProof)
	}
	p := Proof{Checkpoint: []byte(checkpoint)}
	number := 2 // of the next line
	if extra, found := strings.CutPrefix(lineAt(lines, number), "extra "); found {
		stored, err := base64.StdEncoding.Strict().DecodeString(extra)
		if err != nil {
			return Proof{}, fmt.Errorf("%w: line %d is not the entry", ErrProof, number)
		}
		p.Stored = stored
		number++
	}
	index, found := strings.CutPrefix(lineAt(lines, number), "index ")
	var err error
	if p.Index, err = strconv.ParseInt(index, 10, 64); !found || err != nil || p.Index < 0 || index != strconv.FormatInt(p.Index, 10) {
		return Proof{}, fmt.Errorf("%w: line %d is not its index", ErrProof, number)
	}
	if len(lines) > number+maxProof {
		return Proof{}, fmt.Errorf("%w: it has more than %d hashes", ErrProof, maxProof)
	}
	for i, line := range lines[number:] {
		hash, err := base64.StdEncoding.Strict().DecodeString(line)
		if err != nil || len(hash) != len(ledger.Hash{}) {
			return Proof{}, fmt.Errorf("%w: line %d is not a hash", ErrProof, number+i+1)
		}
		p.Hashes = append(p.Hashes, ledger.Hash(hash))
	}
	return p, nil
}

// lineAt is a line by its number, from 1; empty when there is none.
func lineAt(lines []string, number int) string {
	if number > len(lines) {
		return ""
	}
	return lines[number-1]
}

// Check checks the proof with the public keys of the log, and returns the entry
// that is proved and the checkpoint that it is proved by.
func (p Proof) Check(keys []string) (*pb.AuditEntry, ledger.Checkpoint, error) {
	var known []ledger.PublicKey
	for _, text := range keys {
		key, err := ledger.ParsePublicKey(text)
		if err != nil {
			return nil, ledger.Checkpoint{}, err
		}
		known = append(known, key)
	}
	checkpoint, _, err := ledger.OpenCheckpoint(p.Checkpoint, known)
	if err == nil {
		err = checkpoint.CheckInclusion(p.Index, ledger.LeafHash(p.Stored), p.Hashes)
	}
	if err != nil {
		return nil, checkpoint, fmt.Errorf("%w: %w", ErrNotProved, err)
	}
	entry := &pb.AuditEntry{}
	if err := proto.Unmarshal(p.Stored, entry); err != nil {
		return nil, checkpoint, fmt.Errorf("%w: what is proved cannot be read as an audit entry", ErrNotProved)
	}
	return entry, checkpoint, nil
}
