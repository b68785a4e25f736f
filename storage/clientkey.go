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

// Records of a client are stored sealed, each one as a whole, with a key of that
// client. The key is stored, wrapped, in client_keys and nowhere else. Deleting that
// row erases the client: nothing of it can be read any more, in the tables or in any
// copy of them that does not contain the key.
//
// Three layers of keys are involved. The installation's key file (package keyring)
// wraps the clients' keys. A client's key seals the client's records. A key derived
// from it makes digests that are stored in clear, such as etags.

// Keys wraps the keys of clients and makes the digests by which clients are found. The
// implementation in this program is keyring.Ring; a key management service that never
// reveals its key fits as well. Implementations must be safe for concurrent use.
type Keys interface {
	// Version returns the version of the key that Wrap uses.
	Version() (string, error)
	// Wrap encrypts a secret and binds it to a context: it can be unwrapped only with the same
	// context.
	Wrap(secret, context []byte) (wrapped []byte, version string, err error)
	// Unwrap decrypts what Wrap returned with that version and context. It fails with
	// keyring.ErrUnknown if it has no such version, and with keyring.ErrDamaged if the bytes or
	// the context differ.
	Unwrap(wrapped []byte, version string, context []byte) ([]byte, error)
	// KeyedDigest returns a digest of a value that only the holder of the secret can make. Each
	// purpose has digests of its own. It does not depend on the version: rotating keys must not
	// change it, because digests are stored.
	KeyedDigest(purpose, value string) ([]byte, error)
}

// ErrSealed means that a record cannot be opened: it is sealed with a key that is not
// available, was changed or moved in the database, or is no longer a valid message.
var ErrSealed = errors.New("storage: sealed with another key, or changed")

// noKeys is used when Config.Keys is nil. Every call of it fails, so that such a server
// can neither read nor write records of clients.
type noKeys struct{}

// errNoKeys is the error of every method of noKeys.
var errNoKeys = errors.New("storage: no keys for the records of clients were given")

func (noKeys) Version() (string, error)                    { return "", errNoKeys }
func (noKeys) Wrap([]byte, []byte) ([]byte, string, error) { return nil, "", errNoKeys }
func (noKeys) Unwrap([]byte, string, []byte) ([]byte, error) {
	return nil, errNoKeys
}
func (noKeys) KeyedDigest(string, string) ([]byte, error) { return nil, errNoKeys }

// clientKey is the opened key of one client. It exists only in memory.
type clientKey struct {
	// aead seals the client's records (AES-256-GCM, see keyring.Box).
	aead cipher.AEAD
	// mac is the key for digests that are stored in clear and must not be guessable once the
	// client's key is gone.
	mac        []byte
	compressor *compressor
}

// keySize is the length of a client's key in bytes.
const keySize = 32

// newClientKey derives the keys of a client from its secret. The digest key comes from
// HKDF, so that one secret never serves two algorithms.
func (db *DB) newClientKey(secret []byte) (*clientKey, error) {
	aead, err := keyring.Box(secret)
	if err != nil {
		return nil, err
	}
	mac, err := hkdf.Key(sha256.New, secret, nil, "alkalog digest", sha256.Size)
	return &clientKey{aead, mac, db.compressor}, err
}

// wrapContext is the context that a client's key is wrapped with. A row that is copied
// to another client or chain does not open.
func wrapContext(chain, client string) []byte { return []byte(chain + "\x00" + client) }

// wrappedKey is a row of client_keys.
type wrappedKey struct {
	// Client is the ID of the client.
	Client string
	// Version is the version of the key that it is wrapped with.
	Version string
	Wrapped []byte
}

// freshKey makes a key for a new client. The key is stored by the write that inserts
// the client.
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

// unwrap opens a stored key. The error wraps ErrSealed and the cause from Keys.
func (db *DB) unwrap(chain string, w wrappedKey) (*clientKey, error) {
	secret, err := db.cfg.Keys.Unwrap(w.Wrapped, w.Version, wrapContext(chain, w.Client))
	if err != nil {
		return nil, fmt.Errorf("%w: a client's key of chain %s: %w", ErrSealed, chain, err)
	}
	return db.newClientKey(secret)
}

// The formats of sealed bytes, in their first byte. The byte is authenticated with the
// rest, so that nobody can exchange it. A new format gets a new value; values are never
// reused, because old records keep theirs.
const (
	// sealed is the encoded message as it is.
	sealed = 1
	// sealedSmaller is the encoded message in DEFLATE format (RFC 1951, 1996).
	sealedSmaller = 2
	// sealedWithDictionary is the encoded message in Zstandard format, with a dictionary that
	// it names (dictionaries.go).
	sealedWithDictionary = 3
)

