package identity

import (
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"alkalog/server/keys"
)

// Revoked is whom this installation no longer trusts, whatever they bring. The
// list is a file with one thing a line, which is looked at again while the
// server runs; blank lines and lines that begin with # say nothing:
//
//	d1:0a:...:7f                            a certificate, by its SHA-256, with or without colons
//	jti:0b6e1c1e                            a token, by its id
//	chains/ebb/salons/north/tills/front-1   whoever has that name
//
// A line that cannot be understood is told of, and the others are in force all
// the same.
type Revoked struct {
	list *keys.Watch[map[string]bool]
}

// OpenRevoked reads the list for the first time: it must be there, and every
// line must be understood.
func OpenRevoked(path string, clock func() time.Time, problem func(error)) (*Revoked, error) {
	if _, err := readRevoked(path); err != nil {
		return nil, err
	}
	list := &keys.Watch[map[string]bool]{Files: []string{path}, Clock: clock, Problem: problem}
	list.Load = func() (map[string]bool, error) {
		known, err := readRevoked(path)
		if known != nil && err != nil && problem != nil {
			problem(err)
			err = nil
		}
		return known, err
	}
	return &Revoked{list}, list.Open()
}

// has reports whether one of these is on the list.
func (r *Revoked) has(what ...string) bool {
	if r == nil {
		return false
	}
	list := r.list.Get()
	for _, w := range what {
		if w != "" && list[w] {
			return true
		}
	}
	return false
}

// readRevoked reads a list: nil when it cannot be read, and an error beside it
// for lines that cannot be understood.
func readRevoked(path string) (map[string]bool, error) {
	lines, err := keys.TrustedLines(path)
	if err != nil {
		return nil, err
	}
	known := map[string]bool{}
	for _, line := range lines {
		if entry := revokedLine(line); entry != "" {
			known[entry] = true
		} else {
			err = fmt.Errorf("%s: a line is no SHA-256 of a certificate, no jti:ID and no name", path)
		}
	}
	return known, err
}

// revokedLine is a line in the form in which it is looked for; empty when it
// cannot be understood.
func revokedLine(line string) string {
	if token, found := strings.CutPrefix(line, "jti:"); found {
		if token = strings.TrimSpace(token); token == "" {
			return ""
		}
		return "jti:" + token
	}
	if other.pattern.MatchString(line) || operator.pattern.MatchString(line) {
		return line
	}
	digits := strings.ToLower(strings.ReplaceAll(line, ":", ""))
	if sum, err := hex.DecodeString(digits); err != nil || len(sum) != 32 {
		return ""
	}
	return digits
}
