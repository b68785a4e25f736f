package integration

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/encoding/protojson"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity/identitytest"
	"alkalog/server/serve"
)

// The promise: nothing that anybody sends to the web door stops it, is taken for
// something else, or is decoded before the caller is known.

// rawRequest is a request as bytes.
func rawRequest(line string, headers []string, body string) string {
	return line + " HTTP/1.1\r\n" + strings.Join(append(headers, "", ""), "\r\n") + body
}

// sendRaw sends bytes and returns the status and the body of the first answer; 0 when
// the connection was closed without one.
func (d webDoor) sendRaw(t testing.TB, text string) (int, string) {
	t.Helper()
	conn, err := net.Dial("tcp", strings.TrimPrefix(d.base, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(waitTimeout))
	go io.WriteString(conn, text) // an answer can come before everything is sent
	response, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		return 0, err.Error()
	}
	defer response.Body.Close()
	body, _ := io.ReadAll(response.Body)
	return response.StatusCode, string(body)
}

// headersOf are the headers of a call by a person.
func headersOf(t testing.TB, who person, more ...string) []string {
	md, _ := metadata.FromOutgoingContext(who.identify(t.Context()))
	return append([]string{"Host: 127.0.0.1", "Authorization: " + md.Get("authorization")[0]}, more...)
}

// TestWebHostsAndOrigins: only requests for a name of this server, and of its own
// pages, are answered.
func TestWebHostsAndOrigins(t *testing.T) {
	t.Parallel()
	s, door := newWebServer(t, func(cfg *serve.Config) { cfg.WebHosts = []string{"Salon.Example"} })
	c := s.newChain(t, "ebb-and-flow")
	identity := headersOf(t, c.odile)[1]
	for headers, want := range map[string]int{
		"Host: 127.0.0.1":                             200,
		"Host: 127.0.0.1:9":                           200,
		"Host: localhost:7421":                        200,
		"Host: LOCALHOST.":                            200,
		"Host: [::1]:7421":                            200,
		"Host: salon.example":                         200,
		"Host: salon.example.evil.example":            421,
		"Host: evil.example":                          421,
		"Host: 10.0.0.1":                              421,
		"Host: 127.0.0.1.evil.example":                421,
		"Host: localhost\r\nHost: localhost":          400,
		"Host:":                                       421,
		"X-Nothing: at all":                           400, // HTTP/1.1 without Host
		"Host: localhost\r\nOrigin: null":             403,
		"Host: localhost\r\nOrigin: http://localhost": 200,
		"Host: localhost:7421\r\nOrigin: http://localhost:7421":                          200,
		"Host: localhost:7421\r\nOrigin: http://localhost:7422":                          403,
		"Host: localhost\r\nOrigin: https://localhost":                                   403,
		"Host: localhost\r\nOrigin: http://evil.example":                                 403,
		"Host: evil.example\r\nOrigin: http://evil.example":                              421,
		"Host: localhost\r\nOrigin: http://localhost\r\nOrigin: http://localhost":        403,
		"Host: localhost\r\nSec-Fetch-Site: cross-site":                                  403,
		"Host: localhost\r\nSec-Fetch-Site: same-site":                                   403,
		"Host: localhost\r\nSec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: navigate":      403,
		"Host: localhost\r\nSec-Fetch-Site: same-origin":                                 200,
		"Host: localhost\r\nX-Forwarded-Host: evil.example\r\nX-Forwarded-For: 10.0.0.1": 200,
	} {
		status, body := door.sendRaw(t, rawRequest("GET /v1/"+c.name, []string{headers, identity}, ""))
		if status != want {
			t.Errorf("%q: HTTP %d %s, want %d", headers, status, body, want)
		}
	}
	// An absolute form takes precedence over Host (RFC 9112, section 3.2.2).
	if status, _ := door.sendRaw(t, rawRequest("GET http://evil.example/v1/"+c.name, []string{"Host: localhost", identity}, "")); status != 421 {
		t.Errorf("an absolute form with another host: HTTP %d", status)
	}
}