// additionalData is the data that is authenticated with a sealed record: its format,
// its table and its key. A body that was moved to another row does not open.
func additionalData(format byte, table string, at key) []byte {
	return []byte(strings.Join([]string{"alkalog sealed", string(rune('0' + format)), table, at.chain, at.parent, at.id}, "\x00"))
}

// seal compresses and seals the encoded record for its table and key. Each call gives
// other bytes, because the nonce is random.
func (k *clientKey) seal(table string, at key, plain []byte) []byte {
	format, small := k.compressor.compress(plain)
	return k.aead.Seal([]byte{format}, nil, small, additionalData(format, table, at))
}

// open opens what seal returned for the same table and key. It returns ErrSealed if the
// bytes were changed or belong elsewhere. Additional bytes of the error text name only
// the table, never the content.
func (k *clientKey) open(table string, at key, body []byte) ([]byte, error) {
	if len(body) == 0 || body[0] < sealed || body[0] > sealedWithDictionary {
		return nil, fmt.Errorf("%w: a row of %s", ErrSealed, table)
	}
	small, err := k.aead.Open(nil, nil, body[1:], additionalData(body[0], table, at))
	if err != nil {
		return nil, fmt.Errorf("%w: a row of %s was changed, or is not where it was written", ErrSealed, table)
	}
	plain, err := k.compressor.decompress(body[0], small)
	if err != nil {
		return nil, fmt.Errorf("%w: a row of %s: %w", ErrSealed, table, err)
	}
	return plain, nil
}

// digest returns a digest that only the client's key can make. When the key is
// destroyed, the digest reveals nothing, even if there were only a few possible inputs.
func (k *clientKey) digest(purpose string, of []byte) []byte {
	h := hmac.New(sha256.New, k.mac)
	h.Write([]byte(purpose + "\x00"))
	h.Write(of)
	return h.Sum(nil)
}

// etag returns the value of the etag column for an etag. Callers see the etag itself, a
// digest of the content; the column, which is stored in clear, has a digest of it under
// the client's key. 8 bytes suffice: it detects changes and is no signature.
func (k *clientKey) etag(etag string) string {
	if etag == "" {
		return ""
	}
	return hex.EncodeToString(k.digest("etag", []byte(etag))[:8])
}

// sealedRow is a row of a sealed table together with its client's wrapped key, as a
// query with sealedColumns and ofClient returns it.
type sealedRow struct {
	Parent, ID string
	Body       []byte
	Version    string
	Wrapped    []byte
}

// sealedColumns is the column list for a sealedRow, from a table joined with ofClient.
const sealedColumns = "parent, id, body, version, wrapped"

// ofClient joins a table with the keys of clients. Records of erased clients have no
// key and are therefore not found. A further condition must say which column has the
// client's ID; without it the join pairs every row with every key of the chain.
const ofClient = " join client_keys using (chain)"

// open opens a record of a client. In a Write it also keeps the plain and the sealed
// bytes, from which the digests of causes are translated (see sealer).
func (s *Snapshot) open(table, client string, r sealedRow) ([]byte, error) {
	k, err := s.clientKey(wrappedKey{client, r.Version, r.Wrapped})
	if err != nil {
		return nil, err
	}
	at := key{chain: s.chain, parent: r.Parent, id: r.ID}
	plain, err := k.open(table, at, r.Body)
	if err == nil && s.keepOpened {
		s.opened = append(s.opened, openedRecord{table, at, plain, r.Body})
	}
	return plain, err
}

// openedRecord is one record as plain and as sealed bytes.
type openedRecord struct {
	table         string
	key           key
	plain, sealed []byte
}

// maxCachedKeys bounds the keys that a snapshot keeps while it goes through the records
// of all clients. Our own choice.
const maxCachedKeys = 1000

// clientKey opens a client's key, at most once per snapshot. If the client is on the
// list of erased clients, its key was put back by a restored backup or by hand; it is
// not used, and the answer is ErrNotFound as for a client who never existed.
func (s *Snapshot) clientKey(w wrappedKey) (*clientKey, error) {
	if s.db.erased.has(s.chain, w.Client) {
		s.foundErased = true
		return nil, errErased(w.Client)
	}
	if key, known := s.keys[w.Client]; known {
		return key, nil
	}
	key, err := s.db.unwrap(s.chain, w)
	if err != nil {
		return nil, err
	}
	// A Write needs all keys that it has used again for sealing, so only a read forgets them.
	if s.keys == nil || len(s.keys) == maxCachedKeys && !s.keepOpened {
		s.keys = map[string]*clientKey{}
	}
	s.keys[w.Client] = key
	return key, nil
}

// openRows opens and decodes rows of one client. With an empty client, each row belongs
// to the client that its parent column names. Records of erased clients are left out,
// because their existence must not show either.
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
