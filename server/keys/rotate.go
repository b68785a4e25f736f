package keys

import (
	"crypto/x509"
	"fmt"
	"slices"
	"strings"

	"alkalog/storage/keyring"
)

// RotateServer gives the server a new certificate and key. Connections that are open
// keep the old one; clients trust both, because the authority is the same.
//
// The new certificate has every name of the old one and those in hosts, without those in
// dropped: a till that connects by a name that is lost would be cut off at once. A name
// in dropped that the old certificate does not have is an error.
func (i Installation) RotateServer(hosts, dropped []string) error {
	cert, err := ReadTrusted(i.Path("server.crt"))
	if err != nil {
		return err
	}
	old, err := Pair{Cert: cert}.Certificate()
	if err != nil {
		return err
	}
	names := hostsOf(old)
	for _, name := range hosts {
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	for _, name := range dropped {
		at := slices.Index(names, name)
		if at < 0 {
			return fmt.Errorf("the server's certificate does not have the name %q; it has %s", name, strings.Join(hostsOf(old), ", "))
		}
		names = slices.Delete(names, at, at+1)
	}
	pair, err := i.issueServer(names)
	if err != nil {
		return err
	}
	// A server that reloads between the two writes finds a key that does not
	// match the certificate, keeps what it has, and reloads again.
	if err := Replace(i.Path("server.key"), pair.Key); err != nil {
		return err
	}
	return ReplaceTrusted(i.Path("server.crt"), pair.Cert)
}

// hostsOf returns the host names and IP addresses of a server's certificate.
func hostsOf(cert *x509.Certificate) []string {
	names := slices.Clone(cert.DNSNames)
	for _, ip := range cert.IPAddresses {
		names = append(names, ip.String())
	}
	return names
}

// RotateLog adds a new audit log key in front of the existing ones.
//
// Servers notice the change by themselves and sign with both keys. After every log has
// a checkpoint by both, DropLog removes the old one.
func (i Installation) RotateLog() error {
	return i.prepend("log", logHeader, NewLogKey)
}

// RotateClients adds a new wrapping key for the keys of clients in front of the
// existing ones.
//
// Nothing that is stored changes. New keys of clients are wrapped with the new key at
// once, and the others by storage.Rewrap.
func (i Installation) RotateClients() error {
	return i.prepend("clients", clientsHeader, keyring.NewKey)
}

// prepend adds a new key to a file as its first line.
//
// All existing lines are kept in their order. header replaces comments that the file
// had.
func (i Installation) prepend(file, header string, newKey func(existing []string) (string, error)) error {
	lines, err := Lines(i.Path(file))
	if err != nil {
		return err
	}
	line, err := newKey(lines)
	if err != nil {
		return err
	}
	return Replace(i.Path(file), keyFile(header, append([]string{line}, lines...)...))
}

// DropClients removes all wrapping keys for the keys of clients but the newest.
// All keys of clients must be wrapped with the newest before: those wrapped with
// another can never be opened again.
func (i Installation) DropClients() error {
	lines, err := Lines(i.Path("clients"))
	if err != nil || len(lines) == 1 {
		return err
	}
	if _, err := keyring.NewKey(lines); err != nil { // checks that it is a file of wrapping keys
		return err
	}
	return Replace(i.Path("clients"), keyFile(clientsHeader, lines[0]))
}

// DropLog removes all audit log keys but the newest. It moves the others to the
// file log.dropped: a log without a checkpoint by the newest key can only be
// continued with them.
//
// log.dropped is written first, so that a crash in between loses no key.
func (i Installation) DropLog() error {
	private, err := ReadLogKeys(i.Path("log"))
	if err != nil || len(private) == 1 {
		return err
	}
	earlier, err := Lines(i.Path("log.dropped"))
	if err != nil && !Missing(err) {
		return err
	}
	var dropped []string
	for _, k := range private[1:] {
		dropped = append(dropped, k.Secret())
	}
	if err := Replace(i.Path("log.dropped"), keyFile(droppedHeader, append(dropped, earlier...)...)); err != nil {
		return err
	}
	return Replace(i.Path("log"), keyFile(logHeader, private[0].Secret()))
}

// RotateTokens adds a new token signing key in front of the existing ones.
// Tokens signed with the others remain valid until DropTokens.
//
// The order of the two files matters; see writeTokens.
func (i Installation) RotateTokens() error {
	lines, err := Lines(i.Path("tokens"))
	if err != nil {
		return err
	}
	key, err := NewSigningKey()
	if err != nil {
		return err
	}
	line, err := key.Line()
	if err != nil {
		return err
	}
	return i.writeTokens(append([]string{line}, lines...))
}

// DropTokens removes all token signing keys but the newest. Tokens signed with
// the others become invalid.
//
// Their holders need new tokens.
func (i Installation) DropTokens() error {
	lines, err := Lines(i.Path("tokens"))
	if err != nil {
		return err
	}
	return i.writeTokens(lines[:min(1, len(lines))])
}

// writeTokens writes the token signing keys. It writes the public halves first,
// so that no token is signed with a key that servers do not know.
func (i Installation) writeTokens(lines []string) error {
	signing, err := parseSigningKeys(lines)
	if err != nil {
		return fmt.Errorf("%s: %w", i.Path("tokens"), err)
	}
	set, err := PublicKeySet(signing...)
	if err != nil {
		return err
	}
	if err := ReplaceTrusted(i.Path("tokens.jwks"), set); err != nil {
		return err
	}
	return Replace(i.Path("tokens"), keyFile(tokensHeader, lines...))
}

// TokenKey returns the newest token signing key.
func (i Installation) TokenKey() (SigningKey, error) {
	lines, err := Lines(i.Path("tokens"))
	if err != nil {
		return SigningKey{}, err
	}
	signing, err := parseSigningKeys(lines)
	if err != nil {
		return SigningKey{}, fmt.Errorf("%s: %w", i.Path("tokens"), err)
	}
	return signing[0], nil
}

// parseSigningKeys parses the lines of the file of token signing keys; there
// must be at least one.
func parseSigningKeys(lines []string) ([]SigningKey, error) {
	signing := make([]SigningKey, len(lines))
	for n, line := range lines {
		var err error
		if signing[n], err = ParseSigningKey(line); err != nil {
			return nil, err
		}
	}
	if len(signing) == 0 {
		return nil, fmt.Errorf("no token signing key; run `alkalog keys rotate tokens`")
	}
	return signing, nil
}

// keyFile is the content of a key file: a comment and a key per line.
func keyFile(header string, lines ...string) []byte {
	return []byte(header + strings.Join(lines, "\n") + "\n")
}
