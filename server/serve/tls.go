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

// callerSecurity is how callers are identified and how connections are encrypted.
// The two belong together: certificates can identify callers only over TLS.
type callerSecurity struct {
	identifier identifier
	// pair is the server's certificate, authority the authorities of clients; nil:
	// without TLS, without client certificates.
	pair      *keys.Watch[tls.Certificate]
	authority *keys.Watch[*x509.CertPool]
	clock     func() time.Time
	expiry    *certificateExpiry
}

// transport returns the credentials of the gRPC listener as a server option that
// counts failed handshakes.
func (g callerSecurity) transport(counters *Counters) grpc.ServerOption {
	line := insecure.NewCredentials()
	if g.pair != nil {
		line = credentials.NewTLS(g.tls("h2"))
	}
	return grpc.Creds(handshakeCounter{line, counters})
}

// openCallerSecurity reads the files that decide who is trusted. They are
// reloaded when they are replaced; if a replacement cannot be used, the previous
// one remains in use. An error at startup ends the start: a server that trusts
// the wrong callers must not serve.
func openCallerSecurity(c Config) (callerSecurity, error) {
	problem := func(err error) {
		c.Logger.Warn("cannot reload a file of trusted identities, keeping the previous one", "error", err.Error())
	}
	var authority *keys.Watch[*x509.CertPool]
	if c.ClientCA != "" {
		authority = &keys.Watch[*x509.CertPool]{Files: []string{c.ClientCA}, Clock: c.Clock, Problem: problem,
			Load: func() (*x509.CertPool, error) { return keys.ReadAuthorities(c.ClientCA) }}
		if err := authority.Open(); err != nil {
			return callerSecurity{}, fmt.Errorf("client CA: %w", err)
		}
	}
	expiry := &certificateExpiry{clock: c.Clock, log: c.Logger}
	pair, err := c.openPair(problem)
	if err != nil {
		return callerSecurity{}, err
	}
	expiry.server = pair
	who, err := c.newIdentifier(authority, expiry, problem)
	return callerSecurity{who, pair, authority, c.Clock, expiry}, err
}

// openPair opens the server's certificate and key; nil without a certificate, which
// checkIdentities allows on loopback only.
func (c Config) openPair(problem func(error)) (*keys.Watch[tls.Certificate], error) {
	if c.TLSCert == "" {
		return nil, nil
	}
	pair := &keys.Watch[tls.Certificate]{Files: []string{c.TLSCert, c.TLSKey}, Clock: c.Clock, Problem: problem,
		Load: func() (tls.Certificate, error) { return readPair(c.TLSCert, c.TLSKey, c.Clock()) }}
	if err := pair.Open(); err != nil {
		return nil, fmt.Errorf("TLS: %w", err)
	}
	return pair, nil
}

// tls returns the TLS configuration of a listener for the given protocols. Client
// certificates are requested and not required: health needs none, and people send
// tokens.
func (g callerSecurity) tls(protocols ...string) *tls.Config {
	base := &tls.Config{
		MinVersion: tls.VersionTLS12, NextProtos: protocols, Time: g.clock,
		// A session ticket could resume a session of an authority that is no longer
		// trusted. Connections of tills are long, so resumption saves little.
		SessionTicketsDisabled: true,
	}
	base.GetConfigForClient = func(*tls.ClientHelloInfo) (*tls.Config, error) {
		config := base.Clone()
		config.GetConfigForClient, config.Certificates = nil, []tls.Certificate{g.pair.Get()}
		if g.authority != nil {
			// A client without one can still check health, or send a token.
			config.ClientAuth, config.ClientCAs = tls.VerifyClientCertIfGiven, g.authority.Get()
		}
		return config, nil
	}
	return base
}

// readPair reads the server's certificate and key and checks that they match and
// have not expired. Of its validity only the end is checked.
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

