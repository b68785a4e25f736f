package storage

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
)

// Coverage: every record is covered by a digest on the audit log, also those that
// have no entry of their own.
//
//   - A write makes a manifest: which records it stores, each with its table, its
//     key and a digest of its stored bytes, and a digest of the request and its
//     answer. The manifest is a column of the row that claims the request id, so
//     it costs no statement and no round trip; each record keeps the id of the
//     write that has stored it as it is.
//   - The leader of the logs folds the manifests of a chain, in their order, into
//     one digest, every few seconds, and puts an entry of kind COVERAGE with that
//     digest on the log (Cover). In the same transaction the manifests move to
//     log_writes, where they stay when requests are purged.
//   - What was stored before there was coverage is in log_baseline, made by the
//     migration; its digest goes on the log as an entry of kind BASELINE. A
//     migration that rewrites stored bytes makes a further round.
//   - Inspection goes through the log, the manifests and the records
//     (coverinspect.go): the manifests of an entry must give its digest; what a
//     manifest names must be there, as it was stored or as a later write has
//     stored it; and each record must be in the manifest of its write.
//
// Digests are of stored bytes, which for a client's records are sealed, so the
// erasure of a client changes none. Wrapping the keys of clients anew changes no
// stored record either. Each manifest begins with random bytes, or the digest of a
// batch of few, short records could be found by trying.
//
// What this cannot show: a row that was forged or changed before its batch was
// folded, some seconds after its write; and a request purged when its time has
// come.

// covered are the tables whose records are covered, in the order in which the
// program declares them.
var coveredTables []*statements

// item is a record in a manifest.
type item struct {
	table, parent, id string
	digest            [sha256.Size]byte
}

// recordDigest is the digest of a record as it is stored.
func recordDigest(etag string, body []byte) [sha256.Size]byte {
	return sha256.Sum256(append(append([]byte(etag), 0), body...))
}

// requestDigest is the digest of an answered request as it is stored.
func requestDigest(c claim) [sha256.Size]byte {
	asked, told, refused := sha256.Sum256(c.request), sha256.Sum256(c.answer), byte(0)
	if c.refused {
		refused = 1
	}
	return sha256.Sum256(append(append(asked[:], told[:]...), refused))
}

// manifestSalt is the number of random bytes that a manifest begins with.
const manifestSalt = 16

// newManifest makes the manifest of a write. All is as it will be stored. Audit
// entries are left out: they are on the log themselves.
func newManifest(c claim, records []Record) []byte {
	m := make([]byte, manifestSalt, manifestSalt+sha256.Size+128*len(records))
	rand.Read(m) // never fails
	digest := requestDigest(c)
	m = append(m, digest[:]...)
	for _, r := range records {
		if r.covered && r.action != unchanged {
			m = item{r.name, r.key.parent, r.key.id, recordDigest(r.etag, r.body)}.append(m)
		}
	}
	return m
}

// append writes an item: each name with its length before it, then the digest.
func (i item) append(to []byte) []byte {
	for _, s := range []string{i.table, i.parent, i.id} {
		to = append(binary.AppendUvarint(to, uint64(len(s))), s...)
	}
	return append(to, i.digest[:]...)
}

var errManifest = errors.New("storage: a manifest is cut off")

// readManifest takes a manifest apart.
func readManifest(m []byte) (request [sha256.Size]byte, items []item, err error) {
	if len(m) < manifestSalt+sha256.Size {
		return request, nil, errManifest
	}
	copy(request[:], m[manifestSalt:])
	for m = m[manifestSalt+sha256.Size:]; len(m) > 0; {
		var i item
		for _, s := range []*string{&i.table, &i.parent, &i.id} {
			n, size := binary.Uvarint(m)
			if size <= 0 || n > uint64(len(m)-size) {
				return request, nil, errManifest
			}
			*s, m = string(m[size:size+int(n)]), m[size+int(n):]
		}
		if len(m) < sha256.Size {
			return request, nil, errManifest
		}
		copy(i.digest[:], m)
		items, m = append(items, i), m[sha256.Size:]
	}
	return request, items, nil
}

// Covered is what an entry of kind COVERAGE or BASELINE says.
type Covered struct {
	Digest          []byte // over all that it covers, in order
	Writes, Records int64
}

// foldWrites makes one digest of writes, in their order.
func foldWrites(writes []CoveredWrite) (Covered, error) {
	h := sha256.New()
	c := Covered{Writes: int64(len(writes))}
	for _, w := range writes {
		_, items, err := readManifest(w.Manifest)
		if err != nil {
			return c, fmt.Errorf("%w: request %s", err, w.ID)
		}
		c.Records += int64(len(items))
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(w.Position)))
		for _, part := range [][]byte{[]byte(w.ID), w.Manifest} {
			h.Write(binary.AppendUvarint(nil, uint64(len(part))))
			h.Write(part)
		}
	}
	c.Digest = h.Sum(nil)
	return c, nil
}
