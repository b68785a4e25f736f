package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"alkalog/server/identity"
	"alkalog/server/keys"
)

// A certificate says who a till or a service is, for as long as it is valid. There are
// two ways to issue one. With tillCommand the private key is made here and has to be
// carried to the till; that is enough for a single salon. With signCommand the till makes
// its own key and sends only a signing request, so that nobody else has ever had the key;
// that is what a vendor with many tills does. Both need the key of the authority, which
// no server needs; see keysDir.IssuingDir.

// tillCommand issues client certificates, each with a private key that is made here. The
// role and the salon are in the name, so a certificate cannot be used for more than its
// name says (identity.Certificates).
type tillCommand struct {
	keysDir
	Names []string      `arg:"" optional:"" name:"name" help:"Resource names of tills or services."`
	From  string        `type:"existingfile" placeholder:"FILE" help:"File with further resource names, one a line. Empty lines and lines that begin with # are left out."`
	For   time.Duration `default:"8760h" help:"Validity, such as 8760h."`
	Out   string        `type:"path" placeholder:"PATH" help:"For one name: write PATH.crt and PATH.key. Default: named after NAME, in the directory issued of the directory of the keys."`
}

// Run issues the certificates, and prints where they are and how to revoke them. The
// private key is not stored anywhere else: who loses it issues a new one. All names are
// checked before the first certificate is issued; an error later leaves those that were
// issued, and the same command with the rest continues.
func (c tillCommand) Run(std streams) error {
	names, err := c.names()
	if err != nil {
		return err
	}
	// One after the other: each file is complete before the next one is begun.
	in := c.installation()
	for _, name := range names {
		issued, err := in.Issue(name, c.Out, c.For)
		if err != nil {
			return err
		}
		printIssued(std, issued)
	}
	fmt.Fprintf(std.err, "Move the files to the till and delete the key here. To revoke a certificate, add its sha-256 to %s.\n", in.Path("revoked"))
	return nil
}

// names are those of the command line and of the file, checked. A name that is wrong is
// reported before anything is issued, because a list that was issued by half would be
// refused when it is repeated.
func (c tillCommand) names() ([]string, error) {
	names := c.Names
	if c.From != "" {
		text, err := os.ReadFile(c.From)
		if err != nil {
			return nil, err
		}
		for line := range strings.Lines(string(text)) {
			if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") {
				names = append(names, line)
			}
		}
	}
	// The form of a name decides the role of its bearer; see identity.ActorFromURI.
	for _, name := range names {
		if err := checkBearer(name); err != nil {
			return nil, usage{fmt.Errorf("%s: %w", name, err)}
		}
	}
	switch {
	case len(names) == 0:
		return nil, usage{errors.New("give the resource name of a till or a service")}
	case len(names) > 1 && c.Out != "":
		return nil, usage{errors.New("--out is for one certificate")}
	}
	return names, nil
}

// checkBearer returns an error, which shows the form, for a name that no certificate may
// have.
func checkBearer(name string) error {
	_, err := identity.ActorFromURI(keys.Scheme + ":///" + name)
	return err
}

// printIssued prints a certificate that was issued: its files, its end, and the
// fingerprint by which it is revoked. Nothing that is printed is secret.
func printIssued(std streams, issued keys.Issued) {
	fmt.Fprintf(std.out, "certificate  %s\n", issued.CertFile)
	if issued.KeyFile != "" {
		fmt.Fprintf(std.out, "key          %s\n", issued.KeyFile)
	}
	fmt.Fprintf(std.out, "valid until  %s\nsha-256      %s\n", issued.Until.UTC().Format(time.RFC3339), issued.Fingerprint)
}

// signCommand issues a certificate for a key that was made elsewhere. The operator names
// the till; what the request says of itself is a cross-check only, because anybody can
// write anything into a request.
type signCommand struct {
	keysDir
	CSR  string        `arg:"" type:"existingfile" name:"csr" help:"File with the certificate signing request (PKCS #10, PEM)."`
	Name string        `arg:"" help:"Resource name of the till or service."`
	For  time.Duration `default:"8760h" help:"Validity, such as 8760h."`
	Out  string        `type:"path" placeholder:"PATH" help:"Write PATH.crt. Default: named after NAME, in the directory issued of the directory of the keys."`
}

// Run signs the request, and prints where the certificate is and how to revoke it. To
// renew a certificate, sign a request again, before the old one expires.
func (c signCommand) Run(std streams) error {
	if err := checkBearer(c.Name); err != nil {
		return usage{err}
	}
	// A request holds no secret, so its file may be readable by anybody.
	request, err := os.ReadFile(c.CSR)
	if err != nil {
		return err
	}
	issued, err := c.installation().Sign(request, c.Name, c.Out, c.For)
	if err != nil {
		return fmt.Errorf("%s: %w", c.CSR, err)
	}
	printIssued(std, issued)
	return nil
}

// listCommand lists certificates, so that an operator can renew them in time.
type listCommand struct {
	keysDir
	Within time.Duration `placeholder:"TIME" help:"List only certificates that expire within this time, such as 720h, and exit with 1 if there is one."`
}

// Run prints a line for each certificate. It knows only the files that are still here: a
// certificate that was moved to its till is known to the server, which logs a warning
// when it is used in its last 30 days.
func (c listCommand) Run(_ context.Context, std streams) error {
	in := c.installation()
	all, err := in.List()
	if err != nil {
		return err
	}
	rows, listed := tabwriter.NewWriter(std.out, 0, 0, 2, ' ', 0), 0
	for _, cert := range all {
		if c.Within > 0 && cert.Until.After(in.Clock().Add(c.Within)) {
			continue
		}
		listed++
		fmt.Fprintf(rows, "%s\t%s\t%s\n", cert.Until.UTC().Format(time.DateOnly), cert.Name, cert.CertFile)
	}
	if err := rows.Flush(); err != nil {
		return err
	}
	if c.Within > 0 && listed > 0 {
		return fmt.Errorf("%d certificates expire within %v", listed, c.Within)
	}
	return nil
}
