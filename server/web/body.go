package web

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"alkalog/service/fault"
)

// kind is the form of a request's body, as far as it matters before it is decoded.
type kind int

const (
	kindJSON        kind = iota // one message as JSON; none for a GET
	kindProto                   // one message as protobuf
	kindFramedJSON              // a frame with one message as JSON
	kindFramedProto             // a frame with one message as protobuf
)

// frameHeader is the length of what precedes a message in a frame of gRPC, gRPC-Web
// and of Connect streams: a byte of flags, and the length in four bytes.
const frameHeader = 5

// kindOf returns the form of a body by its content type, as normalizeType leaves it. A
// request without one has no body, or it is taken as JSON.
//
// The form decides how a body is checked and weighed before it is decoded (load). It says
// nothing about the RPC or about who may call it: the transcoder finds the RPC by the path
// and the type.
func kindOf(r *http.Request) kind {
	name := r.Header.Get("Content-Type")
	framed := strings.HasPrefix(name, "application/grpc") || strings.HasPrefix(name, "application/connect+")
	isJSON := name == "" || strings.HasSuffix(name, "json")
	switch {
	case framed && isJSON:
		return kindFramedJSON
	case framed:
		return kindFramedProto
	case isJSON:
		return kindJSON
	}
	return kindProto
}

// contentTypes are the types of bodies that are accepted: of JSON by path, and of the
// protocols Connect, gRPC and gRPC-Web.
var contentTypes = []string{
	"application/json", "application/proto",
	"application/grpc", "application/grpc+proto", "application/grpc-web", "application/grpc-web+proto", "application/grpc-web+json",
	"application/connect+json", "application/connect+proto",
}

// normalizeType checks the content type of a request and leaves it without parameters,
// which are compared with their exact spelling further on. A form of a web page has
// none of these types, so that no page can send one unasked.
func normalizeType(r *http.Request) (status int, problem string) {
	values := r.Header.Values("Content-Type")
	if len(values) == 0 && r.Method != http.MethodPost && r.Method != http.MethodPatch {
		return 0, ""
	}
	if len(values) == 1 {
		name, parameters, err := mime.ParseMediaType(values[0])
		charset := parameters["charset"]
		for _, accepted := range contentTypes {
			if err == nil && name == accepted && (charset == "" || strings.EqualFold(charset, "utf-8")) {
				r.Header.Set("Content-Type", name)
				return 0, ""
			}
		}
	}
	return http.StatusUnsupportedMediaType, "content-type must be application/json, or one of " + strings.Join(contentTypes[1:], ", ")
}

// body is the body of a request. It reads nothing until load is called, so that
// nothing is read of a caller that is not known yet; from then on it is in memory and
// within the bounds.
type body struct {
	raw    io.ReadCloser
	length int64 // as announced; -1: not
	kind   kind
	query  url.Values
	get    bool
	bounds Bounds
	// http1 is set for HTTP/1, where the next request is behind the body, and expects
	// if the client sends the body only when it is asked to.
	http1, expects bool

	loaded bool
	rest   []byte      // what is not read yet
	ended  atomic.Bool // the connection has no more of it
	cut    bool        // reading it was cut off
}

// newBody returns the body of a request. Nothing of it is read. It remembers what the
// transcoder changes: the query, the method and the version of HTTP.
func newBody(r *http.Request, bounds Bounds) *body {
	b := &body{raw: r.Body, length: r.ContentLength, query: r.URL.Query(), get: r.Method == http.MethodGet, bounds: bounds,
		http1: r.ProtoMajor == 1, expects: r.Header.Get("Expect") != ""}
	b.ended.Store(r.ContentLength == 0)
	return b
}

// errNotLoaded means that something reads a body before its call was admitted.
var errNotLoaded = errors.New("the body was read before the call was admitted")

// Read reads from the loaded body. Before it is loaded, reading is an error and not a
// wait: nothing may depend on the order in which the transcoder reads.
func (b *body) Read(p []byte) (int, error) {
	if !b.loaded {
		return 0, errNotLoaded
	}
	if len(b.rest) == 0 {
		return 0, io.EOF
	}
	n := copy(p, b.rest)
	b.rest = b.rest[n:]
	return n, nil
}

// Close closes the connection's side of the body.
func (b *body) Close() error { return b.raw.Close() }

// load reads the body, at most so many bytes, and checks its form. It returns how many
// bytes it takes to decode it. Nothing of it is decoded yet, so that memory can be
// reserved before. The announced length is checked first, because the transcoder
// allocates as much as a client announces.
func (b *body) load(method protoreflect.MethodDescriptor, most int) (bytes int, err error) {
	if err := b.checkQuery(method); err != nil {
		return 0, err
	}
	tooLong := fault.Invalid("request", fmt.Sprintf("must be no longer than %d bytes", most))
	if b.length > int64(most+frameHeader) {
		return 0, tooLong
	}
	text, err := io.ReadAll(io.LimitReader(b.raw, int64(most+frameHeader+1)))
	b.ended.Store(err == nil && len(text) <= most+frameHeader)
	if err != nil {
		return 0, err
	}
	message, whole := text, true
	if b.kind == kindFramedJSON || b.kind == kindFramedProto {
		message, whole = frameContent(text)
	}
	switch {
	case len(message) > most:
		return 0, tooLong
	case !whole:
		return 0, fault.Invalid("request", "must be one whole message, not compressed")
	case b.get && len(text) > 0:
		return 0, fault.Invalid("request", "a GET has no body; send its fields in the query")
	}
	b.rest, b.loaded = text, true
	if b.kind == kindProto || b.kind == kindFramedProto || len(message) == 0 {
		return len(text), nil
	}
	messages, wrong := checkJSON(method.Input(), message, b.bounds)
	if wrong != nil {
		return 0, fault.InvalidFields(*wrong)
	}
	return 2*len(text) + messages*decodedMessage, nil
}

