package storage

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/lib/pq"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// Mismatch is a record that does not fit what the log covers. The functions of this
// file compare the database with itself and with signed entries, and change nothing.
//
// Each reads a window of rows after a key and returns the last key of the window, and a
// zero key after the last one. The caller uses a short snapshot per window, so that a
// long inspection does not hold back PostgreSQL's cleanup of old row versions. A write
// between two windows is no mismatch: a record and its manifest are always read in one
// snapshot.
type Mismatch struct {
	// Record is the table and the key, such as "decisions CLIENT/ID".
	Record string
	// What describes the mismatch.
	What string
}

// newMismatch names the record by its table and its key.
func newMismatch(table, parent, id, what string) Mismatch {
	if parent != "" {
		id = parent + "/" + id
	}
	return Mismatch{Record: table + " " + id, What: what}
}

// InspectCovering checks that the stored manifests, or the baseline, of a coverage
// entry have the digest in that entry. e must come from the signed log. Entries of
// other kinds cover nothing and give no mismatch.
func InspectCovering(s *Snapshot, e *pb.AuditEntry) ([]Mismatch, error) {
	at, err := parseName(e.GetName())
	if err != nil {
		return nil, nil // the inspection of entries reports it
	}
	var covered Covered
	switch e.GetKind() {
	case pb.EntryKind_ENTRY_KIND_COVERAGE:
		var writes []CoveredWrite
		err = s.all(&writes, "select chain, id, position, claim_time, manifest from log_writes where chain = $1 and entry = $2 order by position", s.chain, at.id)
		if err == nil {
			covered, err = foldWrites(writes)
		}
	case pb.EntryKind_ENTRY_KIND_BASELINE:
		var round int
		err = s.one(&round, "select round from log_baselines where chain = $1 and entry = $2", s.chain, at.id)
		if errors.Is(err, ErrNotFound) {
			round, err = -1, nil
		}
		if err == nil {
			covered, err = foldBaseline(func(after baselineRow) (rows []baselineRow, err error) {
				err = s.all(&rows, baselineQuery, s.chain, round, after.Kind, after.Parent, after.ID, baselineWindow)
				return rows, err
			})
		}
	default:
		return nil, nil
	}
	switch {
	case err != nil && !errors.Is(err, errManifest):
		return nil, err
	case err != nil || !bytes.Equal(covered.Digest, e.GetCoveredDigest()):
		return []Mismatch{newMismatch("entry", "", at.id, fmt.Sprintf("what it covers was changed: %d records of %d writes are there, and it was made for %d of %d",
			covered.Records, covered.Writes, e.GetCoveredRecords(), e.GetCoveredWrites()))}, nil
	}
	return nil, nil
}

// InspectWrites checks covered writes after a position, at most window of them, and
// returns the position that it has reached; 0: there are no more. For each write it
// checks three things: its entry exists and is one of coverage; the request and its
// answer are as stored, unless they were purged; and every record exists, as this write
// or a later one has stored it.
func InspectWrites(s *Snapshot, after int64, window int) ([]Mismatch, int64, error) {
	var writes []inspectedWrite
	err := s.all(&writes, `select w.id, w.position, w.entry, w.manifest, w.claim_time > clock_timestamp() - interval '1 day' as fresh, e.body as covering,
			sha256(sha256(r.request) || sha256(r.answer) || case when r.refused then '\x01'::bytea else '\x00'::bytea end) as request
		from log_writes w left join audit_entries e on e.chain = $1 and e.parent = '' and e.id = w.entry
		left join requests r on r.chain = $1 and r.id = w.id and r.position = w.position
		where w.chain = $1 and w.position > $2 order by w.position limit $3`, s.chain, after, window)
	if err != nil || len(writes) == 0 {
		return nil, 0, err
	}
	var found []Mismatch
	byTable := map[string][]expected{}
	for _, w := range writes {
		request, items, err := readManifest(w.Manifest)
		if err != nil {
			found = append(found, newMismatch("requests", "", w.ID, "its manifest was changed"))
			continue
		}
		found = append(found, w.mismatches(request)...)
		for _, i := range items {
			byTable[i.table] = append(byTable[i.table], expected{i, w.ID, w.Position})
		}
	}
	for _, t := range coveredTables {
		gone, err := inspectExpected(s, t, byTable[t.name])
		if err != nil {
			return nil, 0, err
		}
		found = append(found, gone...)
	}
	return found, writes[len(writes)-1].Position, nil
}

