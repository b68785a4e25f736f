package integration

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"testing"

	"connectrpc.com/connect"
	"google.golang.org/genproto/googleapis/api/annotations"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/anypb"

	"alkalog/server/serve"
)

// webForm is a form in which the web door can be called.
type webForm string

// The forms. Every one but formPaths is spoken by connect-go, so that a real client
// judges the server.
const (
	formPaths       webForm = "JSON by path"
	formConnectJSON webForm = "Connect with JSON"
	formConnect     webForm = "Connect"
	formGRPCWeb     webForm = "gRPC-Web"
	formGRPC        webForm = "gRPC"
)

// webForms are all forms.
var webForms = []webForm{formPaths, formConnectJSON, formConnect, formGRPCWeb, formGRPC}

// webDoor calls the web door of a server.
type webDoor struct {
	base   string // such as "http://127.0.0.1:4711"
	client *http.Client
}

// newWebServer starts a server with a web door.
func newWebServer(t testing.TB, configure ...func(*serve.Config)) (*testServer, webDoor) {
	t.Helper()
	s := newTestServer(t)
	twin := &testServer{clock: s.clock, database: s.database, sql: s.sql, keys: s.keys}
	twin.configure = func(cfg *serve.Config) {
		cfg.WebAddress = "127.0.0.1:0"
		for _, change := range configure {
			change(cfg)
		}
	}
	s.stop()
	twin.start(t)
	return twin, newWebDoor("http://"+twin.web, nil)
}

// newWebDoor returns a client of the door at base. It speaks HTTP/2 without TLS too,
// which gRPC needs. base decides about TLS; transport may be nil.
func newWebDoor(base string, transport *http.Transport) webDoor {
	if transport == nil {
		transport = &http.Transport{}
	}
	return webDoor{base, &http.Client{Transport: transport}}
}

// overHTTP2 is the same door over HTTP/2 alone.
func (d webDoor) overHTTP2() webDoor {
	transport := d.client.Transport.(*http.Transport).Clone()
	transport.Protocols = new(http.Protocols)
	transport.Protocols.SetHTTP2(true)
	transport.Protocols.SetUnencryptedHTTP2(true)
	return webDoor{d.base, &http.Client{Transport: transport}}
}

// ask is askOpen on a connection that is closed afterwards, and that speaks what the
// form needs.
func (d webDoor) ask(ctx context.Context, form webForm, r rpc, req proto.Message) (proto.Message, error) {
	if form == formGRPC {
		d = d.overHTTP2()
	}
	defer d.client.CloseIdleConnections()
	return d.askOpen(ctx, form, r, req)
}

// askOpen makes a call in a form, by Connect if the request has no path; of a stream it
// takes the first message. Who calls is in
// the outgoing metadata of ctx. Errors are statuses, with their details.
func (d webDoor) askOpen(ctx context.Context, form webForm, r rpc, req proto.Message) (proto.Message, error) {
	ctx, cancel := context.WithTimeout(ctx, waitTimeout)
	defer cancel()
	if form == formPaths && !r.IsStreamingServer() {
		answer, err := d.askByPath(ctx, r, req)
		if !errors.Is(err, errOtherPath) {
			return answer, err
		}
	}
	options := []connect.ClientOption{connect.WithSchema(r.MethodDescriptor), connect.WithResponseInitializer(func(spec connect.Spec, m any) error {
		if dynamic, ok := m.(*dynamicpb.Message); ok {
			*dynamic = *dynamicpb.NewMessage(r.Output())
		}
		return nil
	})}
	switch form {
	case formConnectJSON, formPaths:
		options = append(options, connect.WithProtoJSON())
	case formGRPCWeb:
		options = append(options, connect.WithGRPCWeb())
	case formGRPC:
		options = append(options, connect.WithGRPC())
	}
	client := connect.NewClient[dynamicpb.Message, dynamicpb.Message](d.client, d.base+r.path(), options...)
	return callConnect(ctx, client, r, req)
}

// callConnect makes a call by a client of connect-go.
func callConnect(ctx context.Context, client *connect.Client[dynamicpb.Message, dynamicpb.Message], r rpc, req proto.Message) (proto.Message, error) {
	body, err := proto.Marshal(req)
	if err != nil {
		return nil, err
	}
	message := dynamicpb.NewMessage(r.Input())
	if err := proto.Unmarshal(body, message); err != nil {
		return nil, err
	}
	request := connect.NewRequest(message)
	identifyHTTP(ctx, request.Header())
	if !r.IsStreamingServer() {
		response, err := client.CallUnary(ctx, request)
		if err != nil {
			return nil, statusOfConnect(err)
		}
		return asAnswer(r, response.Msg)
	}
	stream, err := client.CallServerStream(ctx, request)
	if err != nil {
		return nil, statusOfConnect(err)
	}
	defer stream.Close()
	if !stream.Receive() {
		if err := stream.Err(); err != nil {
			return nil, statusOfConnect(err)
		}
		return r.answer(), nil
	}
	return asAnswer(r, stream.Msg())
}

