// Package client is the client side of alkalog's own commands: it connects to a
// server and copies an audit log from it.
//
// A connection is plaintext only on loopback and TLS everywhere else. The caller
// authenticates with a certificate, a token or, on loopback only, a development
// identity. Calls that change nothing are retried; a stream of audit entries is
// resumed after the last entry received.
//
// The package retries only what is safe to repeat. A call that changes something is
// repeated by its caller with the same request ID, which the server recognizes; a
// transparent retry here would hide from the caller that the outcome was unknown.
//
// Secrets come from files, never from flags, because other users of a machine can
// read the arguments of a process.
package client

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"alkalog/server/keys"
)

// Target is a server and the caller's identity.
type Target struct {
	// Address is host and port. A loopback address without CAFile and CertFile is
	// called in plaintext, any other with TLS.
	Address string
	// CAFile holds the CA certificates (PEM) that the server's certificate must chain
	// to. Empty: the system's.
	CAFile string
	// CertFile and KeyFile are the client certificate and its key (PEM). Set both or
	// neither.
	CertFile, KeyFile string
	// TokenFile holds the caller's token. Only its owner may be able to read it.
	TokenFile string
	// Identity is a development identity, "role=ROLE name=NAME". It is sent only on
	// plaintext connections, and only without a token.
	Identity string
	// Timeout limits a unary call that has no deadline, including its retries. Default
	// 30 s, our own choice.
	Timeout time.Duration
}

// Open returns a connection to the target. It does not wait for the server; the
// first call does.
//
// An error means that the target is misconfigured. An unreachable server is the
// error of the first call.
func (t Target) Open() (*grpc.ClientConn, error) {
	clear, err := t.usesPlaintext()
	if err != nil {
		return nil, err
	}
	transport := insecure.NewCredentials()
	if !clear {
		if transport, err = t.transportCredentials(); err != nil {
			return nil, err
		}
	}
	options := []grpc.DialOption{
		grpc.WithTransportCredentials(transport),
		grpc.WithDefaultServiceConfig(retryConfig()),
		grpc.WithUnaryInterceptor(t.setDeadline),
	}
	who, err := t.authorization(clear)
	if err != nil {
		return nil, err
	}
	if who != "" {
		options = append(options, grpc.WithPerRPCCredentials(callerCredentials{who, !clear}))
	}
	return grpc.NewClient(t.Address, options...)
}

// usesPlaintext reports whether the connection is plaintext: the address is
// loopback and TLS was not requested. A certificate without its key is rejected
// here, since it would otherwise be ignored without a message.
func (t Target) usesPlaintext() (bool, error) {
	host, _, err := net.SplitHostPort(t.Address)
	if err != nil {
		return false, fmt.Errorf("address %q: want host:port: %w", t.Address, err)
	}
	if (t.CertFile == "") != (t.KeyFile == "") {
		return false, errors.New("a certificate needs its key, and a key its certificate")
	}
	ip := net.ParseIP(host)
	loopback := host == "localhost" || ip != nil && ip.IsLoopback()
	return loopback && t.CAFile == "" && t.CertFile == "", nil
}

// transportCredentials returns the TLS configuration of the connection: TLS 1.3 or
// newer, with the given or the system's authorities and, if set, a client certificate.
func (t Target) transportCredentials() (credentials.TransportCredentials, error) {
	config := &tls.Config{MinVersion: tls.VersionTLS13}
	if t.CAFile != "" {
		pem, err := os.ReadFile(t.CAFile)
		if err != nil {
			return nil, err
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s has no certificate in PEM", t.CAFile)
		}
	}
	if t.CertFile != "" {
		own, err := t.certificate()
		if err != nil {
			return nil, err
		}
		config.Certificates = []tls.Certificate{own}
	}
	return credentials.NewTLS(config), nil
}

// certificate reads the client certificate. Only its owner may be able to read the
// key.
func (t Target) certificate() (tls.Certificate, error) {
	key, err := keys.Read(t.KeyFile)
	if err != nil {
		return tls.Certificate{}, err
	}
	cert, err := os.ReadFile(t.CertFile)
	if err != nil {
		return tls.Certificate{}, err
	}
	own, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return own, fmt.Errorf("%s and %s: %w", t.CertFile, t.KeyFile, err)
	}
	return own, nil
}

// authorization returns the authorization header; empty if the certificate
// authenticates the caller.
//
// A token takes precedence over a development identity, which servers accept only on
// loopback.
func (t Target) authorization(clear bool) (string, error) {
	if t.TokenFile != "" {
		token, err := keys.Read(t.TokenFile)
		if err != nil {
			return "", err
		}
		return "Bearer " + strings.TrimSpace(string(token)), nil // RFC 6750, section 2.1
	}
	if clear && t.Identity != "" {
		return "Development " + t.Identity, nil
	}
	return "", nil
}

// callerCredentials adds the authorization header to every call.
type callerCredentials struct {
	authorization string
	requireTLS    bool // the header holds a secret and the connection is TLS
}

// GetRequestMetadata returns the authorization header.
func (c callerCredentials) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": c.authorization}, nil
}

// RequireTransportSecurity prevents a token from being sent in plaintext, except
// on loopback.
func (c callerCredentials) RequireTransportSecurity() bool { return c.requireTLS }

// setDeadline sets a deadline for a unary call that has none. A call without a
// deadline would wait for ever for a server that accepts connections and does not
// answer.
func (t Target) setDeadline(ctx context.Context, method string, request, answer any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	if _, given := ctx.Deadline(); !given {
		limited, cancel := context.WithTimeout(ctx, cmp.Or(t.Timeout, 30*time.Second))
		defer cancel()
		ctx = limited
	}
	return invoke(ctx, method, request, answer, conn, opts...)
}
