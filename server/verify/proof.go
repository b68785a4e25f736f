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

// Proof proves that an entry is on a log. It is one file, which can be checked
// without the log (c2sp.org/tlog-proof). The entry is the extra data; a proof from
// other software may lack it.
//
// A proof is useful when one entry is disputed: it can be handed over without the
// other entries of the log, which concern other clients.
type Proof struct {
	// Index is the index of the entry, from 0.
	Index int64
	// Stored is the stored encoding of the entry; nil: it is not in the proof.
	Stored []byte
	// Hashes are those beside the path from the leaf to the root, from the leaf upwards.
	Hashes []ledger.Hash
	// Checkpoint is the signed checkpoint whose root the proof leads to.
	Checkpoint []byte
}

// ErrProof means that a text is not a proof in the format c2sp.org/tlog-proof.
var ErrProof = errors.New("verify: not a proof of an entry")

// ErrNotProved means that a proof does not prove its entry.
var ErrNotProved = errors.New("verify: the entry is not proved")

// proofHead is the first line of a proof.
const proofHead = "c2sp.org/tlog-proof@v1"

// maxProof is the maximum number of hashes of a proof, enough for 2^62 entries.
const maxProof = 62

// Text returns the proof in its file format.
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

// ParseProof parses a proof. The line with extra data is optional
// (c2sp.org/tlog-proof); without it Stored is nil, and the caller must supply the
// entry.
func ParseProof(text []byte) (Proof, error) {
	head, checkpoint, found := strings.Cut(string(text), "\n\n")
	lines := strings.Split(head, "\n")
	if !found || lines[0] != proofHead {
		return Proof{}, fmt.Errorf("%w: the header or the checkpoint is missing", ErrProof)
	}
	p := Proof{Checkpoint: []byte(checkpoint)}
	number := 2 // of the next line
	if extra, found := strings.CutPrefix(lineAt(lines, number), "extra "); found {
		stored, err := base64.StdEncoding.Strict().DecodeString(extra)
		if err != nil {
			return Proof{}, fmt.Errorf("%w: line %d: want the entry in base64", ErrProof, number)
		}
		p.Stored = stored
		number++
	}
	index, found := strings.CutPrefix(lineAt(lines, number), "index ")
	var err error
	if p.Index, err = strconv.ParseInt(index, 10, 64); !found || err != nil || p.Index < 0 || index != strconv.FormatInt(p.Index, 10) {
		return Proof{}, fmt.Errorf("%w: line %d: want the index of the entry", ErrProof, number)
	}
	if len(lines) > number+maxProof {
		return Proof{}, fmt.Errorf("%w: more than %d hashes", ErrProof, maxProof)
	}
	for i, line := range lines[number:] {
		hash, err := base64.StdEncoding.Strict().DecodeString(line)
		if err != nil || len(hash) != len(ledger.Hash{}) {
			return Proof{}, fmt.Errorf("%w: line %d: want a hash in base64", ErrProof, number+i+1)
		}
		p.Hashes = append(p.Hashes, ledger.Hash(hash))
	}
	return p, nil
}

// lineAt returns a line by its number, from 1; empty if there is none.
func lineAt(lines []string, number int) string {
	if number > len(lines) {
		return ""
	}
	return lines[number-1]
}

// Check checks the proof with the public keys of the log. It returns the entry and
// the checkpoint that proves it.
//
// It proves that the log with this checkpoint contains the entry at this index. It
// does not prove that the checkpoint is the newest, or that the log was never
// rewritten; for that, compare the checkpoint with one that was kept.
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
		return nil, checkpoint, fmt.Errorf("%w: the proved bytes are not an audit entry", ErrNotProved)
	}
	return entry, checkpoint, nil
}