// InspectSkipped checks that no request was skipped: each one with a manifest, after a
// position and up to covered, must be in log_writes. covered comes from NewestWrite,
// read before the snapshot was taken. Without this check, somebody who increases the
// leader's position in the database could keep writes from ever being covered. It
// returns the position that it has reached; 0: there are no more.
func InspectSkipped(s *Snapshot, covered, after int64, window int) ([]Mismatch, int64, error) {
	var rows []struct {
		ID       string
		Position int64
	}
	err := s.all(&rows, `select r.id, r.position from requests r where r.chain = $1 and r.manifest is not null and r.position > $2 and r.position <= $3
		and not exists (select from log_writes w where w.chain = $1 and w.id = r.id and w.position = r.position)
		order by r.position limit $4`, s.chain, after, covered, window)
	if err != nil || len(rows) == 0 {
		return nil, 0, err
	}
	var found []Mismatch
	for _, r := range rows {
		found = append(found, newMismatch("requests", "", r.ID, fmt.Sprintf("its write at position %d was skipped: no entry covers it, though writes up to %d are said to be covered", r.Position, covered)))
	}
	return found, rows[len(rows)-1].Position, nil
}

// inspectedWrite is a covered write with what the database still has of it.
type inspectedWrite struct {
	ID, Entry string
	Position  int64
	Manifest  []byte
	// Fresh means that the request is less than a day old, the shortest time for which requests
	// must be kept.
	Fresh bool
	// Covering is the body of the covering entry; nil: it does not exist.
	Covering []byte
	// Request is the digest of the stored request; nil: it does not exist.
	Request []byte
}

// mismatches checks the entry and the request of a write. request is the digest in the
// manifest.
func (w inspectedWrite) mismatches(request [sha256.Size]byte) (found []Mismatch) {
	entry := &pb.AuditEntry{}
	if err := proto.Unmarshal(w.Covering, entry); w.Covering == nil || err != nil || entry.Kind != pb.EntryKind_ENTRY_KIND_COVERAGE {
		found = append(found, newMismatch("requests", "", w.ID, "the entry that covers its write is not there"))
	}
	switch {
	case w.Request == nil && w.Fresh:
		found = append(found, newMismatch("requests", "", w.ID, "the request and its answer were deleted within a day"))
	case w.Request != nil && !bytes.Equal(w.Request, request[:]):
		found = append(found, newMismatch("requests", "", w.ID, "the request or its answer was changed"))
	}
	return found
}

// expected is a record that a write has stored, according to its manifest.
type expected struct {
	item
	write    string
	position int64
}

// inspectExpected checks that records of a table exist and are not older than the write
// that is known to have stored them. Whether their content is right is checked by
// InspectRecords.
func inspectExpected(s *Snapshot, t *statements, all []expected) ([]Mismatch, error) {
	if len(all) == 0 {
		return nil, nil
	}
	parents, ids := make([]string, len(all)), make([]string, len(all))
	for i, e := range all {
		parents[i], ids[i] = e.parent, e.id
	}
	var rows []struct {
		There    bool
		Write    string
		Position int64
	}
	err := s.all(&rows, fmt.Sprintf(`select t.id is not null as there, coalesce(t.write_id, '') as write,
			coalesce((select max(w.position) from log_writes w where w.chain = $1 and w.id = t.write_id),
				(select r.position from requests r where r.chain = $1 and r.id = t.write_id), 0) as position
		from unnest($2::text[], $3::text[]) with ordinality as n (parent, id, i)
		left join %s t on t.chain = $1 and t.parent = n.parent and t.id = n.id order by n.i`, t.name), s.chain, pq.Array(parents), pq.Array(ids))
	if err != nil {
		return nil, err
	}
	var found []Mismatch
	for i, e := range all {
		switch row := rows[i]; {
		case !row.There:
			found = append(found, newMismatch(t.name, e.parent, e.id, "the record was deleted; request "+e.write+" had stored it"))
		case row.Write != e.write && row.Position < e.position:
			found = append(found, newMismatch(t.name, e.parent, e.id, "the record was put back to what it was before request "+e.write))
		}
	}
	return found, nil
}

