package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"alkalog/server/identity"
	"alkalog/server/keys"
	"alkalog/server/serve"
)

// keysCommands groups the commands for the keys and certificates of an
// installation. Nothing here needs a running server: servers reload the files.
// Keys are made and replaced in small steps that can be repeated, because half of
// a rotation must leave an installation that works.
type keysCommands struct {
	Make   makeKeysCommand `cmd:"" default:"withargs" help:"Create the keys and certificates that a new installation needs. Existing files are kept."`
	Till   tillCommand     `cmd:"" help:"Issue client certificates for tills or services: chains/CHAIN/salons/SALON/tills/ID, chains/CHAIN/managers/ID, chains/CHAIN/auditors/ID or operators/ID."`
	Sign   signCommand     `cmd:"" help:"Issue a client certificate for a signing request, so that the private key never leaves the till."`
	List   listCommand     `cmd:"" help:"List the certificates of the installation, those that expire first at the top."`
	Rotate rotateCommand   `cmd:"" help:"Create a new key beside the previous one, or drop the previous ones."`
}

// keysDir selects the directory of the keys. The directory holds secrets, so its
// files are readable by the server's user alone.
type keysDir struct {
	Dir string `required:"" env:"ALKALOG_KEYS_DIR" type:"path" placeholder:"DIR" help:"Directory of the keys. It must not be inside the data directory of a private PostgreSQL that does not exist yet, because that directory must be empty."`
	// IssuingDir keeps the secrets that issue certificates and tokens off the server.
	IssuingDir string `env:"ALKALOG_ISSUING_DIR" type:"path" placeholder:"DIR" help:"Directory of authority.key and tokens, the secrets that issue certificates and tokens. No server needs them, so they can be kept on another machine. Default: the directory of the keys."`
}

// installation returns the directory as an installation. It uses the machine's
// clock, by which certificates become valid.
func (d keysDir) installation() keys.Installation {
	return keys.Installation{Dir: d.Dir, IssuingDir: d.IssuingDir, Clock: time.Now}
}

// hostFlags list the host names of the server. A client refuses a certificate
// that does not have the name it connects to.
type hostFlags struct {
	Host []string `placeholder:"NAME" help:"Host name or IP address of the server, in addition to localhost and the name of this machine. Can be repeated."`
}

// names returns all host names. Loopback names are always in it, so a command on
// the same machine can connect.
func (f hostFlags) names() []string {
	names := append([]string{"localhost", "127.0.0.1", "::1"}, f.Host...)
	if own, err := os.Hostname(); err == nil && !slices.Contains(names, own) {
		names = append(names, own)
	}
	return names
}

// makeKeysCommand creates the missing keys and certificates. It can be run again
// after an upgrade that needs a further key.
//
// It makes the authority with its key, the server's certificate, the signing keys
// of tokens and of the audit log, the keys that wrap client keys, and an empty
// revocation list. A file that exists is never replaced: most of them cannot be
// made again.
type makeKeysCommand struct {
	keysDir
	hostFlags
}

// Run creates them, lists them and prints how to serve with them. Paths of new
// files go to standard output, one a line; the explanation does not. A failure
// leaves the files that were made, and the next run continues.
func (c makeKeysCommand) Run(std streams) error {
	in := c.installation()
	made, err := in.Make(c.names())
	for _, name := range made {
		fmt.Fprintln(std.out, in.Path(name))
	}
	if err != nil {
		return err
	}
	if len(made) == 0 {
		fmt.Fprintln(std.err, "all keys and certificates exist already; nothing was changed")
	}
	fmt.Fprint(std.err, strings.ReplaceAll(keysText, "DIR", in.Dir))
	return nil
}

// keysText is printed after the keys were made. It names the files whose loss
// cannot be repaired.
const keysText = `
Keep copies of these files, away from the database: without "clients" no client
can be read, and "authority.key" is needed only to issue certificates.

Serve with them:
  alkalog serve --address 0.0.0.0:7420 --keys-dir DIR \
    --tls-cert DIR/server.crt --tls-key DIR/server.key \
    --client-ca DIR/authority.crt --jwks DIR/tokens.jwks --revoked DIR/revoked
The first token, for the operator who creates chains:
  alkalog token --dir DIR --role operator --name operators/me
`

// rotateCommand replaces keys. A key is replaced in two steps. First a new one is
// added, and both are valid; then, when everybody uses the new one, the old one
// is dropped. Between the steps nothing fails, however long that takes.
//
// The certificate of the server is simply replaced, because clients trust its
// authority and not the certificate. It keeps its host names. Keys of tokens can be dropped when the
// longest token has expired; the key of the log when the server has signed with
// the new one; keys of clients when no backup from before is needed any more.
type rotateCommand struct {
	keysDir
	hostFlags
	DropHost    []string `placeholder:"NAME" help:"For server: host name or IP address that the new certificate does not have any more. All other names are kept. Can be repeated."`
	What        string   `arg:"" enum:"server,tokens,log,clients" help:"What to rotate: server (its certificate), tokens, log or clients."`
	Drop        bool     `help:"Drop all keys of tokens, log or clients except the newest, and create none. For clients, give --database or --data-dir and stop every server first: all client keys are wrapped with the newest key before the others are destroyed."`
	Database    string   `env:"ALKALOG_DATABASE" placeholder:"DSN" help:"With --drop and clients: connection string of the PostgreSQL server."`
	DataDir     string   `env:"ALKALOG_DATA_DIR" type:"path" placeholder:"DIR" help:"With --drop and clients: directory of the private PostgreSQL."`
	ErasureFile string   `env:"ALKALOG_ERASURE_FILE" type:"path" placeholder:"FILE" help:"With --drop and clients: the file that records which clients were erased."`
	PGBin       string   `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"Directory of the programs of the private PostgreSQL. Default: the usual locations are searched."`
}

