package web

import (
	"crypto/x509"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/rs/cors"
)

// Origins says by which names the server may be called, and which pages may call it.
//
// A web page can make a browser send requests to any address, also to one that only
// the browser's own machine reaches, and with the client certificate that the browser
// has. Without these checks a page that somebody opens at the till could record
// something there. Programs other than browsers are not restricted by them.
type Origins struct {
	// Hosts are the names by which clients call the server.
	Hosts []string
	// Loopback adds the names of this machine: localhost and loopback addresses.
	Loopback bool
	// Certificate returns the server's certificate, whose names are added; nil: none.
	Certificate func() *x509.Certificate
	// Allowed are the origins of pages that may call the server, such as
	// "https://till.example.org". The server's own origin always may.
	Allowed []string
}

// CheckOrigin reports whether text is an origin as browsers send it: scheme and host,
// and nothing else. "*" and "null" are none.
func CheckOrigin(text string) bool {
	u, err := url.Parse(text)
	return err == nil && (u.Scheme == "https" || u.Scheme == "http") && u.Host != "" && u.Scheme+"://"+u.Host == text && text == strings.ToLower(text)
}

// check refuses a request for another host or from a page of another site. status is 0
// if it may pass.
//
// A browser sends Origin with every request that could change something, and
// Sec-Fetch-Site (W3C, Fetch Metadata Request Headers) with those that could not.
// Other programs send neither.
func (o Origins) check(r *http.Request) (status int, problem string) {
	if !o.knows(r.Host) {
		return http.StatusMisdirectedRequest, "this server is not called by that name; its operator adds names with --web-host"
	}
	origins := r.Header.Values("Origin")
	if len(origins) > 1 {
		return http.StatusForbidden, "send one Origin"
	}
	if len(origins) == 1 {
		if o.own(r, origins[0]) || slices.Contains(o.Allowed, origins[0]) {
			return 0, ""
		}
		return http.StatusForbidden, "pages of that origin may not call this server; its operator adds origins with --web-origin"
	}
	site := r.Header.Get("Sec-Fetch-Site")
	navigates := r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Method == http.MethodGet && !strings.HasPrefix(r.URL.Path, "/v1")
	if site == "" || site == "same-origin" || site == "none" || navigates {
		return 0, ""
	}
	return http.StatusForbidden, "pages of other sites may not call this server"
}

// knows reports whether the server is called by the name in a Host header. A request
// without one is refused. The port is not compared, because proxies have others, and
// because rebinding cannot forge a name.
func (o Origins) knows(hostport string) bool {
	host := hostport
	if name, _, err := net.SplitHostPort(hostport); err == nil {
		host = name
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
	if host == "" {
		return false
	}
	if slices.Contains(o.Hosts, host) {
		return true
	}
	ip := net.ParseIP(host)
	if o.Loopback && (host == "localhost" || ip != nil && ip.IsLoopback()) {
		return true
	}
	if o.Certificate == nil {
		return false
	}
	certificate := o.Certificate()
	return certificate != nil && certificate.VerifyHostname(host) == nil
}

// own reports whether an origin is that of the server as the request calls it.
func (o Origins) own(r *http.Request, origin string) bool {
	scheme := "http://"
	if r.TLS != nil {
		scheme = "https://"
	}
	return strings.EqualFold(origin, scheme+r.Host)
}

// The headers that pages may send, and those of answers that they may read: of the
// protocols (connectrpc.com, CORS), and what this server itself reads.
var (
	sentHeaders = []string{
		"Content-Type", "Connect-Protocol-Version", "Connect-Timeout-Ms", "Grpc-Timeout", "X-Grpc-Web", "X-User-Agent", "X-Server-Timeout",
		"Authorization", "Accept-Language", "Traceparent", "Alkalog-Revision", "Alkalog-Till", "Alkalog-Till-Version",
	}
	readHeaders = []string{"Grpc-Status", "Grpc-Message", "Grpc-Status-Details-Bin"}
)

// allow answers the questions that browsers ask before they let a page of another
// origin call (Fetch, CORS protocol). check has refused origins that are not allowed,
// so this only tells browsers of those that are. Credentials of the browser, such as
// cookies, are not allowed: callers are identified by the authorization header.
func (o Origins) allow(next http.Handler) http.Handler {
	if len(o.Allowed) == 0 {
		return next
	}
	return cors.New(cors.Options{
		AllowedOrigins: o.Allowed,
		AllowedMethods: []string{http.MethodGet, http.MethodPost, http.MethodPatch},
		AllowedHeaders: sentHeaders,
		ExposedHeaders: readHeaders,
		MaxAge:         7200, // seconds; browsers use no longer time (Chromium)
	}).Handler(next)
}
