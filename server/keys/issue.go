package keys

import (
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/rsa"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// minRSABits is the shortest RSA key that is certified: NIST SP 800-131A Rev. 2 (2019),
// table 2, from memory.
const minRSABits = 2048

// Issued describes a certificate that was written to a file.
//
// It has no secret and can be printed.
type Issued struct {
	Name              string
	CertFile, KeyFile string // KeyFile is empty when the private key was made elsewhere
	Fingerprint       string // names the certificate in the revocation list
	Until             time.Time
}

// Issue issues the certificate of a till or a service with the given resource
// name and writes path.crt and path.key. An empty path stands for a file in
// issued/ that is named after the resource. Issue does not check the name.
//
// A certificate cannot be valid longer than the authority itself.
func (i Installation) Issue(name, path string, validity time.Duration) (Issued, error) {
	a, until, err := i.issuing(validity)
	if err != nil {
		return Issued{}, err
	}
	pair, err := a.Client(name, i.Clock().Add(-backdated), until)
	if err != nil {
		return Issued{}, err
	}
	path = i.issuedPath(name, path)
	if err := notOverwritten(createPair(path, pair)); err != nil {
		return Issued{}, err
	}
	return issuedFrom(name, path, pair, path+".key")
}

// Sign certifies the key of a certificate signing request (PKCS #10, PEM) for a
// resource name, and writes path.crt. The private key stays with the machine that made
// the request. Sign does not check the name.
//
// Of the request only the key is used. If it asks for a name of ours it must ask for
// this one: a request that was mixed up with another till's would otherwise be signed.
func (i Installation) Sign(request []byte, name, path string, validity time.Duration) (Issued, error) {
	a, until, err := i.issuing(validity)
	if err != nil {
		return Issued{}, err
	}
	csr, err := parseRequest(request, name)
	if err != nil {
		return Issued{}, err
	}
	pair, err := a.ClientOf(csr.PublicKey, name, i.Clock().Add(-backdated), until)
	if err != nil {
		return Issued{}, err
	}
	path = i.issuedPath(name, path)
	if err := notOverwritten(CreateTrusted(path+".crt", pair.Cert)); err != nil {
		return Issued{}, err
	}
	return issuedFrom(name, path, pair, "")
}

// parseRequest parses a signing request and checks its signature, the kind of its key
// and the name that it asks for.
func parseRequest(request []byte, name string) (*x509.CertificateRequest, error) {
	block, rest := pem.Decode(request)
	if block == nil || block.Type != "CERTIFICATE REQUEST" || len(strings.TrimSpace(string(rest))) > 0 {
		return nil, errors.New("want one CERTIFICATE REQUEST in PEM")
	}
	csr, err := x509.ParseCertificateRequest(block.Bytes)
	if err != nil {
		return nil, err
	}
	if err := csr.CheckSignature(); err != nil {
		return nil, fmt.Errorf("the request is not signed with its own key: %w", err)
	}
	switch key := csr.PublicKey.(type) {
	case *ecdsa.PublicKey, ed25519.PublicKey:
	case *rsa.PublicKey:
		if key.N.BitLen() < minRSABits {
			return nil, fmt.Errorf("an RSA key of %d bits is too short; make an ECDSA key on P-256", key.N.BitLen())
		}
	default:
		return nil, errors.New("this kind of key is not certified; make an ECDSA key on P-256")
	}
	for _, uri := range csr.URIs {
		if asked := uri.String(); asked != Scheme+":///"+name {
			return nil, fmt.Errorf("the request asks for %s, not for %s:///%s", asked, Scheme, name)
		}
	}
	return csr, nil
}

// issuing returns the authority and the end of a certificate that it issues now.
func (i Installation) issuing(validity time.Duration) (Authority, time.Time, error) {
	a, err := i.authority()
	if err != nil {
		return Authority{}, time.Time{}, err
	}
	until := i.Clock().Add(validity)
	if until.After(a.Certificate.NotAfter) {
		return Authority{}, time.Time{}, fmt.Errorf("the certificate would be valid until %s, but the authority itself expires on %s",
			until.UTC().Format(time.DateOnly), a.Certificate.NotAfter.UTC().Format(time.DateOnly))
	}
	return a, until, nil
}

// issuedPath is where a certificate is written, without the ending.
func (i Installation) issuedPath(name, path string) string {
	if path != "" {
		return path
	}
	return i.Path(filepath.Join("issued", strings.ReplaceAll(name, "/", ".")))
}

// notOverwritten says what to do about a file that exists.
func notOverwritten(err error) error {
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%w; issued certificates are never overwritten: move it away, or set --out", err)
	}
	return err
}

// issuedFrom describes a certificate that was written.
func issuedFrom(name, path string, pair Pair, keyFile string) (Issued, error) {
	cert, err := pair.Certificate()
	if err != nil {
		return Issued{}, err
	}
	return Issued{name, path + ".crt", keyFile, Fingerprint(cert), cert.NotAfter}, nil
}

// List returns the certificates in the installation's directory and in issued/, those
// that expire first at the front. Files that are no certificate are left out.
func (i Installation) List() ([]Issued, error) {
	var all []Issued
	for _, pattern := range []string{"*.crt", filepath.Join("issued", "*.crt")} {
		files, err := filepath.Glob(filepath.Join(i.Dir, pattern))
		if err != nil {
			return nil, err
		}
		for _, file := range files {
			content, err := ReadTrusted(file)
			if err != nil {
				return nil, err
			}
			pair := Pair{Cert: content}
			if cert, err := pair.Certificate(); err == nil {
				all = append(all, Issued{Name: bearer(cert), CertFile: file, Fingerprint: Fingerprint(cert), Until: cert.NotAfter})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b Issued) int { return a.Until.Compare(b.Until) })
	return all, nil
}

// bearer is the resource name in a certificate, or else its common name.
func bearer(cert *x509.Certificate) string {
	for _, uri := range cert.URIs {
		if name, ok := strings.CutPrefix(uri.String(), Scheme+":///"); ok {
			return name
		}
	}
	return cert.Subject.CommonName
}