// The rest of a body that nobody wants is read so far and for so long, so that the
// connection can be used for the next request. net/http would wait for it without end,
// before it sends the answer. Our own choices.
const (
	mostUnwanted = 64 << 10
	unwantedTime = 500 * time.Millisecond
)

// settle is called before an answer begins: it reads what is left of the body, or else
// has the connection closed behind the answer. Over HTTP/2 a body ends with its stream.
// Without it, the rest of a body that was cut off could be taken for a request, and a
// body that never comes would hold its handler.
func (b *body) settle(header http.Header, setReadDeadline func(time.Time) error) {
	if !b.http1 || b.ended.Load() && !b.cut {
		return
	}
	setReadDeadline(time.Now().Add(unwantedTime))
	if !b.cut && !b.expects && b.length <= mostUnwanted {
		if _, err := io.CopyN(io.Discard, b.raw, mostUnwanted+1); err == io.EOF {
			setReadDeadline(time.Time{})
			return
		}
	}
	// The deadline stays: net/http goes on reading when the answer is sent.
	header.Set("Connection", "close")
}

// decodedMessage is what a decoded message needs besides its text, in bytes; measured
// sizes of the contract's structs are 60 to 500.
const decodedMessage = 400

// frameContent returns the message of a body that is one frame. whole is false if it
// is anything else: a part of one, two of them, or one that is marked as compressed.
func frameContent(text []byte) (message []byte, whole bool) {
	if len(text) < frameHeader || text[0] != 0 {
		return nil, false
	}
	message = text[frameHeader:]
	return message, uint64(binary.BigEndian.Uint32(text[1:frameHeader])) == uint64(len(message))
}

// fits reports whether a text of a query is a value of a field. The contract has no
// lists in queries, and of messages only times. The transcoder would refuse the same,
// without naming the field to programs.
func fits(field protoreflect.FieldDescriptor, text string) bool {
	if field.IsList() || len(text) > maxQueryText || !utf8.ValidString(text) {
		return false
	}
	switch field.Kind() {
	case protoreflect.StringKind:
		return true
	case protoreflect.BoolKind:
		return text == "true" || text == "false"
	case protoreflect.Int32Kind:
		_, err := strconv.ParseInt(text, 10, 32)
		return err == nil
	case protoreflect.Int64Kind:
		_, err := strconv.ParseInt(text, 10, 64)
		return err == nil
	case protoreflect.EnumKind:
		_, err := strconv.ParseInt(text, 10, 32)
		return err == nil || field.Enum().Values().ByName(protoreflect.Name(text)) != nil
	case protoreflect.MessageKind:
		_, err := time.Parse(time.RFC3339Nano, text)
		return err == nil && field.Message().FullName() == "google.protobuf.Timestamp"
	}
	return false
}

// pathVariable is a variable of a path, such as {name=chains/*}.
var pathVariable = regexp.MustCompile(`\{([a-z_]+)=`)

// pathFields returns the fields that a method has in its path. Otherwise a query could
// say another name than the path that is logged on the way.
func pathFields(method protoreflect.MethodDescriptor) (names []string) {
	rule, _ := proto.GetExtension(method.Options(), annotations.E_Http).(*annotations.HttpRule)
	for _, variable := range pathVariable.FindAllStringSubmatch(rule.GetGet(), -1) {
		names = append(names, variable[1])
	}
	return names
}

// maxQueryText is the longest value in a query, in bytes; our own choice, longer than
// a page token.
const maxQueryText = 2000

// typeName returns the type of a field for an error, by its name in the contract.
func typeName(field protoreflect.FieldDescriptor) string {
	if field.Message() != nil {
		return string(field.Message().FullName())
	}
	if field.Enum() != nil {
		return string(field.Enum().FullName())
	}
	return field.Kind().String()
}

// checkQuery refuses a query that is not the request of a GET: fields of other methods
// stand in the body, where nobody logs them.
func (b *body) checkQuery(method protoreflect.MethodDescriptor) error {
	if len(b.query) == 0 {
		return nil
	}
	input, inPath := method.Input(), pathFields(method)
	var wrong []fault.Violation
	for name := range b.query {
		field := input.Fields().ByJSONName(name)
		if field == nil {
			field = input.Fields().ByName(protoreflect.Name(name))
		}
		switch {
		case !b.get:
			return fault.Invalid("request", "this method has no query; send its fields in the body")
		case field == nil:
			wrong = append(wrong, fault.Violation{Field: name, Want: "is no field of this request"})
		case slices.Contains(inPath, string(field.Name())):
			wrong = append(wrong, fault.Violation{Field: name, Want: "stands in the path"})
		case len(b.query[name]) != 1:
			wrong = append(wrong, fault.Violation{Field: name, Want: "must be sent once"})
		case !fits(field, b.query[name][0]):
			wrong = append(wrong, fault.Violation{Field: name, Want: "must be a value of type " + typeName(field)})
		}
	}
	if len(wrong) > 0 {
		return fault.InvalidFields(wrong...)
	}
	return nil
}
