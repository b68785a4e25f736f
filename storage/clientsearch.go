package storage

import (
	"context"
	"errors"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/lib/pq"
	"golang.org/x/text/cases"
	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"

	pb "alkalog/proto/alkalogv1"
)

// A search finds clients by beginnings of the words of their names, and by the beginning
// or the end of their telephone number. Names are sealed, so the table client_index has
// keyed digests of beginnings of a few lengths. A search looks up the longest of them that
// it has, opens the clients found, and compares them exactly: what it returns is right
// whatever the lengths are, and few lengths keep the index small.
//
// The same number is written in many ways. A desk types the national number, its end, or
// the number as an address book has it with the country code. Which country code a
// national number has is not known, so a search with a country code finds a national
// number by the digits after the code. How long the code is, is not known either: each
// length is tried.
//
// A beginning finds in no case more than the same letters would find in a list of names.
// What the digests reveal to a reader of the tables is on server/SECURITY.md.

// The fields of search in client_index. They are part of every digest, so they must not
// change.
const (
	byNameStart  = "name_start"
	byPhoneStart = "phone_start"
	byPhoneEnd   = "phone_end"
)

// The lengths of the beginnings and ends that have digests. Our own choice: two letters
// are the least to search by, and four digits are what a person at a desk asks for.
var (
	nameStarts   = []int{8, 6, 4, 3, 2}
	phoneLengths = []int{7, 4}
)

// searchDigestSize is the length of a digest of search in bytes. What it finds is compared
// anyway, so two values may share one.
const searchDigestSize = 12

// search is a search for clients, in normal form. The zero search finds everybody.
type search struct {
	words []string
	phone phoneNumber
	email string
}

// newSearch reads a search as it was typed: words of a name in any order, digits of a
// telephone number in any grouping, or an email address. The text want is empty, or says
// what would be right for a search that is too vague to mean one person.
func newSearch(text string) (s search, want string) {
	var digits []string
	for _, part := range strings.Fields(text) {
		switch {
		case strings.Contains(part, "@"):
			s.email = plainEmail(part)
		case strings.IndexFunc(part, unicode.IsLetter) < 0 && strings.IndexFunc(part, unicode.IsDigit) >= 0:
			digits = append(digits, part)
		default:
			s.words = append(s.words, words(part)...)
		}
	}
	s.phone = newPhoneNumber(strings.Join(digits, " "))
	if len(digits) > 0 && len(s.phone.typed) < phoneLengths[1] {
		return s, "must have at least four digits of a telephone number, or none"
	}
	// A single letter is a name in some scripts and an initial in others. It is looked up
	// as a whole word; an initial alone would find nobody.
	if len(s.words) > 0 && !slices.ContainsFunc(s.words, isName) && s.phone.typed == "" && s.email == "" {
		return s, "must have at least two letters of a name, four digits of a telephone number, or an email address"
	}
	if text != "" && len(s.words) == 0 && s.phone.typed == "" && s.email == "" {
		return s, "must have a word of a name, four digits of a telephone number, or an email address"
	}
	return s, ""
}

// isName tells whether a word can be a name: a single letter of an alphabet is an initial.
func isName(word string) bool {
	letters := []rune(word)
	return len(letters) > 1 || !unicode.In(letters[0], unicode.Latin, unicode.Greek, unicode.Cyrillic)
}

// plainLetters replaces letters that Unicode does not write as a letter with a mark.
var plainLetters = strings.NewReplacer("ø", "o", "ł", "l", "đ", "d", "ð", "d", "æ", "ae", "œ", "oe", "ı", "i", "þ", "th")

// Words are compared by their letters and not by their sound: a search that guesses
// finds strangers. What is not in the list above keeps its own letters, in all scripts.