// TestWebCrossOrigin: pages of listed origins may call, with the answers that browsers
// ask for before; others may not.
func TestWebCrossOrigin(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	i := identitytest.New(t, s.clock.Now)
	s.stop()
	twin := &testServer{clock: s.clock, database: s.database, sql: s.sql, keys: s.keys}
	twin.configure = func(cfg *serve.Config) {
		cfg.Development, cfg.JWKS, cfg.WebAddress, cfg.WebOrigins = false, i.JWKS, "127.0.0.1:0", []string{"https://till.example"}
	}
	twin.start(t)
	ask := func(verb, origin string, more ...string) *http.Response {
		request, err := http.NewRequest(verb, "http://"+twin.web+"/v1/"+c.name, nil)
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Origin", origin)
		request.Header.Set("Authorization", "Bearer "+i.Token(t, "manager", c.odile.name))
		for n := 0; n < len(more); n += 2 {
			request.Header.Set(more[n], more[n+1])
		}
		response, err := http.DefaultClient.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		response.Body.Close()
		return response
	}
	const allowed = "Access-Control-Allow-Origin"
	preflight := []string{"Access-Control-Request-Method", "PATCH", "Access-Control-Request-Headers", "alkalog-till,authorization,content-type"}
	if r := ask("OPTIONS", "https://till.example", preflight...); r.StatusCode != 204 || r.Header.Get(allowed) != "https://till.example" ||
		r.Header.Get("Access-Control-Allow-Methods") != "PATCH" || r.Header.Get("Access-Control-Allow-Credentials") != "" {
		t.Errorf("the question before a call: HTTP %d, %v", r.StatusCode, r.Header)
	}
	if r := ask("GET", "https://till.example"); r.StatusCode != 200 || r.Header.Get(allowed) != "https://till.example" || !strings.Contains(r.Header.Get("Vary"), "Origin") {
		t.Errorf("a call of a listed origin: HTTP %d, %v", r.StatusCode, r.Header)
	}
	for _, origin := range []string{"https://evil.example", "null", "https://till.example.evil.example", "http://till.example", "https://till.example:444"} {
		for _, verb := range []string{"OPTIONS", "GET"} {
			if r := ask(verb, origin, preflight...); r.StatusCode != 403 || r.Header.Get(allowed) != "" {
				t.Errorf("%s of %s: HTTP %d, %v", verb, origin, r.StatusCode, r.Header)
			}
		}
	}
	if r := ask("GET", "https://till.example", "Authorization", "Development role=manager name="+c.odile.name); r.StatusCode != 401 {
		t.Errorf("a development identity: HTTP %d", r.StatusCode)
	}
}

// gzipped compresses so many zero bytes.
func gzipped(t testing.TB, bytesOf int) string {
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	if _, err := w.Write(bytes.Repeat([]byte(" "), bytesOf)); err != nil || w.Close() != nil {
		t.Fatal(err)
	}
	return out.String()
}

// framed is a message in a frame, with flags.
func framed(flags byte, message string) string {
	return string(binary.BigEndian.AppendUint32([]byte{flags}, uint32(len(message)))) + message
}

