// Package web is the server's door for browsers and for programs without gRPC: the
// same services over HTTP/1.1 and HTTP/2 as Connect, gRPC-Web, gRPC and JSON. The
// paths of JSON are the contract's google.api.http options.
//
// # What a request passes
//
//  1. Host and Origin (origins.go): a page of another site must not reach the server
//     through the browser of somebody who can, not even by a name that resolves to
//     this machine (DNS rebinding).
//  2. The transcoder (connectrpc.com/vanguard): it finds the method and translates
//     the client's protocol to that of gRPC. It reads nothing yet.
//  3. The method's own interceptors, which are those of the gRPC listener
//     (Method.Serve): identity, quotas, access. They see the call as a
//     grpc.ServerStream (stream.go).
//  4. The body (body.go), when the interceptors ask for the request: it is read
//     within a limit, and JSON is checked for nesting, items and messages before
//     anything is decoded, as package serve does with the bytes of protobuf.
//
// # Threads
//
// The transcoder is not safe for concurrent use: while it decodes a request it can
// write an error. The HTTP handler of grpc-go reads the body in a goroutine of its
// own, while the call may already be ending, so that both could write to the same
// headers. A Stream therefore reads only when it is asked to, and waits for a read or
// write under way before it ends a call.
//
// # Answers and errors
//
// Every error is a google.rpc.Status with the details of the gRPC listener: as JSON by
// path it is the body, in Connect and gRPC-Web it has the form of those protocols. The
// status of HTTP follows from the code. What does not reach a method is answered as a
// google.rpc.Status in JSON by the door itself (refuse).
//
// JSON is the ProtoJSON format: names in lowerCamelCase, 64-bit numbers as text, times
// in RFC 3339, bytes in base64. A field without a value is left out.
//
// # Clients that are slow
//
// A body that does not arrive is bounded by the deadline of the call, a head by
// net/http, and an unproven connection by the listener. An answer that is not read
// counts as unsent memory of its caller, and its connection is closed after a time
// (writer.go).
//
// # What is refused
//
// Compressed requests, because a short one can be decompressed to a long one, and
// because requests are short. Requests with more than one message: the contract has no
// streams from the client. Fields of JSON that the contract does not have.
package web

import (
	"fmt"
	"io/fs"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"connectrpc.com/vanguard"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// Method is one RPC behind the door. Package serve makes one for each RPC that it
// registers, so there is no second list of what can be called.
type Method struct {
	// Descriptor is the method in the contract.
	Descriptor protoreflect.MethodDescriptor
	// Serve handles a call: it passes the interceptors and then the service. Its
	// error is a status, or nil. It calls RecvMsg once, when the caller is known and
	// there is room for the request.
	Serve func(grpc.ServerStream) error
}

// Bounds are the limits of a request, beyond those of the contract. They are those of
// package serve, for JSON: what is refused as protobuf is refused as JSON too.
type Bounds struct {
	// RequestBytes is the longest body.
	RequestBytes int
	// Depth, Messages and Fields bound what JSON may hold; MaxItems is how many
	// items a list may have.
	Depth, Messages, Fields int
	MaxItems                func(protoreflect.FieldDescriptor) int
	// StalledTime is how long a client may take to read a part of an answer.
	StalledTime time.Duration
}

// Config configures a door. Everything but Page and Documents is required.
type Config struct {
	// Methods are the RPCs by full name, such as "/alkalog.v1.AuditService/ListEntries".
	Methods map[string]Method
	Bounds  Bounds
	Origins Origins
	// Admit bounds requests that need no identity: documents and unknown paths. An
	// error refuses the request.
	Admit func(*http.Request) error
	// Page holds the files that are served at "/"; nil: none.
	Page fs.FS
	// Documents are served by path, such as "/openapi.yaml".
	Documents map[string]Document
}

// Document is a file that describes the API.
type Document struct {
	Type string // content type
	Body []byte
}

// Door is the HTTP handler of the web listener. One serves all connections.
type Door struct {
	cfg        Config
	transcoder http.Handler
	page       http.Handler // nil: none
	calls      sync.WaitGroup
}

// New returns the handler for the methods of cfg. A method whose path the transcoder
// cannot route is an error. The transcoder believes that it talks to a server of gRPC
// without compression (serveCall), so every form of a request arrives there as one.
func New(cfg Config) (*Door, error) {
	d := &Door{cfg: cfg}
	if cfg.Page != nil {
		d.page = http.FileServerFS(cfg.Page)
	}
	var services []*vanguard.Service
	seen := map[protoreflect.FullName]bool{}
	for _, m := range cfg.Methods {
		service := m.Descriptor.Parent().(protoreflect.ServiceDescriptor)
		if !seen[service.FullName()] {
			seen[service.FullName()] = true
			services = append(services, vanguard.NewServiceWithSchema(service, http.HandlerFunc(d.serveCall)))
		}
	}
	transcoder, err := vanguard.NewTranscoder(services,
		vanguard.WithDefaultServiceOptions(
			vanguard.WithTargetProtocols(vanguard.ProtocolGRPC), vanguard.WithTargetCodecs(vanguard.CodecProto),
			vanguard.WithNoTargetCompression(), vanguard.WithMaxMessageBufferBytes(maxAnswerBytes)),
		vanguard.WithCodec(newCodec(cfg.Bounds.Depth)),
		vanguard.WithUnknownHandler(http.HandlerFunc(d.serveUnknown)))
	if err != nil {
		return nil, fmt.Errorf("the paths of the contract: %w", err)
	}
	d.transcoder = d.cfg.Origins.allow(transcoder)
	return d, nil
}

// maxAnswerBytes is the longest answer in any form. Our own choice: the longest of the
// contract is about 3 MiB as protobuf, and JSON is several times as long.
const maxAnswerBytes = 32 << 20

// ServeHTTP serves one request. What is cheap to refuse is refused first: a page of
// another site, a form that nothing accepts. Then documents are served, and everything
// else goes to the transcoder with its body still unread.
func (d *Door) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	d.calls.Add(1)
	defer d.calls.Done()
	body := newBody(r, d.cfg.Bounds)
	out := &countedWriter{ResponseWriter: w, controller: http.NewResponseController(w), body: body, stalled: d.cfg.Bounds.StalledTime}
	setHeaders(out.Header())
	if status, problem := d.cfg.Origins.check(r); status != 0 {
		refuse(out, status, problem)
		return
	}
	if status, problem := checkForm(r); status != 0 {
		refuse(out, status, problem)
		return
	}
	if d.serveDocument(out, r) {
		return
	}
	// The context leads from the transcoder's request back to what it wraps. The form
	// of the body is known now that its type is normalized.
	body.kind = kindOf(r)
	r = r.WithContext(withExchange(r.Context(), &exchange{body: body, out: out}))
	r.Body = body
	d.transcoder.ServeHTTP(out, r)
	out.Flush() // here, where a client that does not read is noticed
}

