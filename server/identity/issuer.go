package identity

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/go-jose/go-jose/v4"
)

// How long the keys of an identity provider are used; our own choices, because
// providers do not specify it.
const (
	fetchInterval = 30 * time.Second // shortest time between two fetches
	maxKeyAge     = 15 * time.Minute // a withdrawn key is refused after this time
	maxOutage     = time.Hour        // how long keys remain valid while the provider does not answer
	fetchTimeout  = 5 * time.Second
	maxFetchBytes = 1 << 20
)

// issuerKeys is the key set of an identity provider, fetched on demand.
//
// While the provider answers, keys older than 15 minutes are fetched again, so
// that a withdrawn key is refused after that time. While it does not answer,
// nobody can learn of a withdrawal and the salons must continue to work: the
// last keys remain valid for an hour after their fetch, and after that every
// token is refused. (The key set of go-oidc keeps a withdrawn key forever, and
// fetches for every unknown key ID.)
type issuerKeys struct {
	issuer  string
	client  *http.Client
	clock   func() time.Time
	problem func(error)

	mu        sync.Mutex
	keysURL   string // as the provider published it; empty: not known
	set       keySet
	fetched   time.Time     // when the request for set was made
	attempted time.Time     // when the last request was made
	down      bool          // the last request failed
	fetching  chan struct{} // closed when the current fetch has ended; nil: none
}

// newIssuerKeys returns the key set of the provider with the given URL. It
// requests nothing yet. Redirects are not followed: the URL that was configured,
// and the one that it names, are the only ones that are trusted.
func newIssuerKeys(issuer string, clock func() time.Time, problem func(error)) (*issuerKeys, error) {
	if err := CheckIssuer(issuer); err != nil {
		return nil, err
	}
	client := &http.Client{
		Timeout:       fetchTimeout,
		Transport:     limitedTransport{http.DefaultTransport},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return &issuerKeys{issuer: issuer, client: client, clock: clock, problem: problem}, nil
}

// find returns a key. It waits for a fetch if that may provide the key.
// errUnknownKey means that the provider was asked recently and has no such key;
// errNoKeys that it could not be asked.
func (k *issuerKeys) find(ctx context.Context, id string) (jose.JSONWebKey, error) {
	for range 2 { // the first may have been under way for long
		fetch := k.refresh(id)
		if fetch == nil {
			break
		}
		select {
		case <-fetch:
		case <-ctx.Done():
			return jose.JSONWebKey{}, ctx.Err()
		}
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.set == nil || k.age() > maxOutage {
		return jose.JSONWebKey{}, errNoKeys
	}
	if key, known := k.set[id]; known {
		return key, nil
	}
	return jose.JSONWebKey{}, errUnknownKey
}

// refresh starts a fetch if one is due, and returns what to wait for; nil if
// the known keys suffice. While the provider is down, callers with a key that
// is still valid do not wait.
func (k *issuerKeys) refresh(id string) <-chan struct{} {
	k.mu.Lock()
	defer k.mu.Unlock()
	_, known := k.set[id]
	old := k.set == nil || k.age() > maxKeyAge
	if known && !old {
		return nil
	}
	since := k.clock().Sub(k.attempted)
	if k.fetching == nil && (k.attempted.IsZero() || since >= fetchInterval || since < 0) {
		k.attempted, k.fetching = k.clock(), make(chan struct{})
		go k.fetch(k.keysURL, k.attempted, k.fetching)
	}
	if known && k.down && k.age() <= maxOutage {
		return nil
	}
	return k.fetching // nil when it is too early to ask again
}

// age returns the age of the keys. If the clock was set back, they count as
// old.
func (k *issuerKeys) age() time.Duration {
	if age := k.clock().Sub(k.fetched); age >= 0 {
		return age
	}
	return maxOutage
}

// fetch requests the keys, and before that their URL if it is not known. A
// failure keeps the previous keys. The age of keys counts from the beginning of
// the request, which is never too late.
func (k *issuerKeys) fetch(where string, began time.Time, done chan struct{}) {
	ctx, cancel := context.WithTimeout(context.Background(), fetchTimeout)
	defer cancel()
	where, set, err := k.ask(ctx, where)
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.down = err != nil; k.down {
		k.keysURL = "" // it may have moved
		k.problem(fmt.Errorf("cannot fetch the keys of issuer %s: %w", k.issuer, err))
	} else {
		k.keysURL, k.set, k.fetched = where, set, began
	}
	k.fetching = nil
	close(done)
}

// ask requests the URL of the keys, if it is not known, and the keys.
func (k *issuerKeys) ask(ctx context.Context, where string) (string, keySet, error) {
	if where == "" {
		provider, err := oidc.NewProvider(oidc.ClientContext(ctx, k.client), k.issuer)
		if err != nil {
			return "", nil, err
		}
		var discovery struct {
			Keys string `json:"jwks_uri"`
		}
		if err := provider.Claims(&discovery); err != nil {
			return "", nil, err
		}
		if err := checkHTTPS(discovery.Keys); err != nil {
			return "", nil, fmt.Errorf("jwks_uri %q: %w", discovery.Keys, err)
		}
		where = discovery.Keys
	}
	set, err := k.get(ctx, where)
	return where, set, err
}

// get requests a key set. Any status but 200 is an error.
func (k *issuerKeys) get(ctx context.Context, where string) (keySet, error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, where, nil)
	if err != nil {
		return nil, err
	}
	answer, err := k.client.Do(request)
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return nil, errors.New(answer.Status)
	}
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		return nil, err
	}
	return parseKeys(text)
}

// CheckIssuer checks the URL of a provider. The error does not contain the URL,
// because it may contain a password, which is one of the errors.
func CheckIssuer(issuer string) error {
	if err := checkHTTPS(issuer); err != nil {
		return fmt.Errorf("identity: the URL of the issuer %w, without a password", err)
	}
	return nil
}

// checkHTTPS checks that nobody on the network can replace the keys in a
// provider's answer: https, or a server on this machine.
func checkHTTPS(address string) error {
	u, err := url.Parse(address)
	if err != nil {
		return errors.New("is not a URL")
	}
	ip := net.ParseIP(u.Hostname())
	loopback := u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
	if u.Host == "" || u.User != nil || u.Fragment != "" || u.Scheme != "https" && !(u.Scheme == "http" && loopback) {
		return errors.New("must be an https URL")
	}
	return nil
}

// limitedTransport bounds the size of an answer.
type limitedTransport struct{ http.RoundTripper }

// RoundTrip makes a request. Reading more than maxFetchBytes of the answer
// fails.
func (l limitedTransport) RoundTrip(request *http.Request) (*http.Response, error) {
	answer, err := l.RoundTripper.RoundTrip(request)
	if err == nil {
		answer.Body = http.MaxBytesReader(nil, answer.Body, maxFetchBytes)
	}
	return answer, err
}
