package storage

import "github.com/lib/pq"

// Clients and imported records have ids in other systems. An id is stored sealed, within
// the record, and as a keyed digest in external_ids, where a chain has each once and
// where it is found. The digests reveal nothing but that something with an id exists, and
// are deleted with the client.

// ExternalIDs says whose external ids are meant: those of clients, or of all else that was
// imported. An id may be one of both.
type ExternalIDs string

// The values are stored in external_ids and part of every digest there, so they must not
// change.
const (
	OfClients ExternalIDs = "client"
	OfRecords ExternalIDs = "record"
)

// externalID is the external id of a record that is to be stored; without a value it has
// none.
type externalID struct {
	of    ExternalIDs
	value string
}

// hash returns the digest of an external id. It differs between chains.
func (e externalID) hash(keys Keys, chain string) ([]byte, error) {
	return keys.KeyedDigest(chain+"\x00external id of "+string(e.of), e.value)
}

// WithContent is a record with a digest of what another system said of it, by which
// FindExternal can tell whether that has changed. Make it with KeyedDigest.
func (r Record) WithContent(digest []byte) Record {
	r.content = digest
	return r
}

// External is a record that was found by its external id.
type External struct {
	// Client is the ID of the client; Record that of the client's record, empty for the
	// client itself.
	Client, Record string
	// Content is the digest that WithContent has given it; empty: none.
	Content []byte
}

// FindExternal reads what has the given external ids, by id. Those of erased clients are
// left out, also where a backup has brought them back.
func FindExternal(s *Snapshot, of ExternalIDs, ids []string) (map[string]External, error) {
	byHash, hashes := map[string]string{}, pq.ByteaArray{}
	for _, id := range ids {
		hash, err := externalID{of, id}.hash(s.db.cfg.Keys, s.chain)
		if err != nil {
			return nil, err
		}
		byHash[string(hash)] = id
		hashes = append(hashes, hash)
	}
	var rows []struct {
		Hash []byte
		External
	}
	err := s.all(&rows, "select hash, client, record, content from external_ids where chain = $1 and field = $2 and hash = any($3)", s.chain, string(of), hashes)
	if err != nil {
		return nil, err
	}
	found := map[string]External{}
	for _, r := range rows {
		if !s.db.erased.has(s.chain, r.Client) {
			found[byHash[string(r.Hash)]] = r.External
		}
	}
	return found, nil
}

// externalRow is a row of external_ids.
type externalRow struct {
	of             ExternalIDs
	hash, content  []byte
	client, record string
}

// externalChanges holds the changes of external_ids in one write.
type externalChanges struct {
	// replaced are the clients whose own id is deleted first.
	replaced []string
	rows     []externalRow
}

// externalIDChanges collects the external ids of the records of a write. A client can be
// given another one later; that of another record never changes.
func externalIDChanges(keys Keys, chain string, records []Record) (externalChanges, error) {
	var m externalChanges
	for _, r := range records {
		switch {
		case r.external.of == "", r.action == unchanged, r.action == replace && r.external.of != OfClients:
			continue
		case r.action == replace:
			m.replaced = append(m.replaced, r.client)
		}
		if r.external.value == "" {
			continue
		}
		hash, err := r.external.hash(keys, chain)
		if err != nil {
			return m, err
		}
		row := externalRow{of: r.external.of, hash: hash, content: r.content, client: r.client}
		if r.key.id != r.client {
			row.record = r.key.id
		}
		m.rows = append(m.rows, row)
	}
	return m, nil
}

// dropExternalQuery deletes the external ids of clients and of their records.
const dropExternalQuery = "delete from external_ids where chain = $1 and client = any($2::text[]) returning client"

// externalSteps makes the step that deletes the external ids of clients whose own id changes.
// New ids are inserted by the statement with bound parameters (secrets). One that is taken
// meanwhile fails it, and its write reads again.
func externalSteps(chain string, writes []*pendingWrite) []step {
	var replaced pq.StringArray
	for _, p := range writes {
		replaced = append(replaced, p.external.replaced...)
	}
	if len(replaced) == 0 {
		return nil
	}
	return []step{{query: "delete from external_ids where chain = $1 and field = '" + string(OfClients) + "' and client = any($2::text[]) returning client",
		args: []any{chain, replaced}}}
}

// externalColumns are the new rows of external_ids of writes, column by column: fields,
// hashes, clients, records, contents.
func externalColumns(writes []*pendingWrite) []any {
	var fields, clients, records pq.StringArray
	var hashes, contents pq.ByteaArray
	for _, p := range writes {
		for _, row := range p.external.rows {
			content := row.content
			if content == nil {
				content = []byte{}
			}
			fields, clients, records = append(fields, string(row.of)), append(clients, row.client), append(records, row.record)
			hashes, contents = append(hashes, row.hash), append(contents, content)
		}
	}
	return []any{fields, hashes, clients, records, contents}
}
