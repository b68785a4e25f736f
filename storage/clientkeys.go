package storage

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"github.com/lib/pq"
	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	pb "alkalog/proto/alkalogv1"
)

// keySteps makes the steps that delete the keys of clients to be erased.
//
// Lock order: a write of a client's records holds a key-share lock on the client's key
// row until it commits (insertClaimsQuery), so the delete waits for all such writes.
// Only then are open sessions counted, by a later statement. If a session was opened
// meanwhile, or a key is already gone, the write is stale and runs again.
func keySteps(chain string, writes []*pendingWrite) []step {
	var steps []step
	for i, p := range writes {
		if len(p.erase) == 0 {
			continue
		}
		stale := func(want int) func([]string, func(int, error)) {
			return func(found []string, fail func(int, error)) {
				if len(found) != want {
					fail(i, fmt.Errorf("%w: a client to be erased", ErrStale))
				}
			}
		}
		steps = append(steps,
			step{query: destroyKeysQuery, args: []any{chain, pq.StringArray(p.erase)}, check: stale(len(p.erase))},
			step{query: dropIndexQuery, args: []any{chain, pq.StringArray(p.erase)}},
			step{query: dropExternalQuery, args: []any{chain, pq.StringArray(p.erase)}},
			step{query: openSessionsQuery, args: []any{chain, pq.StringArray(p.erase)}, check: stale(p.open)})
	}
	return steps
}

// Two writes can each look at the sessions of a client that the other begins one for, and
// neither see the other's: each reads a snapshot from before. One must wait for the other,
// and look again afterwards. The record of the client is what they have in common.

// openSteps makes the steps that count the open sessions of Changes.Open. Such writes are
// alone in their transaction. The clients are locked by one statement, and their sessions
// counted by the next, which sees what the transactions have committed that held a lock.
func openSteps(chain string, writes []*pendingWrite) []step {
	var steps []step
	for i, p := range writes {
		if len(p.changes.Open) == 0 {
			continue
		}
		var clients pq.StringArray
		want := 0
		for _, o := range p.changes.Open {
			clients = append(clients, clientIn(o.Client))
			want += o.Count
		}
		steps = append(steps,
			step{query: lockClientsQuery, args: []any{chain, clients}},
			step{query: openSessionsQuery, args: []any{chain, clients}, check: func(found []string, fail func(int, error)) {
				if len(found) != want {
					fail(i, fmt.Errorf("%w: the open sessions of a client", ErrStale))
				}
			}})
	}
	return steps
}

const (
	// lockClientsQuery locks the records of clients, in one order for all writes.
	lockClientsQuery = "select id from clients where chain = $1 and parent = '' and id = any($2::text[]) order by id for no key update"
	// destroyKeysQuery deletes the keys of clients and returns the clients that had one.
	destroyKeysQuery = "delete from client_keys where chain = $1 and client = any($2::text[]) returning client"
	// dropIndexQuery deletes the index entries by which clients are found.
	dropIndexQuery = "delete from client_index where chain = $1 and client = any($2::text[]) returning client"
	// openSessionsQuery returns the open sessions of clients.
	openSessionsQuery = "select id from sessions where chain = $1 and parent = any($2::text[]) and open"
)

// destroyKeys deletes the keys of clients and then the index entries by which they are
// found, and returns the clients that had a key. These are two statements on purpose:
// the first waits for concurrent writes, and only a later statement sees what those
// writes have committed (READ COMMITTED).
func destroyKeys(ctx context.Context, tx *transaction, chain string, clients []string) ([]string, error) {
	var gone []string
	err := tx.SelectContext(ctx, &gone, destroyKeysQuery, chain, pq.Array(clients))
	if err == nil {
		_, err = tx.ExecContext(ctx, dropIndexQuery, chain, pq.Array(clients))
	}
	if err == nil {
		_, err = tx.ExecContext(ctx, dropExternalQuery, chain, pq.Array(clients))
	}
	return gone, err
}

// CountOpen returns the number of a client's open sessions. The caller passes it in
// Erasure.Open.
func CountOpen(s *Snapshot, client string) (int, error) {
	at, err := parseName(client)
	if err != nil {
		return 0, err
	}
	var n int
	err = s.one(&n, "select count(*) from sessions where chain = $1 and parent = $2 and open", s.chain, at.id)
	return n, err
}

// term is one value by which a client is found, in the normal form in which values are
// compared.
type term struct{ field, value string }

// The fields that clients are found by. They are stored in client_index and part of
// every digest there, so they must not change.
const (
	byDisplayName = "display_name"
	byPhone       = "phone"
	byEmail       = "email"
)