// TestWebBodies sends bodies that no till would send. Each is refused with the status
// that fits, and says why; the last ones are right.
func TestWebBodies(t *testing.T) {
	t.Parallel()
	s, door := newWebServer(t)
	stage := s.newFixture(t, "ebb-and-flow")
	session := "/v1/" + stage.names.session + ":recordEvents"
	const isJSON, isConnect = "Content-Type: application/json", "Content-Type: application/json\r\nConnect-Protocol-Version: 1"
	const getChain = "/alkalog.v1.DirectoryService/GetChain"
	name := `{"name":"` + stage.name + `"}`
	for what, c := range map[string]struct {
		line, headers, body string
		status              int
		says                string
	}{
		"350,000 empty events":      {"POST " + session, isJSON, `{"events":[` + strings.Repeat("{},", 340_000) + `{}]}`, 400, "no more than 200 item"},
		"more than 1 MiB":           {"POST " + session, isJSON, `{"events":[` + strings.Repeat(" ", 1<<20) + `]}`, 400, "no longer than 1048576"},
		"deep nesting":              {"POST " + session, isJSON, strings.Repeat(`{"echo":`, 5000), 400, "echo"},
		"nested lists":              {"POST " + session, isJSON, `{"events":` + strings.Repeat("[", 100_000), 400, "wrong type"},
		"a mask of 300,000 paths":   {"PATCH /v1/" + stage.name, isJSON, `{"updateMask":"` + strings.Repeat("a,", 300_000) + `a"}`, 400, "item(s)"},
		"an unknown field":          {"POST " + session, isJSON, `{"events":[],"speed":1}`, 400, "speed"},
		"a name that is a script":   {"POST " + session, isJSON, `{"<script>alert(1)</script>":1}`, 400, "?script?"},
		"a field twice":             {"POST " + getChain, isConnect, `{"name":"a","name":"b"}`, 400, "must be"},
		"both spellings of a field": {"POST " + session, isJSON, `{"requestId":"a","request_id":"b"}`, 400, "must be"},
		"a number for a text":       {"POST " + getChain, isConnect, `{"name":5}`, 400, "string"},
		"an object for a text":      {"POST " + getChain, isConnect, `{"name":{}}`, 400, "wrong type"},
		"a number beyond any":       {"POST " + session, isJSON, `{"echo":{"elapsedMs":1e999999999}}`, 400, "elapsedMs"},
		"two values":                {"POST " + getChain, isConnect, name + name, 400, "well-formed"},
		"no object":                 {"POST " + getChain, isConnect, `[]`, 400, "well-formed"},
		"half an object":            {"POST " + getChain, isConnect, `{"name":`, 400, "well-formed"},
		"a text that is not UTF-8":  {"POST " + getChain, isConnect, "{\"name\":\"\xff\"}", 400, "UTF-8"},
		"compressed by the header":  {"POST " + getChain, isConnect + "\r\nContent-Encoding: gzip", gzipped(t, 100<<20), 415, "without compression"},
		"compressed, JSON by path":  {"POST " + session, isJSON + "\r\nContent-Encoding: gzip", gzipped(t, 100<<20), 415, "without compression"},
		"compressed without saying": {"POST " + session, isJSON, gzipped(t, 1<<20), 400, "well-formed"},
		"a frame marked compressed": {"POST " + getChain, "Content-Type: application/grpc-web+proto", framed(1, gzipped(t, 100<<20)), 200, "not compressed"},
		"two frames":                {"POST " + getChain, "Content-Type: application/grpc-web+proto", framed(0, "") + framed(0, ""), 200, "one whole message"},
		"a frame shorter than said": {"POST " + getChain, "Content-Type: application/grpc-web+proto", "\x00\x7f\xff\xff\xffab", 200, "one whole message"},
		"a form of a page":          {"POST " + session, "Content-Type: application/x-www-form-urlencoded", "requestId=1", 415, "application/json"},
		"plain text":                {"POST " + session, "Content-Type: text/plain", name, 415, "application/json"},
		"a part of a page":          {"POST " + session, "Content-Type: multipart/form-data; boundary=x", "--x--", 415, "application/json"},
		"no type":                   {"POST " + session, "X-Nothing: x", name, 415, "application/json"},
		"two types":                 {"POST " + session, isJSON + "\r\nContent-Type: text/plain", name, 415, "application/json"},
		"another alphabet":          {"POST " + session, "Content-Type: application/json; charset=utf-16", name, 415, "application/json"},
		"JSON said to be protobuf":  {"POST " + getChain, "Content-Type: application/proto\r\nConnect-Protocol-Version: 1", name, 400, "well-formed"},
		"a query of a POST":         {"POST " + session + "?requestId=Jane+Doe", isJSON, `{}`, 400, "in the body"},
		"a body of a GET":           {"GET /v1/" + stage.name, isJSON, name, 400, "no body"},
		"an unknown field of a GET": {"GET /v1/" + stage.name + "/salons?pageSze=1", isJSON, "", 400, "pageSze"},
		"a wrong number of a GET":   {"GET /v1/" + stage.name + "/salons?pageSize=x", isJSON, "", 400, "int32"},
		"a number twice":            {"GET /v1/" + stage.name + "/salons?pageSize=1&pageSize=2", isJSON, "", 400, "once"},
		"another name in the query": {"GET /v1/" + stage.name + "?name=chains/low-tide", isJSON, "", 400, "path"},
		"Connect by GET":            {"GET " + getChain + "?connect=v1&encoding=json&message=%7B%7D", "X-Nothing: x", "", 405, ""},
		"a verb of another method":  {"PATCH " + session, isJSON, `{}`, 405, ""},
		"TRACE":                     {"TRACE /v1/chains", isJSON, "", 405, "GET, POST or PATCH"},
		"PUT":                       {"PUT /v1/chains", isJSON, `{}`, 405, "GET, POST or PATCH"},
		"a path upwards":            {"GET /v1/../../../etc/passwd", isJSON, "", 404, "no such path"},
		"an encoded path upwards":   {"GET /%2e%2e/%2e%2e/etc/passwd", isJSON, "", 404, "no such path"},
		"a path that is not UTF-8":  {"GET /v1/chains/%ff", isJSON, "", 400, "UTF-8"},
		"a NUL in a path":           {"GET /v1/chains/a%00b", isJSON, "", 400, "name"},
		"right: JSON with charset":  {"POST " + getChain, "Content-Type: application/json; charset=UTF-8\r\nConnect-Protocol-Version: 1", name, 200, stage.name},
		"right: int64 as text":      {"POST " + session, isJSON, `{"echo":{"elapsedMs":"5"}}`, 400, "request_id"},
		"right: int64 as number":    {"POST " + session, isJSON, `{"echo":{"elapsedMs":5}}`, 400, "request_id"},
		"right: both spellings":     {"POST " + session, isJSON, `{"echo":{"elapsed_ms":5}}`, 400, "request_id"},
	} {
		who := stage.odile
		if strings.Contains(c.line, session) {
			who = stage.till
		}
		headers := headersOf(t, who, c.headers, fmt.Sprintf("Content-Length: %d", len(c.body)))
		status, body := door.sendRaw(t, rawRequest(c.line, headers, c.body))
		if status != c.status || !strings.Contains(body, c.says) {
			t.Errorf("%s: HTTP %d %.300s, want %d with %q", what, status, body, c.status, c.says)
		}
	}
	if answer, err := door.ask(stage.odile.identify(t.Context()), formPaths, rpcNamed("GetChain"), &pb.GetChainRequest{Name: stage.name}); err != nil {
		t.Errorf("afterwards: %v, %v", answer, err)
	}
}

