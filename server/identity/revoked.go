package identity

import (
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"alkalog/server/keys"
)

// Revoked is the revocation list: certificates, token IDs and names. It is a
// file with one item per line that is reloaded when it changes; blank lines and
// lines that begin with # are ignored:
//
//	d1:0a:...:7f                            certificate, by its SHA-256 fingerprint, colons optional
//	jti:0b6e1c1e                            token, by its ID
//	chains/ebb/salons/north/tills/front-1   every certificate and token with that name
//
// If a line cannot be parsed while the server runs, it is reported and all
// other lines apply.
type Revoked struct {
	list *keys.Watch[map[string]bool]
}

// OpenRevoked reads the list for the first time. The file must exist and every
// line must be valid.
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

// contains reports whether one of the items is revoked. A missing list revokes
// nothing.
func (r *Revoked) contains(what ...string) bool {
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

// readRevoked reads a list. It returns nil if the file cannot be read, and the
// valid lines with an error if a line is invalid.
func readRevoked(path string) (map[string]bool, error) {
	lines, err := keys.TrustedLines(path)
	if err != nil {
		return nil, err
	}
	known := map[string]bool{}
	for _, line := range lines {
		if entry := normalizeRevoked(line.Text); entry != "" {
			known[entry] = true
		} else {
			err = fmt.Errorf("%s, line %d: want a SHA-256 fingerprint, jti:ID or resource name", path, line.Number)
		}
	}
	return known, err
}

// normalizeRevoked returns a line in the form in which it is looked up; empty
// if it is invalid.
func normalizeRevoked(line string) string {
	if token, found := strings.CutPrefix(line, "jti:"); found {
		if token = strings.TrimSpace(token); token == "" {
			return ""
		}
		return "jti:" + token
	}
	if anyName.pattern.MatchString(line) || operatorName.pattern.MatchString(line) {
		return line
	}
	digits := strings.ToLower(strings.ReplaceAll(line, ":", ""))
	if sum, err := hex.DecodeString(digits); err != nil || len(sum) != 32 {
		return ""
	}
	return digits
}