// identifyHTTP copies the outgoing metadata into headers.
func identifyHTTP(ctx context.Context, header http.Header) {
	md, _ := metadata.FromOutgoingContext(ctx)
	for name, values := range md {
		header[http.CanonicalHeaderKey(name)] = values
	}
}

// asAnswer is an answer in the generated type.
func asAnswer(r rpc, m proto.Message) (proto.Message, error) {
	body, err := proto.Marshal(m)
	if err != nil {
		return nil, err
	}
	answer := r.answer()
	return answer, proto.Unmarshal(body, answer)
}

// statusOfConnect is an error of connect-go as a status.
func statusOfConnect(err error) error {
	var failed *connect.Error
	if !errors.As(err, &failed) {
		return err
	}
	wire := &spb.Status{Code: int32(failed.Code()), Message: failed.Message()}
	for _, detail := range failed.Details() {
		wire.Details = append(wire.Details, &anypb.Any{TypeUrl: "type.googleapis.com/" + detail.Type(), Value: detail.Bytes()})
	}
	return status.FromProto(wire).Err()
}

// askByPath makes a unary call as its google.api.http says.
func (d webDoor) askByPath(ctx context.Context, r rpc, req proto.Message) (proto.Message, error) {
	verb, address, body, err := byPath(r, req)
	if err != nil {
		return nil, err
	}
	request, err := http.NewRequestWithContext(ctx, verb, d.base+address, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	if verb != http.MethodGet {
		request.Header.Set("Content-Type", "application/json")
	}
	identifyHTTP(ctx, request.Header)
	response, err := d.client.Do(request)
	if err != nil {
		return nil, err
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		return nil, err
	}
	if response.StatusCode != http.StatusOK {
		return nil, statusOfJSON(response.StatusCode, text)
	}
	answer := r.answer()
	return answer, protojson.Unmarshal(text, answer)
}

// statusOfJSON is an error of a call by path as a status.
func statusOfJSON(code int, text []byte) error {
	wire := &spb.Status{}
	if err := protojson.Unmarshal(text, wire); err != nil {
		return fmt.Errorf("HTTP %d without a google.rpc.Status: %q", code, text)
	}
	return status.FromProto(wire).Err()
}

// byPath returns a request as the google.api.http of its RPC writes it. It is written
// here again, from the comments in google/api/http.proto, and not by the server's
// library.
func byPath(r rpc, req proto.Message) (verb, address string, body []byte, err error) {
	rule := proto.GetExtension(r.Options(), annotations.E_Http).(*annotations.HttpRule)
	verb, template := "", ""
	switch p := rule.GetPattern().(type) {
	case *annotations.HttpRule_Get:
		verb, template = http.MethodGet, p.Get
	case *annotations.HttpRule_Post:
		verb, template = http.MethodPost, p.Post
	case *annotations.HttpRule_Patch:
		verb, template = http.MethodPatch, p.Patch
	}
	rest := proto.Clone(req).ProtoReflect()
	for {
		before, inside, found := strings.Cut(template, "{")
		if !found {
			break
		}
		variable, after, _ := strings.Cut(inside, "}")
		path, pattern, _ := strings.Cut(variable, "=")
		name := take(rest, path)
		if match, _ := filepath.Match(pattern, name); !match {
			return "", "", nil, errOtherPath
		}
		template = before + strings.ReplaceAll(url.PathEscape(name), "%2F", "/") + after
	}
	if verb != http.MethodGet {
		body, err = protojson.Marshal(rest.Interface())
		return verb, template, body, err
	}
	query := url.Values{}
	rest.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		text := value.String()
		if field.Message() != nil {
			quoted, _ := protojson.Marshal(value.Message().Interface())
			text = strings.Trim(string(quoted), `"`)
		}
		if field.Enum() != nil {
			text = fmt.Sprint(value.Enum())
		}
		query.Add(field.JSONName(), text)
		return true
	})
	if len(query) > 0 {
		template += "?" + query.Encode()
	}
	return verb, template, nil, nil
}

// errOtherPath means that a request has no path of its own: with the name in it, the
// path would be that of another RPC.
var errOtherPath = errors.New("the name in the request is not one of the path's")

// take returns the text at a path, and clears it.
func take(m protoreflect.Message, path string) string {
	first, inner, nested := strings.Cut(path, ".")
	field := m.Descriptor().Fields().ByName(protoreflect.Name(first))
	if nested {
		return take(m.Mutable(field).Message(), inner)
	}
	name := m.Get(field).String()
	m.Clear(field)
	return name
}
