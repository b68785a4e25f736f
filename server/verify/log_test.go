package verify

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

// aLog is an invented log, with the keys that its attacker may hold.
type aLog struct {
	entries [][]byte
	keys    []ledger.PrivateKey
	listed  []ledger.PublicKey // keys beside those that sign
	handed  [][]byte
}

const origin = "log.example/ebb-and-flow"

// newLog is a log of n entries.
func newLog(t testing.TB, n int) *aLog {
	t.Helper()
	l := &aLog{keys: []ledger.PrivateKey{key(t, 1)}}
	for i := range n {
		l.entries = append(l.entries, entry(t, "ebb-and-flow", i, "as it was"))
	}
	return l
}

func key(t testing.TB, seed byte) ledger.PrivateKey {
	t.Helper()
	k, err := ledger.NewPrivateKey(origin, bytes.Repeat([]byte{seed}, 32))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func entry(t testing.TB, chain string, i int, summary string) []byte {
	t.Helper()
	stored, err := proto.Marshal(&pb.AuditEntry{
		Name: fmt.Sprintf("chains/%s/entries/e%d", chain, i), Kind: pb.EntryKind_ENTRY_KIND_REFUSAL, Summary: summary,
	})
	if err != nil {
		t.Fatal(err)
	}
	return stored
}

// checkpoint signs the head of the first n entries.
func (l *aLog) checkpoint(t testing.TB, n int) []byte {
	t.Helper()
	leaves := make([]ledger.Hash, n)
	for i, e := range l.entries[:n] {
		leaves[i] = ledger.LeafHash(e)
	}
	head, _, err := ledger.Empty().Append(nil, leaves)
	if err != nil {
		t.Fatal(err)
	}
	signed, err := ledger.Checkpoint{Origin: origin, Head: head}.Sign(l.keys)
	if err != nil {
		t.Fatal(err)
	}
	return signed
}

// export writes the log as an honest export of all its entries.
func (l *aLog) export(t testing.TB) string {
	t.Helper()
	return l.exportSealed(t, l.checkpoint(t, len(l.entries)))
}

// exportSealed writes it under a checkpoint that may be another's.
func (l *aLog) exportSealed(t testing.TB, checkpoint []byte) string {
	t.Helper()
	dir := t.TempDir()
	x, err := Create(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range l.entries {
		if err := x.Add(e); err != nil {
			t.Fatal(err)
		}
	}
	seal := SignedHead{Checkpoint: checkpoint, Handovers: l.handed}
	for _, k := range l.keys {
		seal.Keys = append(seal.Keys, k.Public().String())
	}
	for _, k := range l.listed {
		seal.Keys = append(seal.Keys, k.String())
	}
	if err := x.Finish(seal); err != nil {
		t.Fatal(err)
	}
	return dir
}

// edit changes a file of an export.
func edit(t testing.TB, dir, name string, change func([]byte) []byte) {
	t.Helper()
	path := filepath.Join(dir, name)
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, change(content), 0o644); err != nil {
		t.Fatal(err)
	}
}

// editEntries changes the entries of a bundle, and leaves all else alone.
func editEntries(t testing.TB, dir, name string, change func([][]byte) [][]byte) {
	t.Helper()
	edit(t, dir, name, func(content []byte) []byte {
		entries, err := ledger.ParseBundle(content)
		if err != nil {
			t.Fatal(err)
		}
		bundle, err := ledger.Bundle(change(entries))
		if err != nil {
			t.Fatal(err)
		}
		return bundle
	})
}

func held(t testing.TB, dir string, against []byte) Report {
	t.Helper()
	report, err := Dir(dir, against)
	if err != nil {
		t.Fatal(err)
	}
	return report
}
