// Package authority makes the certificates of an installation: its own
// authority, the server's certificate, and those of tills and services. The
// authority is nobody else's: what it signs opens this installation and no other.
package authority

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/url"
	"time"

	"alkalog/server/identity"
)

// Authority signs certificates.
type Authority struct {
	Certificate *x509.Certificate
	key         crypto.Signer
}

// Format keeps the key out of whatever prints an authority.
func (a Authority) Format(f fmt.State, _ rune) { io.WriteString(f, "an authority") }

// Pair is a certificate and its private key, in PEM. The key is a secret.
type Pair struct{ Cert, Key []byte }

// Format keeps the key out of whatever prints a pair.
func (Pair) Format(f fmt.State, _ rune) { io.WriteString(f, "certificate and key") }

// MarshalJSON keeps the key out of whatever encodes a pair.
func (Pair) MarshalJSON() ([]byte, error) { return []byte(`"certificate and key"`), nil }

// New makes an authority.
func New(name string, from, until time.Time) (Authority, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return Authority{}, err
	}
	template := &x509.Certificate{
		Subject: pkix.Name{CommonName: name}, NotBefore: from, NotAfter: until,
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign,
	}
	raw, err := sign(template, template, key.Public(), key)
	if err != nil {
		return Authority{}, err
	}
	cert, err := x509.ParseCertificate(raw)
	return Authority{cert, key}, err
}

// Certificate is the certificate of the pair.
func (p Pair) Certificate() (*x509.Certificate, error) {
	block, _ := pem.Decode(p.Cert)
	if block == nil {
		return nil, errors.New("authority: the certificate is not in PEM")
	}
	cert, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	return cert, nil
}

// Parse reads an authority from what PEM returned.
func Parse(p Pair) (Authority, error) {
	cert, err := p.Certificate()
	if err != nil {
		return Authority{}, err
	}
	keyBlock, _ := pem.Decode(p.Key)
	if keyBlock == nil {
		return Authority{}, errors.New("authority: the key is not in PEM")
	}
	private, err := x509.ParsePKCS8PrivateKey(keyBlock.Bytes)
	if err != nil {
		return Authority{}, errors.New("authority: the key is not a private key in PKCS #8")
	}
	key, ok := private.(*ecdsa.PrivateKey)
	if !ok || !key.PublicKey.Equal(cert.PublicKey) || !cert.IsCA {
		return Authority{}, errors.New("authority: certificate and key are not those of one authority")
	}
	return Authority{cert, key}, nil
}

// PEM is the authority as files hold it.
func (a Authority) PEM() (Pair, error) { return pair(a.Certificate.Raw, a.key) }

// Server makes the certificate of a server that is called by the given names
// and addresses.
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

// Bearer makes the certificate of a till or a service, whose resource name says
// what it is; see identity.Certificates.
func (a Authority) Bearer(name string, from, until time.Time) (Pair, error) {
	uri := identity.Scheme + ":///" + name
	if _, err := identity.BearerOf(uri); err != nil {
		return Pair{}, err
	}
	u, err := url.Parse(uri)
	if err != nil {
		return Pair{}, err
	}
	return a.Issue(&x509.Certificate{
		NotBefore: from, NotAfter: until, URIs: []*url.URL{u},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	})
}

// Issue makes a fresh key and signs a certificate for it.
func (a Authority) Issue(template *x509.Certificate) (Pair, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return Pair{}, err
	}
	template.KeyUsage |= x509.KeyUsageDigitalSignature
	raw, err := sign(template, a.Certificate, key.Public(), a.key)
	if err != nil {
		return Pair{}, err
	}
	return pair(raw, key)
}

// sign signs a certificate with a random serial number (RFC 5280, section
// 4.1.2.2: positive, at most 20 octets).
func sign(template, parent *x509.Certificate, public crypto.PublicKey, key crypto.Signer) ([]byte, error) {
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return nil, err
	}
	template.SerialNumber = serial.Add(serial, big.NewInt(1))
	return x509.CreateCertificate(rand.Reader, template, parent, public, key)
}

// pair is a certificate and its key in PEM.
func pair(cert []byte, key crypto.Signer) (Pair, error) {
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return Pair{}, err
	}
	return Pair{
		pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert}),
		pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}),
	}, nil
}