// words returns the words of a name as they are compared: without regard to case and
// accents (marks of Unicode Standard Annex 15, form KD). Apostrophes are left out, and all else that is no letter or digit separates.
func words(name string) []string {
	marks := transform.Chain(norm.NFKD, runes.Remove(runes.In(unicode.Mn)), norm.NFC)
	plain, _, err := transform.String(marks, cases.Fold().String(name))
	if err != nil {
		plain = cases.Fold().String(name)
	}
	plain = strings.NewReplacer("'", "", "’", "", "ʼ", "").Replace(plainLetters.Replace(plain))
	return strings.FieldsFunc(plain, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

// phoneNumber is a telephone number by its digits.
type phoneNumber struct {
	// typed are all digits that were typed: 0018 can be an end, and also a country code.
	typed string
	// digits are those of an international number from the country code on.
	digits string
	// national are those of a national number without the zeros that it is dialled with.
	national string
	// international means that the country code is known to be there.
	international bool
}

// newPhoneNumber reads a number in any grouping. A + or 00 in front makes it
// international (ITU-T E.123, 2001), and a zero in brackets is the national prefix, which
// is not dialled from abroad.
func newPhoneNumber(text string) phoneNumber {
	text = strings.TrimSpace(text)
	typed := digitsOf(text)
	if digits, international := strings.CutPrefix(plainPhone(text), "+"); international {
		if strings.Contains(text, "(0)") {
			digits, _ = strings.CutPrefix(plainPhone(strings.Replace(text, "(0)", "", 1)), "+")
		}
		return phoneNumber{typed: typed, digits: digits, national: digits, international: true}
	}
	return phoneNumber{typed: typed, digits: typed, national: strings.TrimLeft(typed, "0")}
}

// countryCode is the length of the longest country code (ITU-T E.164, 2010).
const countryCode = 3

// A national number is dialled with a zero in most countries, which falls away behind the
// country code; so zeros in front never count.

// starts are what a number may be called without knowing where its country code ends.
func (p phoneNumber) starts() []string {
	all := []string{p.national}
	for n := 1; p.international && n <= countryCode && n < len(p.digits); n++ {
		all = append(all, strings.TrimLeft(p.digits[n:], "0"))
	}
	return all
}

// finds reports whether a search for p finds the stored number: by its beginning, with or
// without country code on either side, or by its end.
func (p phoneNumber) finds(stored phoneNumber) bool {
	if strings.HasSuffix(stored.digits, p.typed) {
		return true
	}
	if p.international && stored.international {
		return len(p.digits) >= phoneLengths[1] && strings.HasPrefix(stored.digits, p.digits)
	}
	for _, begins := range p.starts() {
		for _, start := range stored.starts() {
			if len(begins) >= phoneLengths[1] && strings.HasPrefix(start, begins) {
				return true
			}
		}
	}
	return false
}

// searchTerms returns the terms by which a search finds a client.
func searchTerms(c *pb.Client) []term {
	var terms []term
	for _, word := range words(c.GetDisplayName()) {
		if n := utf8.RuneCountInString(word); n == 1 {
			terms = append(terms, term{byNameStart, word})
		} else {
			for _, length := range nameStarts {
				if length <= n {
					terms = append(terms, term{byNameStart, string([]rune(word)[:length])})
				}
			}
		}
	}
	phone := newPhoneNumber(c.GetPhone())
	for _, length := range phoneLengths {
		for _, start := range phone.starts() {
			if length <= len(start) {
				terms = append(terms, term{byPhoneStart, start[:length]})
			}
		}
		if length <= len(phone.digits) {
			terms = append(terms, term{byPhoneEnd, phone.digits[len(phone.digits)-length:]})
		}
	}
	slices.SortFunc(terms, func(a, b term) int { return strings.Compare(a.field+a.value, b.field+b.value) })
	return slices.Compact(terms)
}

// lookups returns what a search looks up: of each group one term must be there. A word is
// looked up by its longest beginning that has digests; a number by each of its possible
// starts and by its end.
func (s search) lookups() [][]term {
	var groups [][]term
	initials := true
	for _, word := range s.words {
		initials = initials && utf8.RuneCountInString(word) == 1
	}
	for _, word := range s.words {
		letters := []rune(word)
		switch at := slices.IndexFunc(nameStarts, func(n int) bool { return n <= len(letters) }); {
		case at >= 0:
			groups = append(groups, []term{{byNameStart, string(letters[:nameStarts[at]])}})
		case initials: // with a longer word beside it, it is compared only
			groups = append(groups, []term{{byNameStart, word}})
		}
	}
	if s.phone.typed != "" {
		var group []term
		for _, start := range s.phone.starts() {
			if at := slices.IndexFunc(phoneLengths, func(n int) bool { return n <= len(start) }); at >= 0 {
				group = append(group, term{byPhoneStart, start[:phoneLengths[at]]})
			}
		}
		if at := slices.IndexFunc(phoneLengths, func(n int) bool { return n <= len(s.phone.typed) }); at >= 0 {
			group = append(group, term{byPhoneEnd, s.phone.typed[len(s.phone.typed)-phoneLengths[at]:]})
		}
		groups = append(groups, group)
	}
	if s.email != "" {
		groups = append(groups, []term{{byEmail, s.email}})
	}
	return groups
}

// matches reports whether a client is one that the search is for.
func (s search) matches(c *pb.Client) bool {
	name := words(c.GetDisplayName())
	for _, word := range s.words {
		if !slices.ContainsFunc(name, func(own string) bool { return strings.HasPrefix(own, word) }) {
			return false
		}
	}
	if s.phone.typed != "" && !s.phone.finds(newPhoneNumber(c.GetPhone())) {
		return false
	}
	return s.email == "" || s.email == plainEmail(c.GetEmail())
}

// Indexing runs when a server starts and every hour (service/consultation/retention.go), so
// neither an upgrade nor a server of the version before it needs a command.

// indexedAtATime is how many clients IndexClients reads and indexes in one transaction.
// Our own choice.
const indexedAtATime = 200

// IndexClients gives the clients of a chain, after an ID, what they are searched by, if
// they do not have it: clients from before there was a search, and those that an older
// server has changed since. It returns the last ID that it has looked at, empty at the end.
func IndexClients(ctx context.Context, db *DB, chain, after string) (last string, err error) {
	var rows []struct {
		sealedRow
		Etag string
	}
	var index clientIndex
	var ids, etags pq.StringArray
	err = Read(ctx, db, chain, func(s *Snapshot) error {
		err := s.all(&rows, "select "+sealedColumns+", etag from clients c"+ofClient+` where chain = $1 and parent = '' and client = id and id > $2
			and not exists (select from client_index i where i.chain = $1 and i.client = c.id and i.field = $3) order by id limit $4`,
			chain, after, byNameStart, indexedAtATime)
		if err != nil {
			return err
		}
		for _, r := range rows {
			last = r.ID
			plain, err := s.open(Clients.name, r.ID, r.sealedRow)
			if errors.Is(err, ErrNotFound) || errors.Is(err, ErrSealed) {
				continue
			}
			var c *pb.Client
			if err == nil {
				c, err = parse[*pb.Client](plain)
			}
			if err == nil {
				err = index.add(db.cfg.Keys, chain, r.ID, searchTerms(c))
			}
			if err != nil {
				return err
			}
			ids, etags = append(ids, r.ID), append(etags, r.Etag)
		}
		return nil
	})
	if err != nil || len(ids) == 0 {
		return last, err
	}
	return last, db.insertIndex(ctx, chain, ids, etags, index)
}

// A client that was changed since has a new etag and new entries; one that was erased has no
// key. Both are left out, and the next run finds those that still lack entries.

// insertIndex inserts the index entries of clients that are still as they were read. Their
// records and keys are locked first, so that an entry is never added to a client who is
// being changed or erased. The digests are bound parameters (see secrets).
func (db *DB) insertIndex(ctx context.Context, chain string, ids, etags pq.StringArray, index clientIndex) error {
	if err := db.writable(Changes{}); err != nil {
		return err
	}
	tx, err := db.begin(ctx, inChain(chain), nil)
	if err != nil {
		return err
	}
	var same pq.StringArray
	err = tx.SelectContext(ctx, &same, `select c.id from clients c join client_keys k on k.chain = $1 and k.client = c.id
		join unnest($2::text[], $3::text[]) as n (id, etag) on n.id = c.id and n.etag = c.etag
		where c.chain = $1 and c.parent = '' order by c.id for share of c for key share of k`, chain, ids, etags)
	if err == nil {
		_, err = tx.ExecContext(ctx, `insert into client_index (chain, field, hash, client)
			select $1, n.field, n.hash, n.client from unnest($2::text[], $3::bytea[], $4::text[]) as n (field, hash, client)
			where n.client = any($5::text[]) on conflict do nothing`,
			chain, pq.StringArray(index.fields), pq.ByteaArray(index.hashes), pq.StringArray(index.clients), same)
	}
	if err != nil {
		tx.end()
		return explain(ctx, err)
	}
	return tx.commit(ctx)
}
