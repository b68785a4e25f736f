package serve

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"alkalog/server/identity"
	"alkalog/server/keys"
)

// guard is how callers are told apart, and how the line to them is kept private.
type callerSecurity struct {
	identifier  identifier
	credentials credentials.TransportCredentials
}

// transport is the line to callers, with failed handshakes counted.
func (g callerSecurity) transport(counters *Counters) grpc.ServerOption {
	return grpc.Creds(handshakeCounter{g.credentials, counters})
}

// openGuard reads every file that says whom to trust. They are read again when
// they are replaced; one that cannot be used leaves the old one in force.
func openCallerSecurity(c Config) (callerSecurity, error) {
	problem := func(err error) { c.Logger.Warn("identities", "error", err.Error()) }
	var authority *keys.Watch[*x509.CertPool]
	if c.ClientCA != "" {
		authority = &keys.Watch[*x509.CertPool]{Files: []string{c.ClientCA}, Clock: c.Clock, Problem: problem,
			Load: func() (*x509.CertPool, error) { return keys.ReadAuthorities(c.ClientCA) }}
		if err := authority.Open(); err != nil {
			return callerSecurity{}, fmt.Errorf("client CA: %w", err)
		}
	}
	line, err := c.serverCredentials(authority, problem)
	if err != nil {
		return callerSecurity{}, err
	}
	who, err := c.newIdentifier(authority, problem)
	return callerSecurity{who, line}, err
}

// line is how the line to callers is kept private; in the clear without a
// certificate, which Config allows on loopback only.
func (c Config) serverCredentials(authority *keys.Watch[*x509.CertPool], problem func(error)) (credentials.TransportCredentials, error) {
	if c.TLSCert == "" {
		return insecure.NewCredentials(), nil
	}
	pair := &keys.Watch[tls.Certificate]{Files: []string{c.TLSCert, c.TLSKey}, Clock: c.Clock, Problem: problem,
		Load: func() (tls.Certificate, error) { return readPair(c.TLSCert, c.TLSKey, c.Clock()) }}
	if err := pair.Open(); err != nil {
		return nil, fmt.Errorf("TLS: %w", err)
	}
	base := &tls.Config{
		MinVersion: tls.VersionTLS12, NextProtos: []string{"h2"}, Time: c.Clock,
		// Without it a connection could be taken up again under an authority
		// that is no longer trusted; connections of tills are long anyway.
		SessionTicketsDisabled: true,
	}
	base.GetConfigForClient = func(*tls.ClientHelloInfo) (*tls.Config, error) {
		config := base.Clone()
		config.GetConfigForClient, config.Certificates = nil, []tls.Certificate{pair.Get()}
		if authority != nil {
			// Whoever brings none can still ask for health, or bring a token.
			config.ClientAuth, config.ClientCAs = tls.VerifyClientCertIfGiven, authority.Get()
		}
		return config, nil
	}
	return credentials.NewTLS(base), nil
}

// readPair reads the server's certificate and its key, which must belong
// together.
func readPair(certFile, keyFile string, now time.Time) (tls.Certificate, error) {
	cert, err := keys.ReadTrusted(certFile)
	if err != nil {
		return tls.Certificate{}, err
	}
	key, err := keys.Read(keyFile)
	if err != nil {
		return tls.Certificate{}, err
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return pair, fmt.Errorf("%s and %s: %w", certFile, keyFile, err)
	}
	if now.After(pair.Leaf.NotAfter) {
		return pair, fmt.Errorf("%s has expired", certFile)
	}
	return pair, nil
}

