package keys

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/url"
	"time"
)

// Scheme is the URI scheme of the resource names in client certificates. The
// form is our own; like X.509-SVID of SPIFFE (section 2) it requires exactly one
// URI SAN.
const Scheme = "alkalog"

// Authority is the certificate authority of one installation. It signs the
// certificates of the server and of its clients, and no other installation
// trusts it.
//
// It signs no intermediate authorities (path length 0).
type Authority struct {
	// Certificate is the authority's own certificate, which clients and servers trust.
	Certificate *x509.Certificate
	// key is needed only to issue certificates; a server does not have it.
	key crypto.Signer
}

// Format prevents printing the private key.
func (a Authority) Format(f fmt.State, _ rune) { io.WriteString(f, "an authority") }

// Pair is a certificate and its private key, in PEM. The key is a secret.
//
// Its methods keep the key out of logs and JSON; createPair writes it to files.
type Pair struct{ Cert, Key []byte }

// Format prevents printing the private key.
func (Pair) Format(f fmt.State, _ rune) { io.WriteString(f, "certificate and key") }

// MarshalJSON prevents encoding the private key.
func (Pair) MarshalJSON() ([]byte, error) { return []byte(`"certificate and key"`), nil }

// NewAuthority makes an authority with a new ECDSA key on P-256.
func NewAuthority(name string, from, until time.Time) (Authority, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return Authority{}, err
	}
	template := &x509.Certificate{
		Subject: pkix.Name{CommonName: name}, NotBefore: from, NotAfter: until,
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign,
	}
	raw, err := signCertificate(template, template, key.Public(), key)
	if err != nil {
		return Authority{}, err
	}
	cert, err := x509.ParseCertificate(raw)
	return Authority{cert, key}, err
}

// ParseAuthority parses what PEM returned. Certificate and key must belong together,
// and the certificate must be that of an authority. Errors never contain the key.
func ParseAuthority(p Pair) (Authority, error) {
	cert, err := p.Certificate()
	if err != nil {
		return Authority{}, err
	}
	keyBlock, _ := pem.Decode(p.Key)
	if keyBlock == nil {
		return Authority{}, errors.New("keys: the authority's key is not in PEM")
	}
	private, err := x509.ParsePKCS8PrivateKey(keyBlock.Bytes)
	if err != nil {
		return Authority{}, errors.New("keys: the authority's key is not a PKCS #8 private key")
	}
	key, ok := private.(*ecdsa.PrivateKey)
	if !ok || !key.PublicKey.Equal(cert.PublicKey) || !cert.IsCA {
		return Authority{}, errors.New("keys: the authority's certificate and key do not belong together")
	}
	return Authority{cert, key}, nil
}

// PEM returns the authority's certificate and key as they are stored in files.
func (a Authority) PEM() (Pair, error) { return encodePair(a.Certificate.Raw, a.key) }

// Server issues a server certificate for the given host names and IP addresses.
func (a Authority) Server(hosts []string, from, until time.Time) (Pair, error) {
	template := &x509.Certificate{
		Subject: pkix.Name{CommonName: "alkalog server"}, NotBefore: from, NotAfter: until,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	for _, host := range hosts {
		if ip := net.ParseIP(host); ip != nil {
			template.IPAddresses = append(template.IPAddresses, ip)
		} else {
			template.DNSNames = append(template.DNSNames, host)
		}
	}
	return a.Issue(template)
}

// Client issues the certificate of a till or a service with the given resource
// name. It does not check the name: identity.ActorFromURI does, and the
// server does it again for every call.
//
// The certificate permits client authentication only, so that a till cannot pose as a
// server.
func (a Authority) Client(name string, from, until time.Time) (Pair, error) {
	return a.Issue(clientTemplate(name, from, until))
}

// ClientOf is Client for a key that was made elsewhere. The pair has no private key.
func (a Authority) ClientOf(public crypto.PublicKey, name string, from, until time.Time) (Pair, error) {
	template := clientTemplate(name, from, until)
	template.KeyUsage |= x509.KeyUsageDigitalSignature
	raw, err := signCertificate(template, a.Certificate, public, a.key)
	if err != nil {
		return Pair{}, err
	}
	return Pair{Cert: pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: raw})}, nil
}

// clientTemplate is a certificate for client authentication by a resource name.
func clientTemplate(name string, from, until time.Time) *x509.Certificate {
	return &x509.Certificate{
		NotBefore: from, NotAfter: until, URIs: []*url.URL{{Scheme: Scheme, Path: "/" + name}},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}
}

// Issue makes a new key on P-256 and signs a certificate for it. The template gets a
// serial number and the key usage for digital signatures.
func (a Authority) Issue(template *x509.Certificate) (Pair, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return Pair{}, err
	}
	template.KeyUsage |= x509.KeyUsageDigitalSignature
	raw, err := signCertificate(template, a.Certificate, key.Public(), a.key)
	if err != nil {
		return Pair{}, err
	}
	return encodePair(raw, key)
}

// signCertificate signs a certificate with a random serial number (RFC 5280,
// section 4.1.2.2: positive, at most 20 octets).
func signCertificate(template, parent *x509.Certificate, public crypto.PublicKey, key crypto.Signer) ([]byte, error) {
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return nil, err
	}
	template.SerialNumber = serial.Add(serial, big.NewInt(1))
	return x509.CreateCertificate(rand.Reader, template, parent, public, key)
}

// encodePair encodes a certificate and its key (PKCS #8) in PEM.
func encodePair(cert []byte, key crypto.Signer) (Pair, error) {
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return Pair{}, err
	}
	return Pair{
		pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert}),
		pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}),
	}, nil
}

// Certificate parses the certificate of the pair.
func (p Pair) Certificate() (*x509.Certificate, error) {
	block, _ := pem.Decode(p.Cert)
	if block == nil {
		return nil, errors.New("keys: the certificate is not in PEM")
	}
	cert, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	return cert, nil
}

// Fingerprint is the SHA-256 of a certificate in lower-case hexadecimal. The
// revocation list names certificates by it.
func Fingerprint(cert *x509.Certificate) string {
	sum := sha256.Sum256(cert.Raw)
	return hex.EncodeToString(sum[:])
}

// ReadAuthorities reads the authorities whose client certificates are trusted: a
// PEM file with CA certificates and nothing else.
//
// Anything else in the file is an error: a client certificate that is put there by
// mistake would otherwise be ignored, or trusted.
func ReadAuthorities(path string) (*x509.CertPool, error) {
	rest, err := ReadTrusted(path)
	if err != nil {
		return nil, err
	}
	pool, count := x509.NewCertPool(), 0
	for len(bytes.TrimSpace(rest)) > 0 {
		var block *pem.Block
		if block, rest = pem.Decode(rest); block == nil || block.Type != "CERTIFICATE" {
			return nil, fmt.Errorf("%s: want only certificates in PEM", path)
		}
		cert, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, fmt.Errorf("%s: certificate %d: %w", path, count+1, err)
		}
		if !cert.IsCA || !cert.BasicConstraintsValid {
			return nil, fmt.Errorf("%s: certificate %d is not a CA certificate", path, count+1)
		}
		pool.AddCert(cert)
		count++
	}
	if count == 0 {
		return nil, fmt.Errorf("%s: want at least one CA certificate", path)
	}
	return pool, nil
}