// clientTerms returns the terms by which a client can be found.
func clientTerms(c *pb.Client) []term {
	whole := lookupTerms(ClientLookup{DisplayName: c.GetDisplayName(), Phone: c.GetPhone(), Email: c.GetEmail()})
	return append(whole, searchTerms(c)...)
}

// ClientLookup says which clients are looked up. A client must fit all fields that are not
// empty. The whole name, number and address are compared in normal form; Search finds
// by parts of them.
type ClientLookup struct {
	DisplayName, Phone, Email string
	// Search is as it was typed: words of a name, digits of a number, or an address.
	Search string
	// ExternalID is the id in another system, compared as it is.
	ExternalID string
}

// lookupTerms returns the terms of a lookup. A field without anything to compare gives
// no term; Invalid reports it.
func lookupTerms(l ClientLookup) []term {
	var terms []term
	for _, t := range []term{{byDisplayName, plainName(l.DisplayName)}, {byPhone, plainPhone(l.Phone)}, {byEmail, plainEmail(l.Email)}} {
		if t.value != "" {
			terms = append(terms, t)
		}
	}
	return terms
}

// plainName is the normal form of a name, without regard to case, spacing and the
// encoding of accents (Unicode Standard Annex 15, form C; case folding of section
// 3.13).
func plainName(name string) string {
	folded := cases.Fold().String(norm.NFC.String(name))
	return norm.NFC.String(strings.Join(strings.Fields(folded), " "))
}

// plainPhone is the normal form of a telephone number: its ASCII digits, with a + in
// front if the number began with + or with the prefix 00 of international numbers
// (ITU-T E.123, 2001). A national and an international form of one number stay
// different.
func plainPhone(phone string) string {
	digits := digitsOf(phone)
	if rest, international := strings.CutPrefix(digits, "00"); international {
		return "+" + rest
	}
	if strings.HasPrefix(strings.TrimSpace(phone), "+") && digits != "" {
		return "+" + digits
	}
	return digits
}

// digitsOf are the ASCII digits of a text.
func digitsOf(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsDigit(r) && r <= unicode.MaxASCII {
			return r
		}
		return -1
	}, text)
}

// plainEmail is the normal form of an email address, without regard to case and
// surrounding space.
func plainEmail(email string) string { return cases.Fold().String(strings.TrimSpace(email)) }

// hash returns the digest by which a term is stored in client_index. It differs between
// chains, so that the same person in two chains cannot be linked in the database.
func (t term) hash(keys Keys, chain string) ([]byte, error) {
	digest, err := keys.KeyedDigest(chain+"\x00"+t.field, t.value)
	if err == nil && (t.field == byNameStart || t.field == byPhoneStart || t.field == byPhoneEnd) {
		digest = digest[:searchDigestSize]
	}
	return digest, err
}

// KeyedDigest returns a digest of a value that only this installation can make, with
// digests of its own for each chain and purpose. It stands for a value in places that
// are stored in clear, such as the filter of an auditor on the log.
func (db *DB) KeyedDigest(chain, purpose, value string) ([]byte, error) {
	return db.cfg.Keys.KeyedDigest(chain+"\x00"+purpose, value)
}

// clientIndex holds the changes of table client_index in one write. The slices clients,
// fields and hashes have one element per new row.
type clientIndex struct {
	// changed holds the clients whose old rows are deleted first.
	changed         []string
	clients, fields []string
	hashes          [][]byte
}

// clientIndexChanges collects the index changes for the clients among the records of a
// write. It needs the plain terms and therefore runs before the transaction.
func clientIndexChanges(keys Keys, chain string, records []Record) (clientIndex, error) {
	var m clientIndex
	for _, r := range records {
		if r.statements != Clients.statements || r.action == unchanged {
			continue
		}
		if r.action == replace {
			m.changed = append(m.changed, r.key.id)
		}
		if err := m.add(keys, chain, r.key.id, r.terms); err != nil {
			return m, err
		}
	}
	return m, nil
}

// add adds the terms of a client.
func (m *clientIndex) add(keys Keys, chain, client string, terms []term) error {
	for _, t := range terms {
		hash, err := t.hash(keys, chain)
		if err != nil {
			return err
		}
		m.clients, m.fields, m.hashes = append(m.clients, client), append(m.fields, t.field), append(m.hashes, hash)
	}
	return nil
}

// indexSteps makes the step that deletes the old index entries of changed clients.
func indexSteps(chain string, writes []*pendingWrite) []step {
	var changed pq.StringArray
	for _, p := range writes {
		changed = append(changed, p.clientIndex.changed...)
	}
	if len(changed) == 0 {
		return nil
	}
	return []step{{query: dropIndexQuery, args: []any{chain, changed}}}
}