// TestWebReadsNothingOfStrangers: a caller without an identity is answered while its
// body is still being sent.
func TestWebReadsNothingOfStrangers(t *testing.T) {
	t.Parallel()
	s, door := newWebServer(t)
	c := s.newChain(t, "ebb-and-flow")
	for _, headers := range []string{"Content-Length: 1000000", "Transfer-Encoding: chunked", "Content-Length: 1000000\r\nExpect: 100-continue"} {
		status, body := door.sendRaw(t, rawRequest("POST /v1/"+c.name+"/clients", []string{"Host: localhost", "Content-Type: application/json", headers}, ""))
		if status != 401 || !strings.Contains(body, "UNAUTHENTICATED") {
			t.Errorf("%s: HTTP %d %s, want 401", headers, status, body)
		}
	}
}

// TestWebSlowBodies: a body that does not arrive ends at the deadline of its call, and
// holds nothing afterwards.
func TestWebSlowBodies(t *testing.T) {
	t.Parallel()
	s, door := newWebServer(t, func(cfg *serve.Config) { cfg.Limits.CallTime = 300 * time.Millisecond })
	c := s.newChain(t, "ebb-and-flow")
	var all sync.WaitGroup
	for i := range 40 {
		headers := headersOf(t, c.odile, "Content-Type: application/json", "Content-Length: 1000")
		if i%2 == 0 {
			headers = headersOf(t, c.odile, "Content-Type: application/connect+json", "Connect-Protocol-Version: 1", "Transfer-Encoding: chunked")
		}
		line := []string{"POST /alkalog.v1.ProcessingService/WatchSession", "POST /v1/" + c.name + "/clients"}[i%2]
		all.Go(func() {
			status, body := door.sendRaw(t, rawRequest(line, headers, "5\r\n{\"cli"))
			if i%2 == 1 && (status != 504 || !strings.Contains(body, "DEADLINE_EXCEEDED")) || i%2 == 0 && !strings.Contains(body, "deadline_exceeded") {
				t.Errorf("%s: HTTP %d %s, want the deadline", line, status, body)
			}
		})
	}
	all.Wait()
	if _, err := door.ask(c.odile.identify(t.Context()), formPaths, rpcNamed("GetChain"), &pb.GetChainRequest{Name: c.name}); err != nil {
		t.Errorf("afterwards: %v", err)
	}
}

