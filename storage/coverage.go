package storage

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
)

// Coverage: every record is covered by a digest on the audit log, also a record that
// has no entry of its own.
//
//   - A write makes a manifest: the table, key and digest of each record that it
//     stores, and a digest of the request and its answer. The manifest is a column
//     of the row that claims the request ID, so it costs no statement and no round
//     trip. Each record keeps the ID of the write that has stored it (write_id).
//   - Every few seconds the leader folds the manifests of a chain, in their order,
//     into one digest and puts an entry of kind COVERAGE with that digest on the log
//     (Cover). In the same transaction it copies the manifests to log_writes, where
//     they stay when requests are purged.
//   - Records from before coverage existed are listed in log_baseline, which the
//     migration filled. Their digest is on the log as an entry of kind BASELINE. A
//     migration that rewrites stored bytes adds a further round.
//   - The inspection (inspectcoverage.go) checks the log, the manifests and the
//     records against each other: the manifests of an entry must give its digest;
//     what a manifest names must exist, as that write or a later one has stored it;
//     and each record must be in the manifest of its write.
//
// Digests are over stored bytes. These are sealed for a client's records, so that
// erasing a client changes no digest. Wrapping keys again changes no stored record
// either. Each manifest begins with random bytes; otherwise the digest of a batch of a
// few short records could be found by trying.
//
// Coverage does not detect two things: a row that was forged or changed before its
// batch was covered, which is some seconds after its write, and a request that was
// purged when it was due.

// coveredTables are the tables whose records are covered, in the order of their
// declaration. newTable fills it while the package is initialized.
var coveredTables []*statements

// item is one record in a manifest.
type item struct {
	table, parent, id string
	digest            [sha256.Size]byte
}

// recordDigest returns the digest of a record as it is stored: SHA-256 over the etag
// column, a zero byte and the body. InspectRecords computes the same in SQL.
func recordDigest(etag string, body []byte) [sha256.Size]byte {
	return sha256.Sum256(append(append([]byte(etag), 0), body...))
}

// requestDigest returns the digest of an answered request as it is stored.
// InspectWrites computes the same in SQL.
func requestDigest(c claim) [sha256.Size]byte {
	request, answer, refused := sha256.Sum256(c.request), sha256.Sum256(c.answer), byte(0)
	if c.refused {
		refused = 1
	}
	return sha256.Sum256(append(append(request[:], answer[:]...), refused))
}

// manifestSalt is the number of random bytes at the beginning of a manifest.
const manifestSalt = 16

// newManifest makes the manifest of a write: the salt, the digest of the request, then
// one item per record. The records must be sealed already. Audit entries are left out,
// because the log itself covers them.
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

// append appends the encoding of an item: table, parent and ID, each with its length
// before it as a varint, then the digest. The lengths make the encoding unambiguous.
func (i item) append(to []byte) []byte {
	for _, s := range []string{i.table, i.parent, i.id} {
		to = append(binary.AppendUvarint(to, uint64(len(s))), s...)
	}
	return append(to, i.digest[:]...)
}

// errManifest means that a stored manifest cannot be decoded: it was changed.
var errManifest = errors.New("storage: a manifest is cut off")

// readManifest decodes a manifest. The result must not be trusted before the digest of
// its entry was checked.
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

// Covered is the content of an entry of kind COVERAGE or BASELINE.
type Covered struct {
	// Digest is over everything that the entry covers, in order.
	Digest          []byte
	Writes, Records int64
}

// foldWrites computes the digest of writes in their order: SHA-256 over position,
// request ID and manifest of each, with lengths. The leader and the inspection both
// call it, so that they cannot differ.
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
