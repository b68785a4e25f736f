package keys

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"alkalog/storage/keyring"
)

// How long certificates are valid, in years, and how far their validity is backdated
// for machines whose clock is slow; our own choices. The certificates of tills are
// valid for as long as the operator says.
const (
	authorityYears = 10
	serverYears    = 1
	backdated      = time.Minute
)

// The comment at the top of each key file, for an administrator who opens it.
const (
	logHeader     = "# Private keys that sign the audit log, newest first. Keep them secret.\n"
	droppedHeader = "# Former private keys of the audit log. Delete this file once the log has continued without them.\n"
	clientsHeader = "# Keys that wrap the keys of clients, newest first. Keep them secret; without them no client can be read.\n"
	tokensHeader  = "# Private keys that sign tokens, newest first. Keep them secret.\n"
	revokedHeader = "# Revocation list, one item per line: SHA-256 fingerprint of a certificate, jti:ID of a token, or resource name.\n"
)

// Installation is a directory of keys and certificates:
//
//	authority.crt, .key   certificate authority of the server and its clients;
//	                      the key is needed only to issue certificates
//	server.crt, .key      certificate of the server
//	tokens, tokens.jwks   keys that sign the tokens of people, and their public halves
//	log                   keys that sign the audit log
//	clients               keys that wrap the keys of clients
//	revoked               revocation list
//	issued/               certificates of tills and services, to be moved there
//
// The two secrets that no server needs, authority.key and tokens, can be kept in a
// directory of their own, on a machine or a medium of their own.
//
// All methods may be called while servers are running: they only create files or
// replace them atomically. Two of them at the same time can lose a new key, so one
// administrator should work at a time.
type Installation struct {
	// Dir is the directory, and Clock the clock for validity periods.
	Dir   string
	Clock func() time.Time
	// IssuingDir is the directory of authority.key and tokens. Empty: Dir.
	IssuingDir string
}

// Path returns the path of a file of the installation.
func (i Installation) Path(name string) string {
	if i.IssuingDir != "" && (name == "authority.key" || name == "tokens") {
		return filepath.Join(i.IssuingDir, name)
	}
	return filepath.Join(i.Dir, name)
}

// Make creates the missing files and returns their names. The server's
// certificate is issued for hosts: names and IP addresses.
//
// It can be repeated: what exists stays as it is. After an error, the names of the
// files that were already created are returned too.
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
		{[]string{"revoked"}, func() error { return CreateTrusted(i.Path("revoked"), []byte(revokedHeader)) }},
	} {
		exist, err := i.exist(part.files)
		if err == nil && !exist {
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

// exist reports whether files that belong together exist. If only one of them
// does, the administrator must decide: guessing could destroy a key.
func (i Installation) exist(files []string) (bool, error) {
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
		return false, fmt.Errorf("%s exists but %s does not: restore the missing file, or move the other one away to make both anew", found[0], missing[0])
	}
	return len(found) > 0, nil
}

// makeAuthority creates the certificate authority. Its name has the date.
func (i Installation) makeAuthority() error {
	name := "alkalog installation of " + i.Clock().UTC().Format(time.DateOnly)
	a, err := NewAuthority(name, i.Clock().Add(-backdated), i.Clock().AddDate(authorityYears, 0, 0))
	if err != nil {
		return err
	}
	pair, err := a.PEM()
	if err != nil {
		return err
	}
	if err := Create(i.Path("authority.key"), pair.Key); err != nil {
		return err
	}
	return CreateTrusted(i.Path("authority.crt"), pair.Cert)
}

// authority reads the certificate authority with its private key.
func (i Installation) authority() (Authority, error) {
	cert, err := ReadTrusted(i.Path("authority.crt"))
	if err != nil {
		return Authority{}, err
	}
	key, err := Read(i.Path("authority.key"))
	if err != nil {
		return Authority{}, err
	}
	return ParseAuthority(Pair{Cert: cert, Key: key})
}

// makeServer creates the server's certificate and key.
func (i Installation) makeServer(hosts []string) error {
	pair, err := i.issueServer(hosts)
	if err != nil {
		return err
	}
	return createPair(i.Path("server"), pair)
}

// issueServer issues a server certificate for hosts, valid for serverYears.
func (i Installation) issueServer(hosts []string) (Pair, error) {
	a, err := i.authority()
	if err != nil {
		return Pair{}, err
	}
	return a.Server(hosts, i.Clock().Add(-backdated), i.Clock().AddDate(serverYears, 0, 0))
}

// createPair writes path.key and path.crt. The key comes first, so that no
// certificate exists without its key.
func createPair(path string, pair Pair) error {
	if err := Create(path+".key", pair.Key); err != nil {
		return err
	}
	return CreateTrusted(path+".crt", pair.Cert)
}

// makeTokens creates a token signing key and the file of its public half.
func (i Installation) makeTokens() error {
	key, err := NewSigningKey()
	if err != nil {
		return err
	}
	line, err := key.Line()
	if err != nil {
		return err
	}
	set, err := PublicKeySet(key)
	if err != nil {
		return err
	}
	if err := Create(i.Path("tokens"), keyFile(tokensHeader, line)); err != nil {
		return err
	}
	return CreateTrusted(i.Path("tokens.jwks"), set)
}

// makeLog creates the first audit log key, and with it the name of the
// installation's logs.
func (i Installation) makeLog() error {
	line, err := NewLogKey(nil)
	if err != nil {
		return err
	}
	return Create(i.Path("log"), keyFile(logHeader, line))
}

// makeClients creates the first key that wraps the keys of clients.
func (i Installation) makeClients() error {
	line, err := keyring.NewKey(nil)
	if err != nil {
		return err
	}
	return Create(i.Path("clients"), keyFile(clientsHeader, line))
}