// Run creates a key or drops the old ones, and prints the next step. What each
// step leaves to do is printed on standard error.
func (c rotateCommand) Run(ctx context.Context, std streams) error {
	in := c.installation()
	// The two maps have the same keys: what to do, and what to print after it.
	do := map[string]func() error{
		"server": func() error { return in.RotateServer(c.Host, c.DropHost) },
		"tokens": in.RotateTokens, "log": in.RotateLog, "clients": in.RotateClients,
	}[c.What]
	said := map[string]string{
		"server":  "new server certificate created; a running server loads it within a second",
		"tokens":  "tokens are signed with a new key; tokens signed with the old keys stay valid until: alkalog keys rotate tokens --drop",
		"log":     "the audit log is signed with the old and the new key; when the server has logged \"signing the audit logs\" with \"keys\":2, run: alkalog keys rotate log --drop",
		"clients": "client keys are wrapped with a new key; older backups still need the old one; to destroy it, stop every server and run: alkalog keys rotate clients --drop",
	}[c.What]
	if c.Drop {
		do = map[string]func() error{"tokens": in.DropTokens, "log": in.DropLog, "clients": func() error { return c.dropClients(ctx) }}[c.What]
		said = map[string]string{"tokens": "only the newest key is left", "log": "only the newest key is left; the older ones are in " + in.Path("log.dropped") +
			": delete it when the server has logged \"keys\":1",
			"clients": "all client keys are wrapped with the newest key, and the older keys are deleted; destroy every other copy of the old key file too: anyone who has one can still open an older backup"}[c.What]
	}
	// The server's certificate has no old key that could be dropped.
	if do == nil {
		return usage{fmt.Errorf("no command drops the keys of %s", c.What)}
	}
	if err := do(); err != nil {
		return err
	}
	fmt.Fprintln(std.err, said)
	return nil
}

// dropClients wraps all client keys with the newest key and then deletes the
// other keys. The order makes it safe to interrupt: an old key is deleted only
// when nothing is wrapped with it. RewrapClients refuses while a server is
// connected.
func (c rotateCommand) dropClients(ctx context.Context) error {
	if c.Database == "" && c.DataDir == "" {
		return usage{errors.New("give --database or --data-dir: its client keys are wrapped with the newest key before the old keys are destroyed")}
	}
	cfg, err := databaseFlags{Database: c.Database, DataDir: c.DataDir, KeysDir: c.Dir, PGBin: c.PGBin}.reading()
	if err != nil {
		return err
	}
	cfg.ErasureFile = c.ErasureFile
	if _, err := serve.RewrapClients(ctx, cfg); err != nil {
		return err
	}
	return c.installation().DropClients()
}

// tokenCommand signs a token with the installation's own key. It is for
// installations without an identity provider, and for the first operator. A token
// is a bearer secret; it ends by itself and can be revoked by its ID. Its
// signature is checked with tokens.jwks, which the running server reloads.
type tokenCommand struct {
	keysDir
	Role     string        `required:"" help:"Role: till, student, practitioner, supervisor, manager, auditor or operator."`
	Name     string        `required:"" help:"Resource name of the bearer, such as chains/CHAIN/practitioners/ID, chains/CHAIN/auditors/ID or operators/ID."`
	Salon    []string      `placeholder:"NAME" help:"Salon that the bearer is limited to, chains/CHAIN/salons/SALON. Can be repeated. Default: no limit."`
	For      time.Duration `default:"12h" help:"Validity, such as 12h."`
	Issuer   string        `help:"Issuer of the token. Default: alkalog."`
	Audience string        `help:"Audience of the token. Default: alkalog."`
}

// Run prints the signed token, and nothing else, on standard output. So it can be
// piped into a file that only its owner can read. A role and a name that do not
// fit are an error here and not at the first call. The token is not stored; to
// revoke it, its ID is in the token itself.
func (c tokenCommand) Run(std streams) error {
	key, err := c.installation().TokenKey()
	if err != nil {
		return err
	}
	now := time.Now()
	token, err := identity.Sign(key, identity.Grant{
		Issuer: cmp.Or(c.Issuer, identity.DefaultIssuer), Audience: cmp.Or(c.Audience, identity.DefaultIssuer),
		Role: c.Role, Name: c.Name, Salons: c.Salon, From: now, Until: now.Add(c.For),
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(std.out, token)
	return err
}