// identifier is how callers are told apart.
func (c Config) newIdentifier(authority *keys.Watch[*x509.CertPool], problem func(error)) (identifier, error) {
	if c.Development {
		return identity.Development{}, nil
	}
	if !c.HasIdentities() {
		return identity.Closed{}, nil
	}
	var proven identity.Proven
	var err error
	if authority != nil {
		proven.Certificates = &identity.Certificates{Authority: authority, Clock: c.Clock}
	}
	if c.Issuer != "" || c.JWKS != "" {
		source := identity.TokenSource{Issuer: c.Issuer, Audience: c.Audience, KeysFile: c.JWKS, Clock: c.Clock, Problem: problem}
		if proven.Tokens, err = source.Open(); err != nil {
			return nil, fmt.Errorf("tokens: %w", err)
		}
	}
	if c.Revoked != "" {
		if proven.Revoked, err = identity.OpenRevoked(c.Revoked, c.Clock, problem); err != nil {
			return nil, fmt.Errorf("list of what is revoked: %w", err)
		}
	}
	return proven, nil
}

// HasIdentities reports whether callers can prove who they are here.
func (c Config) HasIdentities() bool { return c.ClientCA != "" || c.Issuer != "" || c.JWKS != "" }

// OnLoopback reports whether only this machine can call the address.
func (c Config) OnLoopback() bool {
	host, _, err := net.SplitHostPort(c.Address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// listener listens, and looks at where that came out: a name such as localhost
// can mean anything.
func (c Config) listener() (net.Listener, error) {
	listener, err := net.Listen("tcp", c.Address)
	if err != nil {
		return nil, err
	}
	where, ok := listener.Addr().(*net.TCPAddr)
	if c.OnLoopback() && (!ok || !where.IP.IsLoopback()) {
		return nil, errors.Join(fmt.Errorf("address %q is not a loopback address but %v", c.Address, listener.Addr()), listener.Close())
	}
	return listener, nil
}

// checkIdentities refuses what would let callers in who ought not to be.
func (c Config) checkIdentities() error {
	switch {
	case (c.TLSCert == "") != (c.TLSKey == ""):
		return errors.New("a TLS certificate needs its key, and a key its certificate")
	case c.ClientCA != "" && c.TLSCert == "":
		return errors.New("callers can have certificates only where the server has one: a client CA needs a TLS certificate and its key")
	case c.Audience != "" && c.Issuer == "" && c.JWKS == "":
		return errors.New("an audience needs an issuer of tokens, or a key set")
	case c.Issuer != "" && c.JWKS == "" && identity.CheckIssuer(c.Issuer) != nil:
		return identity.CheckIssuer(c.Issuer)
	case c.Revoked != "" && !c.HasIdentities():
		return errors.New("a list of what is revoked needs a client CA, an issuer of tokens, or a key set")
	case c.Development && c.HasIdentities():
		return errors.New("development identities are believed without proof, and are refused where certificates or tokens are known")
	case c.OnLoopback():
		return nil
	case c.TLSCert == "":
		return fmt.Errorf("address %q can be reached from other machines; without a TLS certificate only loopback addresses such as %s are served", c.Address, DefaultAddress)
	case c.Development:
		return fmt.Errorf("address %q can be reached from other machines; development identities are believed without proof, and only on loopback", c.Address)
	}
	return nil
}

// alarm is how loudly it must be said whom the server believes.
func (c Config) trustLogLevel() slog.Level {
	if c.Development || !c.HasIdentities() {
		return slog.LevelWarn
	}
	return slog.LevelInfo
}

// Who says, for people, whom the server believes.
func (c Config) DescribeTrust() string {
	if c.Development {
		return "callers who say who they are: DEVELOPMENT IDENTITIES, believed without proof"
	}
	if !c.HasIdentities() {
		return "NOBODY: no identities are set up; give a client CA, an issuer of tokens or a key set"
	}
	text := ""
	if c.ClientCA != "" {
		text = "tills and services with a certificate of " + c.ClientCA
	}
	if c.ClientCA != "" && c.Issuer+c.JWKS != "" {
		text += "; "
	}
	switch {
	case c.JWKS != "":
		text += "people with a token signed by a key in " + c.JWKS
	case c.Issuer != "":
		text += "people with a token of " + c.Issuer
	}
	return text
}
