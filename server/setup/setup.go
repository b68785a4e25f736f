// Package setup makes the keys and certificates that an installation needs, and
// makes them anew. It never overwrites a key: what is there stays, and a new key
// comes beside the one before it.
package setup

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"alkalog/server/authority"
	"alkalog/server/identity"
	"alkalog/server/keyfile"
	"alkalog/server/sequencer"
	"alkalog/storage/keyring"
)

// How long certificates are good; our own choices.
const (
	authorityYears = 10
	serverYears    = 1
)

// What stands at the head of the files.
const (
	logHead     = "# What the checkpoints of the audit log are signed with, newest first. Nobody else may have it.\n"
	droppedHead = "# What checkpoints of the audit log were signed with before. Delete it when the log has gone on without.\n"
	clientsHead = "# What the keys of clients are wrapped with, newest first. Nobody else may have it, and without it no client can be read.\n"
	tokensHead  = "# What tokens are signed with, newest first. Nobody else may have it.\n"
	revokedHead = "# What is no longer trusted, one a line: the SHA-256 of a certificate, jti:ID of a token, or a name.\n"
)

// Installation is a directory of keys and certificates:
//
//	authority.crt, .key   whoever vouches for the server, tills and services;
//	                      the key is needed only to issue certificates
//	server.crt, .key      the server's own
//	tokens, tokens.jwks   what people's tokens are signed with, and its public half
//	log                   what the audit log is signed with
//	clients               what the keys of clients are wrapped with
//	revoked               what is no longer trusted
//	issued/               certificates of tills and services, to be taken there
type Installation struct {
	Dir   string
	Clock func() time.Time
}

// Path is the path of one of the files.
func (i Installation) Path(name string) string { return filepath.Join(i.Dir, name) }

// Make makes what is missing, and returns which files those are. Hosts are the
// names and addresses that the server is called by.
func (i Installation) Make(hosts []string) ([]string, error) {
	var made []string
	for _, part := range []struct {
		files []string
		make  func() error
	}{
		{[]string{"authority.crt", "authority.key"}, i.makeAuthority},
		{[]string{"server.crt", "server.key"}, func() error { return i.makeServer(hosts) }},
		{[]string{"tokens", "tokens.jwks"}, i.makeTokens},
		{[]string{"log"}, i.makeLog},
		{[]string{"clients"}, i.makeClients},
		{[]string{"revoked"}, func() error { return keyfile.CreateTrusted(i.Path("revoked"), []byte(revokedHead)) }},
	} {
		there, err := i.there(part.files)
		if err == nil && !there {
			if err = part.make(); err == nil {
				made = append(made, part.files...)
			}
		}
		if err != nil {
			return made, err
		}
	}
	return made, nil
}

// there reports whether files that belong together are there. One without the
// other is an error: a person must say which of them counts.
func (i Installation) there(files []string) (bool, error) {
	var found, missing []string
	for _, name := range files {
		_, err := os.Lstat(i.Path(name))
		switch {
		case err == nil:
			found = append(found, i.Path(name))
		case errors.Is(err, os.ErrNotExist):
			missing = append(missing, i.Path(name))
		default:
			return false, err
		}
	}
	if len(found) > 0 && len(missing) > 0 {
		return false, fmt.Errorf("%s is there and %s is not: bring it back, or take the other away to make both anew", found[0], missing[0])
	}
	return len(found) > 0, nil
}

func (i Installation) makeAuthority() error {
	name := "alkalog installation of " + i.Clock().UTC().Format(time.DateOnly)
	a, err := authority.New(name, i.Clock().Add(-time.Minute), i.Clock().AddDate(authorityYears, 0, 0))
	if err != nil {
		return err
	}
	pair, err := a.PEM()
	if err != nil {
		return err
	}
	return create(i.Path("authority"), pair)
}

func (i Installation) makeServer(hosts []string) error {
	pair, err := i.serverPair(hosts)
	if err != nil {
		return err
	}
	return create(i.Path("server"), pair)
}

func (i Installation) serverPair(hosts []string) (authority.Pair, error) {
	a, err := i.authority()
	if err != nil {
		return authority.Pair{}, err
	}
	return a.Server(hosts, i.Clock().Add(-time.Minute), i.Clock().AddDate(serverYears, 0, 0))
}

// create writes a pair: the key first, so that there is no certificate without.
func create(path string, pair authority.Pair) error {
	if err := keyfile.Create(path+".key", pair.Key); err != nil {
		return err
	}
	return keyfile.CreateTrusted(path+".crt", pair.Cert)
}

// authority reads the authority.
func (i Installation) authority() (authority.Authority, error) {
	cert, err := keyfile.ReadTrusted(i.Path("authority.crt"))
	if err != nil {
		return authority.Authority{}, err
	}
	key, err := keyfile.Read(i.Path("authority.key"))
	if err != nil {
		return authority.Authority{}, err
	}
	return authority.Parse(authority.Pair{Cert: cert, Key: key})
}

func (i Installation) makeTokens() error {
	key, err := identity.NewSigningKey()
	if err != nil {
		return err
	}
	line, err := key.Line()
	if err != nil {
		return err
	}
	set, err := identity.KeySet(key)
	if err != nil {
		return err
	}
	if err := keyfile.Create(i.Path("tokens"), []byte(tokensHead+line+"\n")); err != nil {
		return err
	}
	return keyfile.CreateTrusted(i.Path("tokens.jwks"), set)
}

func (i Installation) makeLog() error {
	line, err := sequencer.NewKey(nil)
	if err != nil {
		return err
	}
	return keyfile.Create(i.Path("log"), []byte(logHead+line+"\n"))
}

func (i Installation) makeClients() error {
	line, err := keyring.NewKey(nil)
	if err != nil {
		return err
	}
	return keyfile.Create(i.Path("clients"), []byte(clientsHead+line+"\n"))
}

// Issued is a certificate that was made.
type Issued struct {
	CertFile, KeyFile string
	Fingerprint       string // as the list of what is revoked names it
	Until             time.Time
}

// Issue makes the certificate of a till or a service, in files that begin with
// path; empty: in issued, by the name.
func (i Installation) Issue(name, path string, good time.Duration) (Issued, error) {
	a, err := i.authority()
	if err != nil {
		return Issued{}, err
	}
	until := i.Clock().Add(good)
	if until.After(a.Certificate.NotAfter) {
		return Issued{}, fmt.Errorf("the authority itself is good only until %s", a.Certificate.NotAfter.UTC().Format(time.DateOnly))
	}
	pair, err := a.Bearer(name, i.Clock().Add(-time.Minute), until)
	if err != nil {
		return Issued{}, err
	}
	if path == "" {
		path = i.Path(filepath.Join("issued", strings.ReplaceAll(name, "/", ".")))
	}
	if err := create(path, pair); errors.Is(err, os.ErrExist) {
		return Issued{}, fmt.Errorf("%w; what is issued is never written over: move it away, or give --out", err)
	} else if err != nil {
		return Issued{}, err
	}
	print, err := fingerprint(pair)
	return Issued{path + ".crt", path + ".key", print, until}, err
}
