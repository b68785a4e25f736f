package storage

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
)

// Page says which part of a list is wanted. The zero Page is the first page.
type Page struct {
	// Size is the maximum number of items. 0 means DefaultPageSize; values above MaxPageSize
	// mean MaxPageSize.
	Size int32
	// Token is the token that came with the previous page.
	Token string
}

// The sizes of a page. The contract states them at every list.
const (
	// DefaultPageSize is the page size if none is asked for.
	DefaultPageSize = 50
	// MaxPageSize is the maximum page size.
	MaxPageSize = 500
	// MaxPageBytes is the size in bytes of stored bodies at which a page ends even if it has
	// fewer items than asked for; well below gRPC's default limit of 4 MiB per message. A page
	// has at least one item, however large.
	MaxPageBytes = 1 << 20
)

// limit returns the number of items that Size stands for.
func (p Page) limit() int {
	switch {
	case p.Size <= 0:
		return DefaultPageSize
	case p.Size > MaxPageSize:
		return MaxPageSize
	}
	return int(p.Size)
}

// listing is a list of records in the order of a key. A page begins after a key and not
// at an offset, so that its cost does not grow with its distance from the start, and
// records that are inserted meanwhile shift nothing.
type listing struct {
	table string
	// where is the condition, with $1 to $n for args.
	where string
	args  []any
	// key is the column that gives the order. It must be unique in the list.
	key string
	// cast is its SQL type.
	cast string
	// before is a key that comes before all others in that order.
	before string
	desc   bool
	// sealed is the table if its rows belong to clients; nil: they are in clear.
	sealed *statements
}

// row is one record of a listing.
type row struct {
	Key  string
	Body []byte
	// Found is the number of rows on the page before it was cut to MaxPageBytes.
	Found int
	// Parent is what a client's record belongs to; Version and Wrapped are the client's key.
	Parent, Version string
	Wrapped         []byte
}

// rows reads one page and the token of the next, which is empty on the last page. It
// asks for one row more than the page has, to know whether there is a next page.
func (l listing) rows(s *Snapshot, page Page) ([]row, string, error) {
	if s.planned != nil {
		return l.planned(s, page)
	}
	after, err := l.open(page.Token)
	if err != nil {
		return nil, "", err
	}
	size := page.limit()
	n := len(l.args)
	args := append(l.args[:n:n], after, size+1, MaxPageBytes)
	order, than := "asc", ">"
	if l.desc {
		order, than = "desc", "<"
	}
	more := ""
	if l.sealed != nil {
		more = ", parent, version, wrapped"
	}
	query := fmt.Sprintf(`with page as (
	select %[1]s as key, body%[10]s from %[2]s where %[3]s and %[1]s %[4]s $%[5]d::%[6]s order by %[1]s %[7]s limit $%[8]d
), sized as (
	select key, body%[10]s, count(*) over () as found,
		sum(octet_length(body)) over (order by key %[7]s) - octet_length(body) as before from page
)
select key::text as key, body%[10]s, found from sized where before < $%[9]d order by sized.key %[7]s`,
		l.key, l.table, l.where, than, n+1, l.cast, order, n+2, n+3, more)
	var found []row
	if err := s.all(&found, query, args...); err != nil {
		return nil, "", err
	}
	rows := found[:min(size, len(found))]
	if len(found) == 0 || len(rows) == found[0].Found {
		return rows, "", nil
	}
	return rows, l.seal(rows[len(rows)-1].Key), nil
}

// planned is rows for a snapshot of a plan, which has first pages only. They end where
// those of a query would.
func (l listing) planned(s *Snapshot, page Page) ([]row, string, error) {
	found, _, err := s.list(l.id(page))
	if err == nil && page.Token != "" {
		err = s.miss()
	}
	if err != nil {
		return nil, "", err
	}
	rows, bytes := make([]row, 0, len(found)), 0
	for _, r := range found {
		if len(rows) == page.limit() || bytes >= MaxPageBytes {
			return rows, l.seal(rows[len(rows)-1].Key), nil
		}
		bytes += len(r.Body)
		rows = append(rows, row{Key: r.ID, Body: r.Body, Parent: r.Parent, Version: r.Version, Wrapped: r.Wrapped})
	}
	return rows, "", nil
}

// PageToken makes the token for the page after key, for a list that is composed outside
// of this package. list must identify the list and everything that it was asked for.
func PageToken(list, key string) string { return listing{table: list}.seal(key) }

// After returns the key that the page begins after, in such a list; empty for the first
// page. A token of another list is ErrBadToken.
func (p Page) After(list string) (string, error) { return listing{table: list}.open(p.Token) }

// Limit returns the maximum number of items on the page.
func (p Page) Limit() int { return p.limit() }

// sealSize is the number of bytes in a token that tie it to its list.
const sealSize = 8

// seal makes the token for the page after key. A token is opaque to clients and tied to
// the list, so that it cannot be used with another list by mistake. It is not secret
// and gives no access: permissions are checked for every page.
func (l listing) seal(key string) string {
	return base64.RawURLEncoding.EncodeToString(append(l.tag(key), key...))
}

// open returns the key in a token; without a token, the key before all others.
func (l listing) open(token string) (string, error) {
	if token == "" {
		return l.before, nil
	}
	b, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(b) <= sealSize {
		return "", ErrBadToken
	}
	key := string(b[sealSize:])
	if !bytes.Equal(b[:sealSize], l.tag(key)) {
		return "", ErrBadToken
	}
	return key, nil
}

// tag returns a short digest of a list and a key.
func (l listing) tag(key string) []byte {
	var text strings.Builder
	fmt.Fprintf(&text, "%q %q %q %t %q", l.table, l.where, l.key, l.desc, key)
	for _, arg := range l.args {
		fmt.Fprintf(&text, " %q", fmt.Sprint(arg))
	}
	sum := sha256.Sum256([]byte(text.String()))
	return sum[:sealSize]
}

// byID lists records in the order of their IDs. Generated IDs are in the order of time
// and are listed newest first, chosen IDs in alphabetical order.
func byID(table, where string, newestFirst bool, args ...any) listing {
	l := listing{table: table, where: where, args: args, key: "id", cast: "text", desc: newestFirst}
	if newestFirst {
		l.before = "~" // no id has a character as high
	}
	return l
}

// list reads one page of records as messages. Opened records can be larger than stored
// ones, which are compressed, so the page may have to end before its rows do.
func list[M named](s *Snapshot, l listing, page Page) ([]M, string, error) {
	rows, next, err := l.rows(s, page)
	if err != nil {
		return nil, "", err
	}
	messages, total := make([]M, 0, len(rows)), 0
	for i, r := range rows {
		if total >= MaxPageBytes {
			return messages, l.seal(rows[i-1].Key), nil
		}
		body, err := l.body(s, r)
		if errors.Is(err, ErrNotFound) {
			continue // of an erased client, whose key was put back
		}
		if err != nil {
			return nil, "", err
		}
		m, err := parse[M](body)
		if err != nil {
			return nil, "", err
		}
		messages, total = append(messages, m), total+len(body)
	}
	return messages, next, nil
}

// body returns the plain bytes of a row.
func (l listing) body(s *Snapshot, r row) ([]byte, error) {
	t := l.sealed
	if t == nil {
		return r.Body, nil
	}
	at := key{chain: s.chain, parent: r.Parent, id: r.Key}
	return s.open(t.name, t.clientOf(at), sealedRow{r.Parent, r.Key, r.Body, r.Version, r.Wrapped})
}
