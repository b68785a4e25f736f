package storage

import (
	"context"
	"fmt"
	"strings"
	"unicode"

	"github.com/lib/pq"
	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	pb "alkalog/proto/alkalogv1"
)

// writeKeys stores the keys of new clients, and destroys those of the ones to be
// erased. A write of a client's records locks the key until that is
// committed, so the key goes when all of these are done, and then it can be seen
// whether one of them has begun a session.
func (p preparedWrite) writeKeys(ctx context.Context, tx *transaction, chain string) error {
	for _, w := range p.fresh {
		_, err := tx.ExecContext(ctx, "insert into client_keys (chain, client, version, wrapped) values ($1, $2, $3, $4)",
			chain, w.Client, w.Version, w.Wrapped)
		if err != nil {
			return err
		}
	}
	if len(p.erase) == 0 {
		return nil
	}
	gone, err := destroyKeys(ctx, tx, chain, p.erase)
	if err != nil {
		return err
	}
	var open int
	err = tx.GetContext(ctx, &open, "select count(*) from sessions where chain = $1 and parent = any($2) and open", chain, pq.Array(p.erase))
	if err == nil && (len(gone) != len(p.erase) || open != p.open) {
		err = fmt.Errorf("%w: a client to be erased", ErrStale)
	}
	return err
}

// destroyKeys deletes the keys of clients, then what they are found by, and returns
// those who had one. A statement of its own for each: the first waits for writes
// that are under way, and only the second sees what these have made.
func destroyKeys(ctx context.Context, tx *transaction, chain string, clients []string) ([]string, error) {
	var gone []string
	err := tx.SelectContext(ctx, &gone, "delete from client_keys where chain = $1 and client = any($2) returning client", chain, pq.Array(clients))
	if err == nil {
		_, err = tx.ExecContext(ctx, "delete from client_index where chain = $1 and client = any($2)", chain, pq.Array(clients))
	}
	return gone, err
}

// CountOpen counts the sessions of a client that have no outcome.
func CountOpen(s *Snapshot, client string) (int, error) {
	at, err := parseName(client)
	if err != nil {
		return 0, err
	}
	var n int
	err = s.one(&n, "select count(*) from sessions where chain = $1 and parent = $2 and open", s.chain, at.id)
	return n, err
}

// term is what a client is found by, in the form in which it is compared.
type term struct{ field, value string }

// The fields that clients are found by.
const (
	byDisplayName = "display_name"
	byPhone       = "phone"
	byEmail       = "email"
)

// clientTerms is what a client is found by.
func clientTerms(c *pb.Client) []term {
	return lookupTerms(ClientLookup{DisplayName: c.GetDisplayName(), Phone: c.GetPhone(), Email: c.GetEmail()})
}

// ClientLookup says which clients are wanted; empty fields do not matter.
type ClientLookup struct{ DisplayName, Phone, Email string }

// lookupTerms brings a lookup into the form in which it is compared. What has
// nothing that could be compared is left out.
func lookupTerms(l ClientLookup) []term {
	var terms []term
	for _, t := range []term{{byDisplayName, plainName(l.DisplayName)}, {byPhone, plainPhone(l.Phone)}, {byEmail, plainEmail(l.Email)}} {
		if t.value != "" {
			terms = append(terms, t)
		}
	}
	return terms
}

// plainName is a name without regard to case, to spacing and to how its accents
// are written (Unicode Standard Annex 15, form C; case folding of section 3.13).
func plainName(name string) string {
	folded := cases.Fold().String(norm.NFC.String(name))
	return norm.NFC.String(strings.Join(strings.Fields(folded), " "))
}

// plainPhone is the digits of a number, with a + where it begins with the sign
// or the usual prefix (00) of international ones (ITU-T E.123, 2001).
func plainPhone(phone string) string {
	digits := strings.Map(func(r rune) rune {
		if unicode.IsDigit(r) && r <= unicode.MaxASCII {
			return r
		}
		return -1
	}, phone)
	if rest, international := strings.CutPrefix(digits, "00"); international {
		return "+" + rest
	}
	if strings.HasPrefix(strings.TrimSpace(phone), "+") && digits != "" {
		return "+" + digits
	}
	return digits
}

// plainEmail is an address without regard to case.
func plainEmail(email string) string { return cases.Fold().String(strings.TrimSpace(email)) }

// hash is the mark of a term in a chain.
func (t term) hash(keys Keys, chain string) ([]byte, error) {
	return keys.Mark(chain+"\x00"+t.field, t.value)
}

// Mark is a digest of a value that only this installation can make, another one for
// each chain and purpose, so that nobody finds the value by trying.
func (db *DB) Mark(chain, purpose, value string) ([]byte, error) {
	return db.cfg.Keys.Mark(chain+"\x00"+purpose, value)
}

// clientIndex is what changes in client_index.
type clientIndex struct {
	changed         []string // clients
	clients, fields []string
	hashes          [][]byte
}

// clientIndexChanges makes the marks of the clients among records.
func clientIndexChanges(keys Keys, chain string, records []Record) (clientIndex, error) {
	var m clientIndex
	for _, r := range records {
		if r.statements != Clients.statements || r.action == unchanged {
			continue
		}
		if r.action == replace {
			m.changed = append(m.changed, r.key.id)
		}
		for _, t := range r.terms {
			hash, err := t.hash(keys, chain)
			if err != nil {
				return m, err
			}
			m.clients, m.fields, m.hashes = append(m.clients, r.key.id), append(m.fields, t.field), append(m.hashes, hash)
		}
	}
	return m, nil
}

// write brings client_index up to date.
func (m clientIndex) write(ctx context.Context, tx *transaction, chain string) error {
	if len(m.changed) > 0 {
		if _, err := tx.ExecContext(ctx, "delete from client_index where chain = $1 and client = any($2)", chain, pq.Array(m.changed)); err != nil {
			return err
		}
	}
	if len(m.clients) == 0 {
		return nil
	}
	_, err := tx.ExecContext(ctx, `insert into client_index (chain, field, hash, client)
		select $1, n.field, n.hash, n.client from unnest($2::text[], $3::bytea[], $4::text[]) as n (field, hash, client)`,
		chain, pq.Array(m.fields), pq.Array(m.hashes), pq.Array(m.clients))
	return err
}

// Vague names a field of the lookup in which there is nothing to compare, and what
// would be right; empty when there is none.
func (l ClientLookup) Vague() (field, want string) {
	switch {
	case l.DisplayName != "" && plainName(l.DisplayName) == "":
		return byDisplayName, "must have more than blanks, or be empty"
	case l.Phone != "" && plainPhone(l.Phone) == "":
		return byPhone, "must have a digit, or be empty"
	case l.Email != "" && plainEmail(l.Email) == "":
		return byEmail, "must have more than blanks, or be empty"
	}
	return "", ""
}

// FindClients reads a page of the clients of the chain that a lookup finds, newest
// first: those that every field of it fits.
func FindClients(s *Snapshot, l ClientLookup, page Page) ([]*pb.Client, string, error) {
	where, args := "chain = $1 and parent = ''", []any{s.chain}
	for _, t := range lookupTerms(l) {
		hash, err := t.hash(s.tx.db.cfg.Keys, s.chain)
		if err != nil {
			return nil, "", err
		}
		args = append(args, t.field, hash)
		where += fmt.Sprintf(" and id in (select i.client from client_index i where i.chain = $1 and i.field = $%d and i.hash = $%d)", len(args)-1, len(args))
	}
	return list[*pb.Client](s, Clients.byID(where, true, args...), page)
}