// newIdentifier returns what identifies callers. It is one of
// identity.Development, identity.Closed and identity.Proven.
func (c Config) newIdentifier(authority *keys.Watch[*x509.CertPool], expiry *certificateExpiry, problem func(error)) (identifier, error) {
	if c.Development {
		return identity.Development{}, nil
	}
	if !c.HasIdentities() {
		return identity.Closed{}, nil
	}
	var proven identity.Proven
	var err error
	if authority != nil {
		proven.Certificates = &identity.Certificates{Authority: authority, Clock: c.Clock, Used: expiry.used}
	}
	if c.Issuer != "" || c.JWKS != "" {
		source := identity.TokenSource{Issuer: c.Issuer, Audience: c.Audience, KeysFile: c.JWKS, Clock: c.Clock, Problem: problem}
		if proven.Tokens, err = source.Open(); err != nil {
			return nil, fmt.Errorf("tokens: %w", err)
		}
	}
	if c.Revoked != "" {
		if proven.Revoked, err = identity.OpenRevoked(c.Revoked, c.Clock, problem); err != nil {
			return nil, fmt.Errorf("revocation list: %w", err)
		}
	}
	return proven, nil
}

// HasIdentities reports whether callers can prove an identity.
func (c Config) HasIdentities() bool { return c.ClientCA != "" || c.Issuer != "" || c.JWKS != "" }

// OnLoopback reports whether the address can be called from this machine only. An
// empty host means all interfaces and is not loopback.
func (c Config) OnLoopback() bool {
	host, _, err := net.SplitHostPort(c.Address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// listener listens on the address. It checks the address that was actually
// bound, because a name such as localhost can resolve to any address.
func (c Config) listener() (net.Listener, error) {
	network := "tcp"
	if host, _, err := net.SplitHostPort(c.Address); err == nil && net.ParseIP(host).To4() != nil {
		network = "tcp4" // otherwise 0.0.0.0 would mean all IPv6 addresses too
	}
	listener, err := net.Listen(network, c.Address)
	if err != nil {
		return nil, err
	}
	where, ok := listener.Addr().(*net.TCPAddr)
	if c.OnLoopback() && (!ok || !where.IP.IsLoopback()) {
		return nil, errors.Join(fmt.Errorf("address %q resolves to %v, want a loopback address", c.Address, listener.Addr()), listener.Close())
	}
	return listener, nil
}

// checkAddresses returns an error if the server could not listen, so that it is said
// before a database is started for it: the message of a taken port would come after half a
// minute of recovery. The address is free again when it returns, so another program can
// still take it, and listening can still fail later. Port 0 is free by definition.
func (c Config) checkAddresses() error {
	for _, address := range []string{c.Address, c.WebAddress} {
		if address == "" {
			continue
		}
		listener, err := c.at(address).listener()
		if err != nil {
			return err
		}
		if err := listener.Close(); err != nil {
			return err
		}
	}
	return nil
}

// checkIdentities rejects configurations that would admit the wrong callers. Each
// error says which setting to change.
func (c Config) checkIdentities() error {
	switch {
	case (c.TLSCert == "") != (c.TLSKey == ""):
		return errors.New("--tls-cert and --tls-key must be set together: a TLS certificate needs its key")
	case c.ClientCA != "" && c.TLSCert == "":
		return errors.New("a client CA needs a TLS certificate and its key: clients send certificates only over TLS")
	case c.Audience != "" && c.Issuer == "" && c.JWKS == "":
		return errors.New("an audience needs a token issuer or a key set")
	case c.Issuer != "" && c.JWKS == "" && identity.CheckIssuer(c.Issuer) != nil:
		return identity.CheckIssuer(c.Issuer)
	case c.Revoked != "" && !c.HasIdentities():
		return errors.New("a revocation list needs a client CA, a token issuer or a key set")
	case c.Development && c.HasIdentities():
		return errors.New("development identities need no proof, so they cannot be combined with certificates or tokens")
	case c.OnLoopback():
		return nil
	case c.TLSCert == "":
		return fmt.Errorf("address %q can be reached from other machines: set a TLS certificate, or use a loopback address such as %s", c.Address, DefaultAddress)
	case c.Development:
		return fmt.Errorf("address %q can be reached from other machines: development identities need no proof, so they are accepted on loopback addresses only", c.Address)
	}
	return nil
}

// trustLogLevel is the level at which the server logs whom it trusts. A server
// that believes everybody, or nobody, is probably misconfigured.
func (c Config) trustLogLevel() slog.Level {
	if c.Development || !c.HasIdentities() {
		return slog.LevelWarn
	}
	return slog.LevelInfo
}

// DescribeTrust describes whom the server trusts, for people. It is printed at
// startup.
func (c Config) DescribeTrust() string {
	if c.Development {
		return "every caller: DEVELOPMENT IDENTITIES, accepted without proof"
	}
	if !c.HasIdentities() {
		return "NOBODY: no identities are configured; set a client CA, a token issuer or a key set"
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
