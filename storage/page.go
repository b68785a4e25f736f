package storage

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
)

// Page says which part of a list is wanted. The zero Page is the first.
type Page struct {
	// Size is the most items to return; 0 means 50, and more than 500 means 500.
	Size int32
	// Token is the one that came with the page before.
	Token string
}

// The sizes of a page. The contract states them at every list.
const (
	// DefaultPageSize is the number of items on a page that asks for no number.
	DefaultPageSize = 50
	// MaxPageSize is the most items on a page.
	MaxPageSize = 500
	// MaxPageBytes is where a page ends even if fewer items than asked for are on
	// it. It holds at least one item, however large.
	MaxPageBytes = 1 << 20
)

// limit is the number of items that Size stands for.
func (p Page) limit() int {
	switch {
	case p.Size <= 0:
		return DefaultPageSize
	case p.Size > MaxPageSize:
		return MaxPageSize
	}
	return int(p.Size)
}

// listing is a list of records in the order of a key. A page begins behind a
// key, so that its cost does not grow with its distance from the start.
type listing struct {
	table  string
	where  string // with $1 to $n for args
	args   []any
	key    string // the column that gives the order
	cast   string // its type
	before string // a key that comes before all others in that order
	desc   bool
	sealed *statements // whose rows are clients'; nil: they are in clear
}

// row is one record of a listing.
type row struct {
	Key   string
	Body  []byte
	Found int // rows on the page, before it was cut to MaxPageBytes
	// Of a client's record: what it belongs to, and the client's key.
	Parent, Version string
	Wrapped         []byte
}

// rows reads one page, and the token of the next; that is empty on the last.
func (l listing) rows(s *Snapshot, page Page) ([]row, string, error) {
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

// PageToken makes the token for the page behind key, of a list that is put
// together outside of this package; list says which, with all that it was asked
// for.
func PageToken(list, key string) string { return listing{table: list}.seal(key) }

// After is the key that the page begins behind, in such a list; empty for the
// first page. A token of another list is ErrBadToken.
func (p Page) After(list string) (string, error) { return listing{table: list}.open(p.Token) }

// Limit is the number of items that the page holds at most.
func (p Page) Limit() int { return p.limit() }

// sealSize is how many bytes of a token tie it to its list.
const sealSize = 8

// seal makes the token for the page behind key. It is opaque to clients, and
// tied to the list so that it cannot be used with another one by mistake; it
// is no secret, since it can show nothing that the list does not.
func (l listing) seal(key string) string {
	return base64.RawURLEncoding.EncodeToString(append(l.mark(key), key...))
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
	if !bytes.Equal(b[:sealSize], l.mark(key)) {
		return "", ErrBadToken
	}
	return key, nil
}

// mark is a short digest of a list and a key.
func (l listing) mark(key string) []byte {
	var text strings.Builder
	fmt.Fprintf(&text, "%q %q %q %t %q", l.table, l.where, l.key, l.desc, key)
	for _, arg := range l.args {
		fmt.Fprintf(&text, " %q", fmt.Sprint(arg))
	}
	sum := sha256.Sum256([]byte(text.String()))
	return sum[:sealSize]
}

// byID lists records in the order of their ids: ids that were made, which are
// in order of time, newest first, and chosen ones by the alphabet.
func byID(table, where string, newestFirst bool, args ...any) listing {
	l := listing{table: table, where: where, args: args, key: "id", cast: "text", desc: newestFirst}
	if newestFirst {
		l.before = "~" // no id has a character as high
	}
	return l
}

// list reads one page of records as messages. Records that are sealed are larger
// than they are stored, so the page may have to end before its rows do.
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

// body is the record in a row, opened if it is sealed.
func (l listing) body(s *Snapshot, r row) ([]byte, error) {
	t := l.sealed
	if t == nil {
		return r.Body, nil
	}
	at := key{chain: s.chain, parent: r.Parent, id: r.Key}
	return s.open(t.name, t.clientOf(at), sealedRow{r.Parent, r.Key, r.Body, r.Version, r.Wrapped})
}