// Wait returns when no request is being handled. A server that shuts down waits for it
// after it has closed its connections, because net/http does not wait for handlers.
func (d *Door) Wait() { d.calls.Wait() }

// setHeaders sets what every answer has: browsers must not guess types, show the
// server's pages in frames of others, or keep answers.
func setHeaders(h http.Header) {
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", "default-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'")
}

// verbs are the methods of HTTP that the door knows.
var verbs = []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPatch, http.MethodOptions}

// checkForm refuses a request whose form no part of the door accepts. status is 0 if
// it is accepted.
func checkForm(r *http.Request) (status int, problem string) {
	if !slices.Contains(verbs, r.Method) {
		return http.StatusMethodNotAllowed, "use GET, POST or PATCH, as the contract's google.api.http says"
	}
	if !utf8.ValidString(r.URL.Path) {
		return http.StatusBadRequest, "the path must be UTF-8"
	}
	for _, header := range []string{"Content-Encoding", "Connect-Content-Encoding", "Grpc-Encoding"} {
		for _, value := range r.Header.Values(header) {
			if value != "" && !strings.EqualFold(value, "identity") {
				return http.StatusUnsupportedMediaType, header + ": send requests without compression"
			}
		}
	}
	return normalizeType(r)
}

// serveDocument serves the documents and the page. It reports whether the request was
// for one of them.
func (d *Door) serveDocument(w http.ResponseWriter, r *http.Request) bool {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		return false
	}
	document, known := d.cfg.Documents[r.URL.Path]
	page := d.page != nil && !strings.HasPrefix(r.URL.Path, "/v1")
	if !known && !page {
		return false
	}
	if err := d.cfg.Admit(r); err != nil {
		refuse(w, http.StatusTooManyRequests, err.Error())
		return true
	}
	if !known {
		d.page.ServeHTTP(w, r)
		return true
	}
	w.Header().Set("Content-Type", document.Type)
	w.Header().Set("Content-Length", fmt.Sprint(len(document.Body)))
	if r.Method == http.MethodGet {
		w.Write(document.Body)
	}
	return true
}

// serveUnknown answers a path that no RPC has.
func (d *Door) serveUnknown(w http.ResponseWriter, r *http.Request) {
	if err := d.cfg.Admit(r); err != nil {
		refuse(w, http.StatusTooManyRequests, err.Error())
		return
	}
	refuse(w, http.StatusNotFound, "there is no such path; /openapi.yaml lists all paths")
}
