package integration

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// The promise of TestMutatedRequests, for the web door: any request in any form ends
// with a code that the contract lists, and a call that fails writes nothing.

// TestMutatedRequestsOverTheWeb sends changed requests in all forms, and JSON with a
// part of its text replaced.
func TestMutatedRequestsOverTheWeb(t *testing.T) {
	t.Parallel()
	s, door := newWebServer(t)
	s.fuzz(t, func(t *testing.T, who person, r rpc, req proto.Message, m *mutator) (proto.Message, error) {
		ctx := who.identify(t.Context())
		form := pick(m, webForms...)
		if _, err := protojson.Marshal(req); err != nil && form != formGRPC && form != formGRPCWeb {
			form = formConnect // it cannot be written as JSON
		}
		if m.IntN(3) > 0 || form == formGRPC || form == formGRPCWeb || form == formConnect {
			return door.ask(ctx, form, r, req)
		}
		return nil, door.askChanged(ctx, t, r, req, m)
	})
}

// fragments replace parts of JSON.
var fragments = []string{
	"", "null", "{", "}", "[", "]", "[[[[", `{"a":`, ",", `""`, "-1", "1e309", "1e-400", "123456789012345678901234567890", "0.5", "true", "NaN", `"NaN"`,
	`"\u0000"`, `"\ud800"`, "\xff", `"2026-13-45T99:99:99Z"`, `"0001-01-01T00:00:00Z"`, `"9999-12-31T23:59:59.999999999Z"`, `"a,b,c"`, strings.Repeat("[", 200), strings.Repeat(`{"x":`, 200), `"` + strings.Repeat("x", 5000) + `"`,
}

// askChanged sends a request as JSON by path with some of its text replaced. Streams
// have no path and are sent to the path of Connect.
func (d webDoor) askChanged(ctx context.Context, t *testing.T, r rpc, req proto.Message, m *mutator) error {
	t.Helper()
	verb, address, text := http.MethodPost, r.path(), []byte(nil)
	var err error
	if r.IsStreamingServer() {
		text, err = protojson.Marshal(req)
	} else {
		verb, address, text, err = byPath(r, req)
	}
	if errors.Is(err, errOtherPath) {
		_, err := d.ask(ctx, formConnectJSON, r, req)
		return err
	}
	if err != nil {
		t.Fatal(err)
	}
	for range 1 + m.IntN(3) {
		from := m.IntN(len(text) + 1)
		to := min(len(text), from+m.IntN(8))
		text = bytes.Join([][]byte{text[:from], text[to:]}, []byte(pick(m, fragments...)))
	}
	request, err := http.NewRequestWithContext(ctx, verb, d.base+address, bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/json")
	if r.IsStreamingServer() {
		request.Header.Set("Content-Type", "application/connect+json")
	}
	identifyHTTP(ctx, request.Header)
	response, err := d.client.Do(request)
	if err != nil {
		return err
	}
	defer response.Body.Close()
	answer, err := io.ReadAll(response.Body)
	switch {
	case err != nil:
		return err
	case r.IsStreamingServer():
		// Connect ends a stream with HTTP 200 and the error in its last frame.
		if response.StatusCode != http.StatusOK || bytes.Contains(answer, []byte(`"error"`)) {
			return status.Error(codes.InvalidArgument, string(answer))
		}
		return nil
	case response.StatusCode == http.StatusOK:
		return nil
	}
	return statusOfJSON(response.StatusCode, answer)
}
