package storage

import (
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	"alkalog/storage/keyring"
)

// What belongs to a client is stored sealed, each record as a whole, with a key
// of the client's own. That key lies, wrapped, in client_keys and nowhere else:
// without its row there, nothing of the client can be read any more, in the
// tables or in any copy of them.

// Keys wraps the keys of clients, and makes the marks that clients are found by.
// A key file can stand behind it, or a service that never gives its key away.
type Keys interface {
	// Version names the key that Wrap wraps with.
	Version() (string, error)
	// Wrap seals a secret and ties it to a context.
	Wrap(secret, context []byte) (wrapped []byte, version string, err error)
	// Unwrap opens what Wrap has sealed with that version, in that context.
	Unwrap(wrapped []byte, version string, context []byte) ([]byte, error)
	// Mark is a keyed digest of a value, another one for each purpose.
	Mark(purpose, value string) ([]byte, error)
}

// ErrSealed says that a record cannot be opened with the keys at hand, or is not
// one any more.
var ErrSealed = errors.New("storage: sealed with another key, or changed")

// noKeys stands for keys that nobody gave.
type noKeys struct{}

var errNoKeys = errors.New("storage: no keys for the records of clients were given")

func (noKeys) Version() (string, error)                    { return "", errNoKeys }
func (noKeys) Wrap([]byte, []byte) ([]byte, string, error) { return nil, "", errNoKeys }
func (noKeys) Unwrap([]byte, string, []byte) ([]byte, error) {
	return nil, errNoKeys
}
func (noKeys) Mark(string, string) ([]byte, error) { return nil, errNoKeys }

// clientKey is the key of one client.
type clientKey struct {
	aead       cipher.AEAD
	mac        []byte // for digests that nobody else can make
	compressor *compressor
}

// keySize is the length of a client's key, in bytes.
const keySize = 32

// newClientKey makes a client's key from its secret.
func (db *DB) newClientKey(secret []byte) (*clientKey, error) {
	aead, err := keyring.Box(secret)
	if err != nil {
		return nil, err
	}
	mac, err := hkdf.Key(sha256.New, secret, nil, "alkalog digest", sha256.Size)
	return &clientKey{aead, mac, db.compressor}, err
}

// wrapContext ties a wrapped key to its client.
func wrapContext(chain, client string) []byte { return []byte(chain + "\x00" + client) }

// wrappedKey is a client's key as it is stored.
type wrappedKey struct {
	Client  string
	Version string
	Wrapped []byte
}

// freshKey makes a key for a new client.
func (db *DB) freshKey(chain, client string) (*clientKey, wrappedKey, error) {
	secret := make([]byte, keySize)
	rand.Read(secret) // never fails
	wrapped, version, err := db.cfg.Keys.Wrap(secret, wrapContext(chain, client))
	if err != nil {
		return nil, wrappedKey{}, err
	}
	key, err := db.newClientKey(secret)
	return key, wrappedKey{client, version, wrapped}, err
}

// unwrap opens a stored key.
func (db *DB) unwrap(chain string, w wrappedKey) (*clientKey, error) {
	secret, err := db.cfg.Keys.Unwrap(w.Wrapped, w.Version, wrapContext(chain, w.Client))
	if err != nil {
		return nil, fmt.Errorf("%w: a client's key of chain %s: %w", ErrSealed, chain, err)
	}
	return db.newClientKey(secret)
}

// The first byte of what is sealed says how that was done, and with which key of
// the client, who has one so far.
const (
	sealed        = 1 // as it is
	sealedSmaller = 2 // deflated (RFC 1951, 1996) before
)

// additionalData is where sealed bytes stand, and how they are. They cannot be opened
// anywhere else.
func additionalData(format byte, table string, at key) []byte {
	return []byte(strings.Join([]string{"alkalog sealed", string(rune('0' + format)), table, at.chain, at.parent, at.id}, "\x00"))
}