// CoveredTables returns the tables for InspectRecords and InspectBaseline.
func CoveredTables() []string {
	var names []string
	for _, t := range coveredTables {
		names = append(names, t.name)
	}
	return names
}

// storedRecord is a stored row with the digest that its manifest should have.
type storedRecord struct {
	Parent, ID, Etag, Write string
	Digest                  []byte
}

// InspectRecords checks records of a table after a key, in the order of keys. Each must
// be as the write that it names has stored it, or, without a write, as in the newest
// baseline. A record in no manifest was inserted by another way than Write.
func InspectRecords(s *Snapshot, table string, after [2]string, window int) ([]Mismatch, [2]string, error) {
	if !slices.ContainsFunc(coveredTables, func(t *statements) bool { return t.name == table }) {
		return nil, after, fmt.Errorf("storage: no covered table %q", table)
	}
	var rows []storedRecord
	err := s.all(&rows, fmt.Sprintf(`select parent, id, etag, coalesce(write_id, '') as write, sha256(convert_to(etag, 'UTF8') || '\x00'::bytea || body) as digest
		from %s where chain = $1 and (parent, id) > ($2, $3) order by parent, id limit $4`, table), s.chain, after[0], after[1], window)
	if err != nil || len(rows) == 0 {
		return nil, [2]string{}, err
	}
	manifests, err := readManifests(s, rows)
	if err != nil {
		return nil, after, err
	}
	baseline, err := readBaseline(s, table, rows)
	if err != nil {
		return nil, after, err
	}
	var found []Mismatch
	for _, r := range rows {
		digests := manifests[r.Write][item{table: table, parent: r.Parent, id: r.ID}]
		if r.Write == "" {
			digests = baseline[[2]string{r.Parent, r.ID}]
		}
		switch {
		case len(digests) == 0:
			found = append(found, newMismatch(table, r.Parent, r.ID, "the record was slipped in: no write has stored it"))
		case !slices.ContainsFunc(digests, func(d []byte) bool { return bytes.Equal(d, r.Digest) }):
			found = append(found, newMismatch(table, r.Parent, r.ID, "the record was changed: it is not what was stored"+ofWrite(r.Write)))
		}
	}
	last := rows[len(rows)-1]
	return found, [2]string{last.Parent, last.ID}, nil
}

// ofWrite names a write in a text; empty if there is none.
func ofWrite(id string) string {
	if id == "" {
		return ""
	}
	return " by request " + id
}

// readManifests returns the digests of records according to the writes that rows name,
// by write and by record. One request ID can have several manifests, because it may be
// used again after it was purged; any of them will do.
func readManifests(s *Snapshot, rows []storedRecord) (map[string]map[item][][]byte, error) {
	var ids []string
	for _, r := range rows {
		ids = append(ids, r.Write)
	}
	slices.Sort(ids)
	var writes []CoveredWrite
	// Those of writes that no entry covers are with their requests; InspectSkipped
	// reports requests that an entry should cover.
	err := s.all(&writes, `select id, manifest from log_writes where chain = $1 and id = any($2)
		union all select r.id, r.manifest from requests r where r.chain = $1 and r.id = any($2) and r.manifest is not null
		and not exists (select from log_writes w where w.chain = $1 and w.id = r.id and w.position = r.position)`, s.chain, pq.Array(slices.Compact(ids)))
	if err != nil {
		return nil, err
	}
	all := map[string]map[item][][]byte{}
	for _, w := range writes {
		_, items, err := readManifest(w.Manifest)
		if err != nil {
			continue // InspectWrites tells of it
		}
		if all[w.ID] == nil {
			all[w.ID] = map[item][][]byte{}
		}
		for _, i := range items {
			at := item{table: i.table, parent: i.parent, id: i.id}
			all[w.ID][at] = append(all[w.ID][at], i.digest[:])
		}
	}
	return all, nil
}

