package web

import (
	"crypto/tls"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// testBounds are small, so that a test reaches them.
var testBounds = Bounds{RequestBytes: 1000, Depth: 5, Messages: 6, Fields: 12, MaxItems: func(protoreflect.FieldDescriptor) int { return 3 }}

// TestCheckJSON checks the bounds of JSON at each bound and one beyond it.
func TestCheckJSON(t *testing.T) {
	t.Parallel()
	update := (*pb.UpdateClientRequest)(nil).ProtoReflect().Descriptor()
	events := (*pb.RecordEventsRequest)(nil).ProtoReflect().Descriptor()
	for text, c := range map[string]struct {
		input protoreflect.MessageDescriptor
		says  string // empty: passes
	}{
		`{}`:                                               {update, ""},
		`{"client":{"displayName":"x"}}`:                   {update, ""},
		`{"client":{"display_name":"x"}}`:                  {update, ""},
		`{"client":null}`:                                  {update, ""},
		`{"updateMask":"a,b,c"}`:                           {update, ""},
		`{"updateMask":"a,b,c,d"}`:                         {update, "update_mask.paths: must contain no more than 3"},
		`{"updateMask":{"paths":["a"]}}`:                   {update, "update_mask: has the wrong type"},
		`{"client":{"nothing":1}}`:                         {update, "client.nothing: is no field"},
		`{"client":[{}]}`:                                  {update, "client: has the wrong type"},
		`{"events":[{},{},{}]}`:                            {events, ""},
		`{"events":[{},{},{},{}]}`:                         {events, "events: must contain no more than 3"},
		`{"events":[{"note":{"nothing":1}}]}`:              {events, "events[0].note.nothing: is no field"},
		`{"events":[{},{"note":{"text":["x"]}}]}`:          {events, "events[1].note.text: has the wrong type"},
		`{"events":{}}`:                                    {events, "events: has the wrong type"},
		`{"events":[[]]}`:                                  {events, "events[0]: has the wrong type"},
		`{"events":[{"note":{}},{"note":{}},{"note":{}}]}`: {events, "no more than 6 messages"},
		`{"events":[{"eventId":"","eventId":"","eventId":""},{"eventId":"","eventId":"","eventId":"","eventId":"","eventId":"","eventId":"","eventId":""}]}`: {events, "no more than 12 fields"},
		`{"echo":{"elapsedMs":1e999999999}}`: {events, ""}, // a value, for the decoder
		`[]`:                                 {events, "well-formed"},
		`{`:                                  {events, "well-formed"},
		`{} {}`:                              {events, "well-formed"},
		`{"events":[}`:                       {events, "well-formed"},
		`null`:                               {events, "well-formed"},
		``:                                   {events, "well-formed"},
		`{"\u202e\u001b[31m":1}`:             {events, "???31m: is no field"},
	} {
		_, wrong := checkJSON(c.input, []byte(text), testBounds)
		said := ""
		if wrong != nil {
			said = wrong.Field + ": " + wrong.Want
		}
		if (c.says == "") != (wrong == nil) || !strings.Contains(said, c.says) {
			t.Errorf("%s: %q, want %q", text, said, c.says)
		}
	}
	if n, _ := checkJSON(events, []byte(`{"events":[{"note":{}},{}]}`), testBounds); n != 4 {
		t.Errorf("%d messages counted, want 4", n)
	}
}

// TestParseTimeout has the grammar of grpc-timeout: one to eight digits and a unit
// (grpc, PROTOCOL-HTTP2.md, Requests).
func TestParseTimeout(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]time.Duration{
		"1S": time.Second, "250m": 250 * time.Millisecond, "99999999u": 99999999 * time.Microsecond, "5n": 5, "2H": 2 * time.Hour, "3M": 3 * time.Minute,
		"0S": 0, "99999999H": math.MaxInt64,
		"": -1, "S": -1, "1": -1, "1s": -1, "-1S": -1, "+1S": -1, "1.5S": -1, "100000000S": -1, " 1S": -1, "1 S": -1, "0x1S": -1,
	} {
		got, ok := parseTimeout(text)
		if ok != (want >= 0) || ok && got != want {
			t.Errorf("%q: %v, %t, want %v", text, got, ok, want)
		}
	}
}

// TestCheckOrigin: only what browsers send as an origin can be listed.
func TestCheckOrigin(t *testing.T) {
	t.Parallel()
	for origin, want := range map[string]bool{
		"https://till.example": true, "http://localhost:5173": true, "https://till.example:444": true,
		"*": false, "null": false, "": false, "till.example": false, "https://till.example/": false, "https://till.example/page": false,
		"https://Till.example": false, "ftp://till.example": false, "https://": false, "https://u@till.example": false, "https://till.example?x": false,
	} {
		if CheckOrigin(origin) != want {
			t.Errorf("%q: %t, want %t", origin, !want, want)
		}
	}
}

// TestOwnOriginNeedsTheScheme: a page in the clear is not the page of a server with TLS.
func TestOwnOriginNeedsTheScheme(t *testing.T) {
	t.Parallel()
	for origin, want := range map[string]int{"https://localhost": 0, "http://localhost": http.StatusForbidden} {
		r := httptest.NewRequest("GET", "/v1/chains", nil)
		r.Host, r.TLS = "localhost", new(tls.ConnectionState)
		r.Header.Set("Origin", origin)
		if status, _ := (Origins{Loopback: true}).check(r); status != want {
			t.Errorf("%s: %d, want %d", origin, status, want)
		}
	}
}

// TestPercentEncode has what a header of gRPC cannot hold.
func TestPercentEncode(t *testing.T) {
	t.Parallel()
	if got, want := percentEncode("100 % \u00e9\n"), "100 %25 %C3%A9%0A"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// FuzzCheckJSON looks for text that the check does not survive.
func FuzzCheckJSON(f *testing.F) {
	f.Add([]byte(`{"events":[{"note":{"text":"x"}}],"echo":{"elapsedMs":"1"}}`))
	f.Add([]byte(`{"updateMask":"a,b","client":{}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		if n, wrong := checkJSON((*pb.RecordEventsRequest)(nil).ProtoReflect().Descriptor(), text, testBounds); wrong == nil && n > testBounds.Messages {
			t.Errorf("%d messages pass", n)
		}
	})
}