// seal seals bytes for a place.
func (k *clientKey) seal(table string, at key, plain []byte) []byte {
	format := byte(sealed)
	if small, smaller := k.compressor.compress(plain); smaller {
		format, plain = sealedSmaller, small
	}
	return k.aead.Seal([]byte{format}, nil, plain, additionalData(format, table, at))
}

// open opens what was sealed for a place.
func (k *clientKey) open(table string, at key, body []byte) ([]byte, error) {
	if len(body) == 0 || body[0] != sealed && body[0] != sealedSmaller {
		return nil, fmt.Errorf("%w: a row of %s", ErrSealed, table)
	}
	plain, err := k.aead.Open(nil, nil, body[1:], additionalData(body[0], table, at))
	if err != nil {
		return nil, fmt.Errorf("%w: a row of %s was changed, or is not where it was written", ErrSealed, table)
	}
	if body[0] == sealedSmaller {
		return k.compressor.decompress(plain)
	}
	return plain, nil
}

// digest is a digest that only the client's key can make: when the key is gone
// it tells nothing of what it was made of, however few things that could be.
func (k *clientKey) digest(purpose string, of []byte) []byte {
	h := hmac.New(sha256.New, k.mac)
	h.Write([]byte(purpose + "\x00"))
	h.Write(of)
	return h.Sum(nil)
}

// etag is an etag as it stands in the column. Etags are digests of contents, and
// callers see them as they are; what is stored in clear is derived from them.
func (k *clientKey) etag(etag string) string {
	if etag == "" {
		return ""
	}
	return hex.EncodeToString(k.digest("etag", []byte(etag))[:8])
}

// sealedRow is a row of a client's record, with the client's key.
type sealedRow struct {
	Parent, ID string
	Body       []byte
	Version    string
	Wrapped    []byte
}

// sealedColumns is what a query selects for a sealedRow, from a table joined with
// ofClient.
const sealedColumns = "parent, id, body, version, wrapped"

// ofClient joins a table with the keys of clients, so that records of clients who
// were erased are not there. A condition names which column holds the client.
const ofClient = " join client_keys using (chain)"

// open opens a row of a client's.
func (s *Snapshot) open(table, client string, r sealedRow) ([]byte, error) {
	k, err := s.clientKey(wrappedKey{client, r.Version, r.Wrapped})
	if err != nil {
		return nil, err
	}
	plain, err := k.open(table, key{chain: s.chain, parent: r.Parent, id: r.ID}, r.Body)
	if err == nil && s.keepOpened {
		s.opened = append(s.opened, openedRecord{plain, r.Body})
	}
	return plain, err
}

// openedRecord is a record as it is and as it is stored.
type openedRecord struct{ plain, sealed []byte }

// maxCachedKeys bounds the keys that a snapshot keeps at hand, while it goes through
// the records of all clients.
const maxCachedKeys = 1000

// clientKey opens a client's key once a snapshot. That of an erased client, which
// somebody has put back, is not used: the client is not found.
func (s *Snapshot) clientKey(w wrappedKey) (*clientKey, error) {
	if s.tx.db.erased.has(s.chain, w.Client) {
		s.foundErased = true
		return nil, errErased(w.Client)
	}
	if key, known := s.keys[w.Client]; known {
		return key, nil
	}
	key, err := s.tx.db.unwrap(s.chain, w)
	if err != nil {
		return nil, err
	}
	if s.keys == nil || len(s.keys) == maxCachedKeys && !s.keepOpened {
		s.keys = map[string]*clientKey{}
	}
	s.keys[w.Client] = key
	return key, nil
}

// openRows opens rows of one client's, or, with an empty client, of those that the
// rows belong to. Those of erased clients are left out.
func openRows[M proto.Message](s *Snapshot, table, client string, rows []sealedRow) ([]M, error) {
	messages := make([]M, 0, len(rows))
	for _, r := range rows {
		of := client
		if of == "" {
			of = r.Parent
		}
		plain, err := s.open(table, of, r)
		if errors.Is(err, ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		m, err := parse[M](plain)
		if err != nil {
			return nil, err
		}
		messages = append(messages, m)
	}
	return messages, nil
}
