// Package keyring wraps the keys of clients with the key-encryption keys of a key file,
// and makes the digests by which a client is found without its name being stored.
//
// The file has a key-encryption key a line, newest first: its version, the key, and the
// secret of the digests, which all lines share. New keys are wrapped with the first;
// the others open what has not been wrapped again yet. AES-256 in Galois/Counter Mode
// (NIST SP 800-38D, 2007), digests by HMAC-SHA-256 (RFC 2104, 1997) with a key by HKDF
// (RFC 5869, 2010), all from the standard library.
//
// Rotation adds a line in front, wraps all keys of clients again (storage.Rewrap), and
// removes the old lines when none is needed. The digests do not change, because the
// secret of the digests is copied. If the file is lost, no record of any client can be
// read any more.
//
// No error and no log line contains a secret.
package keyring

import (
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"sync"
)

// size is the length of every secret, in bytes.
const size = 32

// mark begins every line, so that another kind of key file is not taken for one.
const mark = "clients"

var (
	// ErrUnknown means that there is no key of a version in the file.
	ErrUnknown = errors.New("keyring: no key of that version")
	// ErrDamaged means that there is a key of that version and the wrapped bytes do not open
	// with it: they were changed, or wrapped for another context.
	ErrDamaged = errors.New("keyring: does not open")
)

// key is one line of the file.
type key struct {
	// version is 16 random hexadecimal digits; it is stored beside everything that the key has
	// wrapped.
	version string
	// secret is the key-encryption key.
	secret []byte
	// index is the secret of the digests, the same in all lines.
	index []byte
}

// NewKey makes the line of a new key-encryption key, without a newline. existing lines
// of the file give the secret of the digests; without any, a new installation begins.
func NewKey(existing []string) (string, error) {
	fresh := key{version: hex.EncodeToString(random(8)), secret: random(size), index: random(size)}
	if len(existing) > 0 {
		keys, err := parse(existing)
		if err != nil {
			return "", err
		}
		fresh.index = keys[0].index
	}
	encode := base64.RawStdEncoding.EncodeToString
	return strings.Join([]string{mark, fresh.version, encode(fresh.secret), encode(fresh.index)}, " "), nil
}

// random returns n random bytes.
func random(n int) []byte {
	b := make([]byte, n)
	rand.Read(b) // never fails
	return b
}

// parse parses the lines of a key file. All lines must have the same secret of the
// digests; a line of another installation would otherwise make clients impossible to
// find. Errors name the line and never its content.
func parse(lines []string) ([]key, error) {
	var keys []key
	for i, line := range lines {
		parts := strings.Fields(line)
		if len(parts) != 4 || parts[0] != mark {
			return nil, fmt.Errorf("keyring: line %d is not a key for clients", i+1)
		}
		secret, err1 := base64.RawStdEncoding.Strict().DecodeString(parts[2])
		index, err2 := base64.RawStdEncoding.Strict().DecodeString(parts[3])
		if err1 != nil || err2 != nil || len(secret) != size || len(index) != size {
			return nil, fmt.Errorf("keyring: line %d is damaged", i+1)
		}
		if i > 0 && !bytes.Equal(index, keys[0].index) {
			return nil, fmt.Errorf("keyring: line %d is of another installation", i+1)
		}
		keys = append(keys, key{version: parts[1], secret: secret, index: index})
	}
	if len(keys) == 0 {
		return nil, errors.New("keyring: there is no key")
	}
	return keys, nil
}

// Ring is the keys of a file. It is safe for concurrent use. The file is read when a
// key is first needed, and again when Reload is called or an unknown version is asked
// for: another server may have wrapped with a newer key already.
type Ring struct {
	// Read returns the lines of the file, without blank lines and comments.
	Read func() ([]string, error)

	mu   sync.Mutex
	keys []key
}

// Reload reads the file again. If that fails, the current keys stay in use.
func (r *Ring) Reload() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.reload()
}

// reload is Reload without the lock. The caller holds r.mu.
func (r *Ring) reload() error {
	lines, err := r.Read()
	if err != nil {
		return err
	}
	keys, err := parse(lines)
	if err == nil {
		r.keys = keys
	}
	return err
}

// find returns the key of a version; the newest one for an empty version.
func (r *Ring) find(version string) (key, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, again := range []bool{false, true} {
		if again || r.keys == nil {
			if err := r.reload(); err != nil {
				return key{}, err
			}
		}
		for _, k := range r.keys {
			if version == "" || k.version == version {
				return k, nil
			}
		}
	}
	return key{}, fmt.Errorf("%w: %s", ErrUnknown, version)
}

// Version returns the version that Wrap uses.
func (r *Ring) Version() (string, error) {
	k, err := r.find("")
	return k.version, err
}

// Wrap encrypts a secret with the newest key and binds it to a context.
func (r *Ring) Wrap(secret, context []byte) (wrapped []byte, version string, err error) {
	k, err := r.find("")
	if err != nil {
		return nil, "", err
	}
	box, err := Box(k.secret)
	if err != nil {
		return nil, "", err
	}
	return box.Seal(nil, nil, secret, bound(k.version, context)), k.version, nil
}

// Unwrap decrypts what Wrap has returned, if it is unchanged and of that context. The
// error wraps ErrUnknown or ErrDamaged.
func (r *Ring) Unwrap(wrapped []byte, version string, context []byte) ([]byte, error) {
	k, err := r.find(version)
	if err != nil {
		return nil, err
	}
	box, err := Box(k.secret)
	if err != nil {
		return nil, err
	}
	secret, err := box.Open(nil, nil, wrapped, bound(version, context))
	if err != nil {
		return nil, fmt.Errorf("%w: what was wrapped with key %s", ErrDamaged, version)
	}
	return secret, nil
}

// bound is the additional authenticated data: the context together with the version.
func bound(version string, context []byte) []byte {
	return append([]byte("alkalog wrapped key\x00"+version+"\x00"), context...)
}

// KeyedDigest returns a digest of a value: the same for the same value and purpose,
// impossible to make without the secret, and not comparable with that of another
// purpose.
func (r *Ring) KeyedDigest(purpose, value string) ([]byte, error) {
	k, err := r.find("")
	if err != nil {
		return nil, err
	}
	own, err := hkdf.Key(sha256.New, k.index, nil, "alkalog mark\x00"+purpose, size)
	if err != nil {
		return nil, err
	}
	h := hmac.New(sha256.New, own)
	h.Write([]byte(value))
	return h.Sum(nil), nil
}

// Box returns AES-256-GCM under a key of 32 bytes. It puts a random nonce before what
// it seals; one key may seal up to 2^32 messages (NIST SP 800-38D, section 8.3, from
// memory).
func Box(secret []byte) (cipher.AEAD, error) {
	if len(secret) != size {
		return nil, fmt.Errorf("keyring: a key has %d bytes, not %d", len(secret), size)
	}
	block, err := aes.NewCipher(secret)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCMWithRandomNonce(block)
}
