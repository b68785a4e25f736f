package ledger

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// Checkpoint is the head of a log at one moment. A signed checkpoint that somebody else
// keeps is what the log can be held to: the log must always remain a continuation of
// it.
type Checkpoint struct {
	// Origin is the name of the log.
	Origin string
	Head
}

// ErrCheckpoint means that a text is not a checkpoint signed by a key of the log.
var ErrCheckpoint = errors.New("ledger: not a signed checkpoint")

// ErrStranger means that a text is signed by none of the given keys. It comes together
// with ErrCheckpoint. The sequencer takes it for a missing key and not for tampering.
var ErrStranger = errors.New("ledger: signed by none of the keys")

// Sign returns the checkpoint as a signed note. While a key is being replaced, both the
// old and the new one sign.
//
// A key whose name is not the origin is refused.
func (c Checkpoint) Sign(keys []PrivateKey) ([]byte, error) {
	if len(keys) == 0 {
		return nil, errors.New("ledger: no key to sign with")
	}
	signers := make([]note.Signer, len(keys))
	for i, k := range keys {
		if k.Name() != c.Origin {
			return nil, fmt.Errorf("ledger: key %s is not one of the log %s", k.Name(), c.Origin)
		}
		signers[i] = k.signer
	}
	return note.Sign(&note.Note{Text: c.text()}, signers...)
}

// text returns the signed text: origin, size and root, one per line
// (c2sp.org/tlog-checkpoint).
func (c Checkpoint) text() string { return fmt.Sprintf("%s\n%d\n%s\n", c.Origin, c.Size, c.Root) }

// OpenCheckpoint checks and parses a signed checkpoint and returns the keys that have
// signed it. At least one of the given keys must have signed; all keys must belong to
// one log. A wrong signature of a given key is an error. Signatures of other keys are
// ignored.
func OpenCheckpoint(signed []byte, keys []PublicKey) (Checkpoint, []PublicKey, error) {
	known := make([]note.Verifier, len(keys))
	for i, k := range keys {
		known[i] = k.verifier
	}
	n, err := note.Open(signed, note.VerifierList(known...))
	if unknown := new(note.UnverifiedNoteError); errors.As(err, &unknown) {
		return Checkpoint{}, nil, fmt.Errorf("%w: %w", ErrCheckpoint, ErrStranger)
	}
	if err != nil {
		return Checkpoint{}, nil, fmt.Errorf("%w: %w", ErrCheckpoint, err)
	}
	c, err := parseCheckpoint(n.Text)
	if err != nil {
		return Checkpoint{}, nil, err
	}
	var signers []PublicKey
	for _, k := range keys {
		for _, s := range n.Sigs {
			if s.Name == k.Name() && s.Hash == k.verifier.KeyHash() {
				signers = append(signers, k)
			}
		}
	}
	for _, k := range signers {
		if k.Name() != c.Origin {
			return Checkpoint{}, nil, fmt.Errorf("%w: it is of log %s and signed by a key of %s", ErrCheckpoint, c.Origin, k.Name())
		}
	}
	return c, signers, nil
}

// parseCheckpoint parses the text of a checkpoint. Further lines are extensions of
// others and must not be empty.
func parseCheckpoint(text string) (Checkpoint, error) {
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	if len(lines) < 3 {
		return Checkpoint{}, fmt.Errorf("%w: it has %d lines", ErrCheckpoint, len(lines))
	}
	for i, line := range lines {
		if line == "" {
			return Checkpoint{}, fmt.Errorf("%w: line %d is empty", ErrCheckpoint, i+1)
		}
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || size < 0 || size > maxSize || lines[1] != strconv.FormatInt(size, 10) {
		return Checkpoint{}, fmt.Errorf("%w: line 2 is not a size", ErrCheckpoint)
	}
	root, err := base64.StdEncoding.Strict().DecodeString(lines[2])
	if err != nil || len(root) != tlog.HashSize {
		return Checkpoint{}, fmt.Errorf("%w: line 3 is not a root hash", ErrCheckpoint)
	}
	return Checkpoint{Origin: lines[0], Head: Head{size, Hash(root)}}, nil
}
