package keyring_test

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"alkalog/storage/keyring"
)

// line makes a key line beside others.
func line(t *testing.T, beside ...string) string {
	t.Helper()
	fresh, err := keyring.NewKey(beside)
	if err != nil {
		t.Fatal(err)
	}
	return fresh
}

// ring is a ring of fixed lines.
func ring(lines ...string) *keyring.Ring {
	return &keyring.Ring{Read: func() ([]string, error) { return lines, nil }}
}

func TestWrappedKeysOpenWithTheirKeyAndContextOnly(t *testing.T) {
	r := ring(line(t))
	secret := []byte("thirty-two bytes, or any number.")
	wrapped, version, err := r.Wrap(secret, []byte("ebb c1"))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := r.Unwrap(wrapped, version, []byte("ebb c1")); err != nil || !bytes.Equal(got, secret) {
		t.Errorf("got %q, %v", got, err)
	}
	if bytes.Contains(wrapped, secret[:8]) {
		t.Error("the secret can be read")
	}
	changed := slices.Clone(wrapped)
	changed[len(changed)-1] ^= 1
	for what, open := range map[string]func() ([]byte, error){
		"another context": func() ([]byte, error) { return r.Unwrap(wrapped, version, []byte("ebb c2")) },
		"one bit changed": func() ([]byte, error) { return r.Unwrap(changed, version, []byte("ebb c1")) },
		"cut short":       func() ([]byte, error) { return r.Unwrap(wrapped[:5], version, []byte("ebb c1")) },
		"another ring":    func() ([]byte, error) { return ring(line(t)).Unwrap(wrapped, version, []byte("ebb c1")) },
	} {
		if got, err := open(); err == nil {
			t.Errorf("%s: opened as %q", what, got)
		}
	}
}

// TestRotation prepends a key while the ring is in use: what was wrapped before
// still opens, what another ring has wrapped with the new key opens at once, and
// marks stay the same.
func TestRotation(t *testing.T) {
	old := line(t)
	lines := []string{old}
	r := &keyring.Ring{Read: func() ([]string, error) { return lines, nil }}
	before, first, err := r.Wrap([]byte("secret"), nil)
	if err != nil {
		t.Fatal(err)
	}
	mark, err := r.KeyedDigest("name", "nia")
	if err != nil {
		t.Fatal(err)
	}
	lines = []string{line(t, old), old}
	after, second, err := ring(lines...).Wrap([]byte("secret"), nil)
	if err != nil || first == second {
		t.Fatalf("wrapped with %s and %s, %v", first, second, err)
	}
	for version, wrapped := range map[string][]byte{first: before, second: after} {
		if got, err := r.Unwrap(wrapped, version, nil); err != nil || string(got) != "secret" {
			t.Errorf("%s: %q, %v", version, got, err)
		}
	}
	if again, err := r.KeyedDigest("name", "nia"); err != nil || !bytes.Equal(again, mark) {
		t.Errorf("the mark is another after the rotation, %v", err)
	}
	lines = lines[:1] // the old key is withdrawn
	if _, err := r.Unwrap(before, first, nil); err != nil {
		t.Errorf("a ring that has not read the file again has lost a key: %v", err)
	}
	if err := r.Reload(); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Unwrap(before, first, nil); !errors.Is(err, keyring.ErrUnknown) {
		t.Errorf("after the key was withdrawn: got %v", err)
	}
}

func TestMarksDifferByPurposeValueAndInstallation(t *testing.T) {
	one, other := ring(line(t)), ring(line(t))
	seen := map[string]string{}
	for _, c := range []struct {
		ring           *keyring.Ring
		purpose, value string
	}{{one, "ebb name", "nia"}, {one, "ebb name", "nia "}, {one, "flow name", "nia"}, {one, "ebb email", "nia"}, {other, "ebb name", "nia"}} {
		mark, err := c.ring.KeyedDigest(c.purpose, c.value)
		if err != nil {
			t.Fatal(err)
		}
		what := fmt.Sprintf("%q %q", c.purpose, c.value)
		if twin, taken := seen[string(mark)]; taken {
			t.Errorf("%s has the mark of %s", what, twin)
		}
		seen[string(mark)] = what
	}
}

func TestDamagedFilesAreRefusedWithoutQuotingThem(t *testing.T) {
	good := line(t)
	parts := strings.Fields(good)
	for what, lines := range map[string][]string{
		"no line":              {},
		"another kind of file": {"log " + strings.Join(parts[1:], " ")},
		"a part missing":       {strings.Join(parts[:3], " ")},
		"cut short":            {good[:len(good)-4]},
		"not base64":           {strings.Replace(good, parts[2], "?"+parts[2][1:], 1)},
		"of two installations": {good, line(t)},
	} {
		_, err := ring(lines...).Version()
		if err == nil || strings.Contains(err.Error(), parts[2][1:20]) || strings.Contains(err.Error(), parts[3][:20]) {
			t.Errorf("%s: got %v", what, err)
		}
	}
	if _, err := keyring.NewKey([]string{"nonsense"}); err == nil {
		t.Error("a key was made beside nonsense")
	}
}
