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
	"alkalog/server/serve"
	"alkalog/server/setup"
)

// keysCommands make the keys and certificates of an installation.
type keysCommands struct {
	Make   makeKeysCommand `cmd:"" default:"withargs" help:"Make the keys and certificates that a first installation needs. What is there stays."`
	Till   tillCommand     `cmd:"" help:"Issue the certificate of a till, or of a service: chains/CHAIN/salons/SALON/tills/ID, chains/CHAIN/managers/ID, chains/CHAIN/auditors/ID or operators/ID."`
	Rotate rotateCommand   `cmd:"" help:"Make a new key beside the one before it, or drop the old ones."`
}

// keysDir says where the keys lie.
type keysDir struct {
	Dir string `required:"" env:"ALKALOG_KEYS_DIR" type:"path" placeholder:"DIR" help:"Directory of the keys. Not below the directory of a private PostgreSQL that is still to be made: that must be empty."`
}

// installation is the directory as what it holds.
func (d keysDir) installation() setup.Installation {
	return setup.Installation{Dir: d.Dir, Clock: time.Now}
}

// hostFlags say how the server is called.
type hostFlags struct {
	Host []string `placeholder:"NAME" help:"Name or address that the server is called by, beside localhost and the name of this machine; may be given again."`
}

// names are all of them.
func (f hostFlags) names() []string {
	names := append([]string{"localhost", "127.0.0.1", "::1"}, f.Host...)
	if own, err := os.Hostname(); err == nil && !slices.Contains(names, own) {
		names = append(names, own)
	}
	return names
}

// makeKeysCommand makes what is missing.
type makeKeysCommand struct {
	keysDir
	hostFlags
}

// Run makes it, and says what it was and how to serve with it.
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
		fmt.Fprintln(std.err, "everything is there, and nothing was changed")
	}
	fmt.Fprint(std.err, strings.ReplaceAll(keysText, "DIR", in.Dir))
	return nil
}

const keysText = `
Keep copies of these files, away from the database: without "clients" no client
can be read, and "authority.key" is needed only to issue certificates.

Serve with them:
  server serve --address 0.0.0.0:7420 --keys-dir DIR \
    --tls-cert DIR/server.crt --tls-key DIR/server.key \
    --client-ca DIR/authority.crt --jwks DIR/tokens.jwks --revoked DIR/revoked
The first token, for whoever sets up chains:
  server token --dir DIR --role operator --name operators/me
`

// tillCommand issues a certificate.
type tillCommand struct {
	keysDir
	Name string        `arg:"" help:"Resource name of the till or service."`
	For  time.Duration `default:"8760h" help:"How long it is good."`
	Out  string        `type:"path" placeholder:"PATH" help:"Where to write PATH.crt and PATH.key. Default: by the name, under issued in the directory of the keys."`
}

// Run issues it, and says where it is and how it is revoked.
func (c tillCommand) Run(std streams) error {
	if _, err := identity.BearerOf(identity.Scheme + ":///" + c.Name); err != nil {
		return usage{err}
	}
	in := c.installation()
	issued, err := in.Issue(c.Name, c.Out, c.For)
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "certificate  %s\nkey          %s\ngood until   %s\nsha-256      %s\n",
		issued.CertFile, issued.KeyFile, issued.Until.UTC().Format(time.RFC3339), issued.Fingerprint)
	fmt.Fprintf(std.err, "Take both to the till, and the key away from here. To revoke it, add the sha-256 to %s.\n", in.Path("revoked"))
	return nil
}

// rotateCommand makes keys anew.
type rotateCommand struct {
	keysDir
	hostFlags
	What        string `arg:"" enum:"server,tokens,log,clients" help:"Which: server (its certificate), tokens, log, or clients."`
	Drop        bool   `help:"Make no key, but drop all of tokens, log or clients but the newest. Those of clients need --database or --data-dir, with every server stopped: all that is wrapped with older keys is wrapped anew first."`
	Database    string `xor:"database" env:"ALKALOG_DATABASE" placeholder:"DSN" help:"For --drop of clients: connection string of the PostgreSQL."`
	DataDir     string `xor:"database" env:"ALKALOG_DATA_DIR" type:"path" placeholder:"DIR" help:"For --drop of clients: directory of the private PostgreSQL."`
	ErasureFile string `env:"ALKALOG_ERASURE_FILE" type:"path" placeholder:"FILE" help:"For --drop of clients: the file that keeps which clients were erased."`
	PGBin       string `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"Directory of the programs of the private PostgreSQL. Default: they are searched for."`
}

// Run makes a key, or drops the old ones, and says what is to be done next.
func (c rotateCommand) Run(ctx context.Context, std streams) error {
	in := c.installation()
	do := map[string]func() error{
		"server": func() error { return in.RotateServer(c.names()) },
		"tokens": in.RotateTokens, "log": in.RotateLog, "clients": in.RotateClients,
	}[c.What]
	said := map[string]string{
		"server":  "the server has a new certificate; a running one takes it within a second",
		"tokens":  "tokens are signed with a new key; those of the old keys are believed until: server keys rotate tokens --drop",
		"log":     "the audit log is signed with a new key beside the old one; when the server has logged that it keeps the log with \"keys\":2: server keys rotate log --drop",
		"clients": "the keys of clients are wrapped with a new key; backups from before need the old line; to destroy it, stop every server and: server keys rotate clients --drop",
	}[c.What]
	if c.Drop {
		do = map[string]func() error{"tokens": in.DropTokens, "log": in.DropLog, "clients": func() error { return c.dropClients(ctx) }}[c.What]
		said = map[string]string{"tokens": "only the newest key is left", "log": "only the newest key is left; the older ones lie in " + in.Path("log.dropped") +
			": delete it when the server has logged \"keys\":1",
			"clients": "all keys of clients are wrapped with the newest key, and only that is left; destroy every copy of the old key file too: with one of them, a backup from before still opens"}[c.What]
	}
	if do == nil {
		return usage{fmt.Errorf("the keys of %s cannot be dropped by a command", c.What)}
	}
	if err := do(); err != nil {
		return err
	}
	fmt.Fprintln(std.err, said)
	return nil
}

// dropClients wraps all keys of clients with the newest key, and then drops the
// others.
func (c rotateCommand) dropClients(ctx context.Context) error {
	if c.Database == "" && c.DataDir == "" {
		return usage{errors.New("give --database or --data-dir: the keys of its clients are wrapped anew before the old key is destroyed")}
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

// tokenCommand signs a token with the installation's own key.
type tokenCommand struct {
	keysDir
	Role     string        `required:"" help:"till, student, practitioner, supervisor, manager, auditor or operator."`
	Name     string        `required:"" help:"Resource name of the bearer: chains/CHAIN/practitioners/ID, chains/CHAIN/auditors/ID, operators/ID ..."`
	Salon    []string      `placeholder:"NAME" help:"Salon that the bearer is confined to, chains/CHAIN/salons/SALON; may be given again. Default: none."`
	For      time.Duration `default:"12h" help:"How long it is good."`
	Issuer   string        `help:"Who says so. Default: alkalog."`
	Audience string        `help:"What it is meant for. Default: alkalog."`
}

// Run signs it and prints it, and nothing else, on standard output.
func (c tokenCommand) Run(std streams) error {
	in := c.installation()
	now := time.Now()
	token, err := in.Sign(identity.Grant{
		Issuer: cmp.Or(c.Issuer, identity.Usual), Audience: cmp.Or(c.Audience, identity.Usual),
		Role: c.Role, Name: c.Name, Salons: c.Salon, From: now, Until: now.Add(c.For),
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(std.out, token)
	return err
}
