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

// How the keys of an identity provider are kept; our own choices, because a
// provider does not say.
const (
	fetchEvery = 30 * time.Second // least time between two fetches, whatever came in
	keysAge    = 15 * time.Minute // a key that was withdrawn works no longer than this
	outage     = time.Hour        // how long keys are good while the provider does not answer
	fetchTime  = 5 * time.Second
	fetchBytes = 1 << 20
)

// issuerKeys is the key set of an identity provider, fetched when it is needed.
//
// A provider that answers is asked again when the keys are older than 15
// minutes, so a withdrawn key is no longer believed after that. While it does
// not answer, nobody can learn of a withdrawal, and the salons must go on: then
// the last keys are good for an hour from when they were fetched, and after it
// nobody comes in. (The library has a key set too. It keeps a withdrawn key for
// ever, and fetches for every unknown id.)
type issuerKeys struct {
	issuer  string
	client  *http.Client
	clock   func() time.Time
	problem func(error)

	mu       sync.Mutex
	where    string // address of the keys, as the provider told; empty: not asked yet
	set      keySet
	fetched  time.Time     // when set was asked for
	tried    time.Time     // when anything was asked for
	down     bool          // the last answer was of no use
	fetching chan struct{} // closed when the fetch under way has ended; nil: none is
}

// newIssuerKeys is the key set of the provider with the given URL.
func newIssuerKeys(issuer string, clock func() time.Time, problem func(error)) (*issuerKeys, error) {
	if err := CheckIssuer(issuer); err != nil {
		return nil, err
	}
	client := &http.Client{
		Timeout:       fetchTime,
		Transport:     limited{http.DefaultTransport},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return &issuerKeys{issuer: issuer, client: client, clock: clock, problem: problem}, nil
}

// find returns a key, and asks the provider first if that may tell more.
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
	if k.set == nil || k.age() > outage {
		return jose.JSONWebKey{}, errNoKeys
	}
	if key, known := k.set[id]; known {
		return key, nil
	}
	return jose.JSONWebKey{}, errUnknownKey
}

// refresh begins a fetch if one is due, and returns what to wait for; nil when
// what is known will do. While the provider is down nobody waits for it who has
// a key that is still good.
func (k *issuerKeys) refresh(id string) <-chan struct{} {
	k.mu.Lock()
	defer k.mu.Unlock()
	_, known := k.set[id]
	old := k.set == nil || k.age() > keysAge
	if known && !old {
		return nil
	}
	since := k.clock().Sub(k.tried)
	if k.fetching == nil && (k.tried.IsZero() || since >= fetchEvery || since < 0) {
		k.tried, k.fetching = k.clock(), make(chan struct{})
		go k.fetch(k.where, k.tried, k.fetching)
	}
	if known && k.down && k.age() <= outage {
		return nil
	}
	return k.fetching // nil when it is too early to ask again
}

// age is how old the keys are. A clock that was set back makes them old.
func (k *issuerKeys) age() time.Duration {
	if age := k.clock().Sub(k.fetched); age >= 0 {
		return age
	}
	return outage
}

// fetch asks the provider for its keys, and for where they are if need be.
func (k *issuerKeys) fetch(where string, began time.Time, done chan struct{}) {
	ctx, cancel := context.WithTimeout(context.Background(), fetchTime)
	defer cancel()
	where, set, err := k.ask(ctx, where)
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.down = err != nil; k.down {
		k.where = "" // it may have moved
		k.problem(fmt.Errorf("the keys of issuer %s cannot be had: %w", k.issuer, err))
	} else {
		k.where, k.set, k.fetched = where, set, began
	}
	k.fetching = nil
	close(done)
}

func (k *issuerKeys) ask(ctx context.Context, where string) (string, keySet, error) {
	if where == "" {
		provider, err := oidc.NewProvider(oidc.ClientContext(ctx, k.client), k.issuer)
		if err != nil {
			return "", nil, err
		}
		var told struct {
			Keys string `json:"jwks_uri"`
		}
		if err := provider.Claims(&told); err != nil {
			return "", nil, err
		}
		if err := private(told.Keys); err != nil {
			return "", nil, fmt.Errorf("jwks_uri %q: %w", told.Keys, err)
		}
		where = told.Keys
	}
	set, err := k.get(ctx, where)
	return where, set, err
}

// get fetches a key set.
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

// CheckIssuer checks that a URL can be that of a provider. The URL is no part of
// the error: it may hold a password, which is one thing that is wrong with it.
func CheckIssuer(issuer string) error {
	if err := private(issuer); err != nil {
		return fmt.Errorf("identity: the URL of the issuer %w, without a password", err)
	}
	return nil
}

// private checks that nobody between here and a provider can put keys of their
// own in its answer: https, or this machine.
func private(address string) error {
	u, err := url.Parse(address)
	if err != nil {
		return errors.New("is no URL")
	}
	ip := net.ParseIP(u.Hostname())
	loopback := u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
	if u.Host == "" || u.User != nil || u.Fragment != "" || u.Scheme != "https" && !(u.Scheme == "http" && loopback) {
		return errors.New("must be an https URL")
	}
	return nil
}

// limited reads no more of an answer than we want to hold.
type limited struct{ http.RoundTripper }

// RoundTrip makes a request whose answer is an error beyond fetchBytes.
func (l limited) RoundTrip(request *http.Request) (*http.Response, error) {
	answer, err := l.RoundTripper.RoundTrip(request)
	if err == nil {
		answer.Body = http.MaxBytesReader(nil, answer.Body, fetchBytes)
	}
	return answer, err
}
