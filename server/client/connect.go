// Package dial connects a client to a server: where it is, how the line is kept
// private, who is calling, and what is asked again when the line breaks.
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

	"alkalog/server/keyfile"
)

// Target says which server to call, and as whom.
type Target struct {
	// Address is host and port. A loopback address without CAFile and CertFile is
	// called in the clear, every other one by TLS.
	Address string
	// CAFile holds the certificates, in PEM, of whoever vouches for the server.
	// Empty: those that this machine trusts.
	CAFile string
	// CertFile and KeyFile are the caller's certificate and its key, in PEM. Give
	// both or neither.
	CertFile, KeyFile string
	// TokenFile holds the caller's token, and is nobody else's to read.
	TokenFile string
	// Identity is a development identity, "role=ROLE name=NAME". It is sent only
	// in the clear, to this machine, when there is no token.
	Identity string
	// Timeout is how long a unary call may take, with its retries. Default 30 s,
	// our own choice.
	Timeout time.Duration
}

// Open returns a connection to the target. It does not wait for the server:
// the first call does.
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

// usesPlaintext reports whether the line needs no TLS, because it does not leave the
// machine and nobody asked for TLS.
func (t Target) usesPlaintext() (bool, error) {
	host, _, err := net.SplitHostPort(t.Address)
	if err != nil {
		return false, fmt.Errorf("address %q is not host:port: %w", t.Address, err)
	}
	if (t.CertFile == "") != (t.KeyFile == "") {
		return false, errors.New("a certificate needs its key, and a key its certificate")
	}
	ip := net.ParseIP(host)
	loopback := host == "localhost" || ip != nil && ip.IsLoopback()
	return loopback && t.CAFile == "" && t.CertFile == "", nil
}

// transportCredentials is how the line is kept private.
func (t Target) transportCredentials() (credentials.TransportCredentials, error) {
	config := &tls.Config{MinVersion: tls.VersionTLS13}
	if t.CAFile != "" {
		pem, err := os.ReadFile(t.CAFile)
		if err != nil {
			return nil, err
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s holds no certificate in PEM", t.CAFile)
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

// certificate is the caller's own; its key is nobody else's to read.
func (t Target) certificate() (tls.Certificate, error) {
	key, err := keyfile.Read(t.KeyFile)
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

// authorization says who is calling; empty when the certificate does.
func (t Target) authorization(clear bool) (string, error) {
	if t.TokenFile != "" {
		token, err := keyfile.Read(t.TokenFile)
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

// callerCredentials sends with every call who is calling.
type callerCredentials struct {
	authorization string
	requireTLS    bool // what it sends is a secret, and the line is TLS
}

// GetRequestMetadata is the metadata of a call.
func (c callerCredentials) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": c.authorization}, nil
}

// RequireTransportSecurity keeps a token off a line in the clear, but for one
// that does not leave the machine.
func (c callerCredentials) RequireTransportSecurity() bool { return c.requireTLS }

// setDeadline gives a unary call without a deadline one.
func (t Target) setDeadline(ctx context.Context, method string, request, answer any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	if _, given := ctx.Deadline(); !given {
		limited, cancel := context.WithTimeout(ctx, cmp.Or(t.Timeout, 30*time.Second))
		defer cancel()
		ctx = limited
	}
	return invoke(ctx, method, request, answer, conn, opts...)
}