// TestWebPipelining: requests behind one another on one connection are answered in
// their order, and the body of one is not taken for the next request.
func TestWebPipelining(t *testing.T) {
	t.Parallel()
	s, door := newWebServer(t)
	c := s.newChain(t, "ebb-and-flow")
	conn, err := net.Dial("tcp", strings.TrimPrefix(door.base, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(waitTimeout))
	inner := rawRequest("GET /v1/"+c.name, headersOf(t, c.odile), "")
	body := `{"pageToken":"` + strings.NewReplacer("\r\n", `\r\n`).Replace(inner) + `"}`
	headers := headersOf(t, c.odile, "Content-Type: application/json", fmt.Sprintf("Content-Length: %d", len(body)))
	io.WriteString(conn, rawRequest("POST /v1/"+c.name+"/clients:search", headers, body)+inner)
	reader := bufio.NewReader(conn)
	for i, want := range []int{400, 200} {
		response, err := http.ReadResponse(reader, nil)
		if err != nil {
			t.Fatalf("answer %d: %v", i, err)
		}
		text, _ := io.ReadAll(response.Body)
		if response.StatusCode != want {
			t.Errorf("answer %d: HTTP %d %s, want %d", i, response.StatusCode, text, want)
		}
	}
}

// TestWebCallsThatEndEarly ends calls at any moment of their decoding. With the race
// detector this is where a decoder that is still at work would be found.
func TestWebCallsThatEndEarly(t *testing.T) {
	t.Parallel()
	s, door := newWebServer(t, func(cfg *serve.Config) { cfg.Limits.MinTime = time.Nanosecond })
	stage := s.newFixture(t, "ebb-and-flow")
	bad := `{"events":[` + strings.Repeat(`{"eventId":"x","note":{"text":"`+strings.Repeat("x", 1000)+`"}},`, 150) + `{"eventId":5}]}`
	var all sync.WaitGroup
	for n := range 8 {
		all.Go(func() {
			for i := range 60 {
				request, err := http.NewRequest("POST", door.base+"/alkalog.v1.ProcessingService/RecordEvents", strings.NewReader(bad))
				if err != nil {
					t.Error(err)
					return
				}
				identifyHTTP(stage.till.identify(t.Context()), request.Header)
				request.Header.Set("Content-Type", "application/json")
				request.Header.Set("Connect-Protocol-Version", "1")
				request.Header.Set("Connect-Timeout-Ms", fmt.Sprint((i*8+n)%20+1))
				response, err := door.client.Do(request)
				if err != nil {
					continue // the connection ended with the call
				}
				io.Copy(io.Discard, response.Body)
				response.Body.Close()
				if response.StatusCode != 400 && response.StatusCode != 408 && response.StatusCode != 504 {
					t.Errorf("HTTP %d", response.StatusCode)
				}
			}
		})
	}
	all.Wait()
	if _, err := door.ask(stage.odile.identify(t.Context()), formPaths, rpcNamed("GetChain"), &pb.GetChainRequest{Name: stage.name}); err != nil {
		t.Errorf("afterwards: %v", err)
	}
}

// TestWebDrains: a call whose body is still arriving is answered when the server is
// stopped, and a stream ends with the request to come back.
func TestWebDrains(t *testing.T) {
	t.Parallel()
	s, door := newWebServer(t)
	stage := s.newFixture(t, "ebb-and-flow")
	conn, err := net.Dial("tcp", strings.TrimPrefix(door.base, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(waitTimeout))
	body := `{"client":{"displayName":"Invented Person"},"requestId":"` + newID() + `"}`
	io.WriteString(conn, rawRequest("POST /v1/"+stage.name+"/clients", headersOf(t, stage.amara, "Content-Type: application/json", "Expect: 100-continue", fmt.Sprintf("Content-Length: %d", len(body))), ""))
	reader := bufio.NewReader(conn)
	if line, err := reader.ReadString('\n'); err != nil || !strings.Contains(line, " 100 ") {
		t.Fatalf("%q, %v: the body is not being waited for", line, err)
	}
	reader.ReadString('\n')
	watch := watchOverWeb(t, door, stage)
	defer watch.Body.Close()
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		s.stop()
	}()
	rest, err := io.ReadAll(watch.Body)
	if err != nil || !bytes.Contains(rest, []byte("SERVER_LEAVING")) && !bytes.Contains(rest, []byte(`"unavailable"`)) {
		t.Errorf("the stream ended with %.300q, %v", rest, err)
	}
	io.WriteString(conn, body)
	response, err := http.ReadResponse(reader, nil)
	if err != nil {
		t.Fatalf("the call under way: %v", err)
	}
	text, _ := io.ReadAll(response.Body)
	created := &pb.CreateClientResponse{}
	if err := protojson.Unmarshal(text, created); response.StatusCode != 200 || err != nil || created.Client.GetName() == "" {
		t.Errorf("the call under way: HTTP %d %s, %v", response.StatusCode, text, err)
	}
	<-stopped
}

// watchOverWeb opens a watch by Connect and reads its first byte.
func watchOverWeb(t testing.TB, door webDoor, stage *fixture) *http.Response {
	t.Helper()
	request, err := http.NewRequest("POST", door.base+"/alkalog.v1.ProcessingService/WatchSession", strings.NewReader(framed(0, `{"name":"`+stage.names.session+`"}`)))
	if err != nil {
		t.Fatal(err)
	}
	identifyHTTP(stage.till.identify(t.Context()), request.Header)
	request.Header.Set("Content-Type", "application/connect+json")
	request.Header.Set("Connect-Protocol-Version", "1")
	response, err := door.client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := response.Body.Read(make([]byte, 1)); err != nil {
		t.Fatalf("HTTP %d: %v", response.StatusCode, err)
	}
	return response
}