// readBaseline returns the digests of records in the newest round of the baseline.
func readBaseline(s *Snapshot, table string, rows []storedRecord) (map[[2]string][][]byte, error) {
	var parents, ids []string
	for _, r := range rows {
		if r.Write == "" {
			parents, ids = append(parents, r.Parent), append(ids, r.ID)
		}
	}
	all := map[[2]string][][]byte{}
	if len(ids) == 0 {
		return all, nil
	}
	var found []baselineRow
	err := s.all(&found, `select distinct on (b.parent, b.id) b.parent, b.id, b.digest from log_baseline b
		join unnest($3::text[], $4::text[]) as n (parent, id) on b.parent = n.parent and b.id = n.id
		where b.chain = $1 and b.kind = $2 order by b.parent, b.id, b.round desc`, s.chain, table, pq.Array(parents), pq.Array(ids))
	for _, b := range found {
		all[[2]string{b.Parent, b.ID}] = [][]byte{b.Digest}
	}
	return all, err
}

// InspectBaseline checks that the records in the baseline of a table still exist, after
// a key, in the order of keys. No record of a covered table is ever deleted: erasing a
// client destroys its key and leaves the rows.
func InspectBaseline(s *Snapshot, table string, after [2]string, window int) ([]Mismatch, [2]string, error) {
	var rows []struct {
		Parent, ID string
		There      bool
	}
	err := s.all(&rows, fmt.Sprintf(`select b.parent, b.id, exists (select from %s t where t.chain = $1 and t.parent = b.parent and t.id = b.id) as there
		from (select distinct parent, id from log_baseline where chain = $1 and kind = $2 and (parent, id) > ($3, $4) order by parent, id limit $5) b
		order by b.parent, b.id`, table), s.chain, table, after[0], after[1], window)
	if err != nil || len(rows) == 0 {
		return nil, [2]string{}, err
	}
	var found []Mismatch
	for _, r := range rows {
		if !r.There {
			found = append(found, newMismatch(table, r.Parent, r.ID, "the record was deleted; it was there when coverage began"))
		}
	}
	last := rows[len(rows)-1]
	return found, [2]string{last.Parent, last.ID}, nil
}

// InspectErasures compares the keys of clients with the log: a client without a key
// must have an erasure entry, and an erased client must have no key. erased comes from
// Erasures, sorted. Entries that were added since are found by their columns and judged
// by their bodies.
func InspectErasures(s *Snapshot, erased []string, after string, window int) ([]Mismatch, string, error) {
	var rows []struct {
		ID     string
		Keyed  bool
		Bodies pq.ByteaArray
	}
	err := s.all(&rows, `select c.id, exists (select from client_keys k where k.chain = $1 and k.client = c.id) as keyed,
			array(select e.body from audit_entries e where e.chain = $1 and e.kind = 'ENTRY_KIND_ERASURE' and e.client = 'chains/' || $1 || '/clients/' || c.id) as bodies
		from clients c where c.chain = $1 and c.parent = '' and c.id > $2 order by c.id limit $3`, s.chain, after, window)
	if err != nil || len(rows) == 0 {
		return nil, "", err
	}
	var found []Mismatch
	for _, r := range rows {
		name := strings.Join([]string{"chains", s.chain, "clients", r.ID}, "/")
		_, known := slices.BinarySearch(erased, name)
		known = known || slices.Contains(erasedBy(r.Bodies), name)
		switch {
		case !r.Keyed && !known:
			found = append(found, newMismatch("client_keys", "", r.ID, "the key of the client was deleted, and no entry says that the client was erased"))
		case r.Keyed && known:
			found = append(found, newMismatch("client_keys", "", r.ID, "the client was erased and has a key again"))
		}
	}
	return found, rows[len(rows)-1].ID, nil
}

// String returns the mismatch in one line.
func (m Mismatch) String() string { return strings.Join([]string{m.Record, m.What}, ": ") }
