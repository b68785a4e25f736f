package setup

import (
	"fmt"
	"strings"

	"alkalog/server/authority"
	"alkalog/server/identity"
	"alkalog/server/keyfile"
	"alkalog/server/sequencer"
	"alkalog/storage/keyring"
)

// RotateServer gives the server a new certificate and key.
func (i Installation) RotateServer(hosts []string) error {
	pair, err := i.serverPair(hosts)
	if err != nil {
		return err
	}
	// A server that looks in between finds a key that does not belong to the
	// certificate, keeps what it has, and looks again.
	if err := keyfile.Replace(i.Path("server.key"), pair.Key); err != nil {
		return err
	}
	return keyfile.ReplaceTrusted(i.Path("server.crt"), pair.Cert)
}

// RotateLog puts a new key before those that the audit log is signed with.
func (i Installation) RotateLog() error {
	return i.prepend("log", logHead, sequencer.NewKey)
}

// RotateClients puts a new key before those that the keys of clients are wrapped
// with.
func (i Installation) RotateClients() error {
	return i.prepend("clients", clientsHead, keyring.NewKey)
}

// DropClients leaves only the newest key that the keys of clients are wrapped with.
// All of these must be wrapped with it: what is wrapped with the others can never be
// opened again.
func (i Installation) DropClients() error {
	lines, err := keyfile.Lines(i.Path("clients"))
	if err != nil || len(lines) == 1 {
		return err
	}
	if _, err := keyring.NewKey(lines); err != nil {
		return err // it is no such file
	}
	return keyfile.Replace(i.Path("clients"), []byte(clientsHead+lines[0]+"\n"))
}

// RotateTokens puts a new key before those that tokens are signed with. Tokens
// of the others are believed until those are dropped.
func (i Installation) RotateTokens() error {
	lines, err := keyfile.Lines(i.Path("tokens"))
	if err != nil {
		return err
	}
	key, err := identity.NewSigningKey()
	if err != nil {
		return err
	}
	line, err := key.Line()
	if err != nil {
		return err
	}
	return i.writeTokens(append([]string{line}, lines...))
}

// DropTokens leaves only the newest key that tokens are signed with: those that
// older keys have signed are no longer believed.
func (i Installation) DropTokens() error {
	lines, err := keyfile.Lines(i.Path("tokens"))
	if err != nil {
		return err
	}
	return i.writeTokens(lines[:min(1, len(lines))])
}

// DropLog leaves only the newest key that the audit log is signed with. The
// others come into a file beside it: where a log has no checkpoint of the newest
// key yet, nobody can go on with it but with them.
func (i Installation) DropLog() error {
	keys, err := sequencer.ReadKeys(i.Path("log")) // refuses what is no such file
	if err != nil || len(keys) == 1 {
		return err
	}
	before, err := keyfile.Lines(i.Path("log.dropped"))
	if err != nil && !keyfile.Missing(err) {
		return err
	}
	var dropped []string
	for _, k := range keys[1:] {
		dropped = append(dropped, k.Secret())
	}
	if err := keyfile.Replace(i.Path("log.dropped"), []byte(droppedHead+strings.Join(append(dropped, before...), "\n")+"\n")); err != nil {
		return err
	}
	return keyfile.Replace(i.Path("log"), []byte(logHead+keys[0].Secret()+"\n"))
}

// Sign makes a token with the newest key.
func (i Installation) Sign(g identity.Grant) (string, error) {
	keys, err := i.tokenKeys()
	if err != nil {
		return "", err
	}
	return keys[0].Sign(g)
}

// prepend puts a new key before the others of a file.
func (i Installation) prepend(file, head string, fresh func(beside []string) (string, error)) error {
	lines, err := keyfile.Lines(i.Path(file))
	if err != nil {
		return err
	}
	line, err := fresh(lines)
	if err != nil {
		return err
	}
	return keyfile.Replace(i.Path(file), []byte(head+strings.Join(append([]string{line}, lines...), "\n")+"\n"))
}

// writeTokens writes the keys that tokens are signed with. The public halves
// come first: no token is signed that a server does not know.
func (i Installation) writeTokens(lines []string) error {
	keys, err := parseTokens(lines)
	if err != nil {
		return fmt.Errorf("%s: %w", i.Path("tokens"), err)
	}
	set, err := identity.KeySet(keys...)
	if err != nil {
		return err
	}
	if err := keyfile.ReplaceTrusted(i.Path("tokens.jwks"), set); err != nil {
		return err
	}
	return keyfile.Replace(i.Path("tokens"), []byte(tokensHead+strings.Join(lines, "\n")+"\n"))
}

func (i Installation) tokenKeys() ([]identity.SigningKey, error) {
	lines, err := keyfile.Lines(i.Path("tokens"))
	if err != nil {
		return nil, err
	}
	return parseTokens(lines)
}

func parseTokens(lines []string) ([]identity.SigningKey, error) {
	keys := make([]identity.SigningKey, len(lines))
	var err error
	for n, line := range lines {
		if keys[n], err = identity.ParseSigningKey(line); err != nil {
			return nil, err
		}
	}
	if len(keys) == 0 {
		return nil, fmt.Errorf("there is no key that tokens can be signed with")
	}
	return keys, nil
}

// fingerprint is that of a pair's certificate.
func fingerprint(p authority.Pair) (string, error) {
	cert, err := p.Certificate()
	if err != nil {
		return "", err
	}
	return identity.Fingerprint(cert), nil
}