// insertSecretsQuery inserts the keys of new clients, the index entries of new and
// changed ones, and external ids, so that a client is never stored without a key or without being findable.
const insertSecretsQuery = `with keys as (insert into client_keys (chain, client, version, wrapped)
	select $1, n.client, n.version, n.wrapped from unnest($2::text[], $3::text[], $4::bytea[]) as n (client, version, wrapped)),
external as (insert into external_ids (chain, field, hash, client, record, content)
	select $1, n.field, n.hash, n.client, n.record, n.content from unnest($8::text[], $9::bytea[], $10::text[], $11::text[], $12::bytea[]) as n (field, hash, client, record, content))
insert into client_index (chain, field, hash, client)
select $1, n.field, n.hash, n.client from unnest($5::text[], $6::bytea[], $7::text[]) as n (field, hash, client)`

// secrets makes the statement that inserts what must never be part of the text of a
// statement: a server's log may hold such texts, and would keep the keys and digests of
// clients after they were erased. It is sent by itself, with bound parameters, and costs
// the writes that need it a round trip. nil: there is nothing to insert.
func secrets(chain string, writes []*pendingWrite) *boundStatement {
	var clients, versions, fields, found pq.StringArray
	var wrapped, hashes pq.ByteaArray
	for _, p := range writes {
		for _, w := range p.fresh {
			clients, versions, wrapped = append(clients, w.Client), append(versions, w.Version), append(wrapped, w.Wrapped)
		}
		m := p.clientIndex
		fields, hashes, found = append(fields, m.fields...), append(hashes, m.hashes...), append(found, m.clients...)
	}
	external := externalColumns(writes)
	if len(clients)+len(found)+len(external[0].(pq.StringArray)) == 0 {
		return nil
	}
	return &boundStatement{insertSecretsQuery, append([]any{chain, clients, versions, wrapped, fields, hashes, found}, external...)}
}

// Invalid returns a field of the lookup that is set but has nothing to compare, such as
// a phone number without digits, and what would be right. Both are empty if there is
// none. A lookup by such a field alone would find every client.
func (l ClientLookup) Invalid() (field, want string) {
	switch {
	case l.DisplayName != "" && plainName(l.DisplayName) == "":
		return byDisplayName, "must have more than blanks, or be empty"
	case l.Phone != "" && plainPhone(l.Phone) == "":
		return byPhone, "must have a digit, or be empty"
	case l.Email != "" && plainEmail(l.Email) == "":
		return byEmail, "must have more than blanks, or be empty"
	}
	if _, want := newSearch(l.Search); want != "" {
		return "search", want
	}
	return "", ""
}

// FindClients reads a page of the clients of the chain that fit every field of the
// lookup, newest first. An empty lookup lists all clients. A page of a search can be
// shorter than asked for, and be empty only at the end or after searchedPages pages
// without a client who fits.
func FindClients(s *Snapshot, l ClientLookup, page Page) ([]*pb.Client, string, error) {
	where, args := "chain = $1 and parent = ''", []any{s.chain}
	wanted, _ := newSearch(l.Search)
	groups := wanted.lookups()
	for _, t := range lookupTerms(l) {
		groups = append(groups, []term{t})
	}
	for _, group := range groups {
		var fields pq.StringArray
		var hashes pq.ByteaArray
		for _, t := range group {
			hash, err := t.hash(s.db.cfg.Keys, s.chain)
			if err != nil {
				return nil, "", err
			}
			fields, hashes = append(fields, t.field), append(hashes, hash)
		}
		args = append(args, fields, hashes)
		where += fmt.Sprintf(" and id in (select i.client from client_index i where i.chain = $1 and i.field = any($%d) and i.hash = any($%d))", len(args)-1, len(args))
	}
	if l.ExternalID != "" {
		hash, err := externalID{OfClients, l.ExternalID}.hash(s.db.cfg.Keys, s.chain)
		if err != nil {
			return nil, "", err
		}
		args = append(args, string(OfClients), hash)
		where += fmt.Sprintf(" and id in (select e.client from external_ids e where e.chain = $1 and e.field = $%d and e.hash = $%d)", len(args)-1, len(args))
	}
	for n := 1; ; n++ {
		found, next, err := list[*pb.Client](s, Clients.byID(where, true, args...), page)
		if err != nil {
			return nil, "", err
		}
		found = slices.DeleteFunc(found, func(c *pb.Client) bool { return !wanted.matches(c) })
		if len(found) > 0 || next == "" || n == searchedPages {
			return found, next, nil
		}
		page.Token = next
	}
}

// searchedPages is how many pages a search reads at most for one page of its answer. Our
// own choice; only a beginning that very many clients share needs more than one.
const searchedPages = 10
