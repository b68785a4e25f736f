package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// revision is the newest revision of the contract that this till supports.
const revision = "2"

// callTimeout limits one call.
const callTimeout = 10 * time.Second

// clients are the nine services.
type clients struct {
	// Chains, salons and practitioners.
	directory pb.DirectoryServiceClient
	// Products, lots, policies and rules.
	catalog pb.CatalogServiceClient
	// Clients and what they answer.
	consultation pb.ConsultationServiceClient
	// Decisions, overrides and signatures.
	eligibility pb.EligibilityServiceClient
	// The clock of a service.
	processing pb.ProcessingServiceClient
	// How it ended, and the record card.
	outcome pb.OutcomeServiceClient
	// What went wrong, and whom to ask about it.
	incident pb.IncidentServiceClient
	// The audit log.
	auditing pb.AuditServiceClient
	// Cases, attempts and marks of a school.
	training pb.TrainingServiceClient
}

// dial connects to a server on this machine. Every call is written to calls. There
// is no transport security: the server of the demo listens on loopback only.
func dial(addr string, calls jsonLines) (*grpc.ClientConn, error) {
	return grpc.NewClient(addr,
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithUnaryInterceptor(calls.unary), grpc.WithStreamInterceptor(calls.stream))
}

// newClients returns the nine services on one connection. One connection is enough
// for everybody, because each call carries its own identity.
func newClients(conn *grpc.ClientConn) clients {
	return clients{
		directory:    pb.NewDirectoryServiceClient(conn),
		catalog:      pb.NewCatalogServiceClient(conn),
		consultation: pb.NewConsultationServiceClient(conn),
		eligibility:  pb.NewEligibilityServiceClient(conn),
		processing:   pb.NewProcessingServiceClient(conn),
		outcome:      pb.NewOutcomeServiceClient(conn),
		incident:     pb.NewIncidentServiceClient(conn),
		auditing:     pb.NewAuditServiceClient(conn),
		training:     pb.NewTrainingServiceClient(conn),
	}
}

// identify adds the caller's development identity to the context. The server
// accepts it without proof, on loopback only. A real till uses a certificate or a
// token instead.
func (p person) identify(ctx context.Context) context.Context {
	role := strings.ReplaceAll(enumLabel(p.role), " ", "_")
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Development role="+role+" name="+p.name, "alkalog-revision", revision)
}

// rpc is one method of a client.
type rpc[Q, A proto.Message] func(context.Context, Q, ...grpc.CallOption) (A, error)

// call makes a call that must succeed. After a failure it does nothing and returns
// an empty answer. A story of sixty calls without sixty checks stays readable.
func call[Q, A proto.Message](d *run, who person, method rpc[Q, A], request Q) A {
	var answer A
	if d.failed() {
		return answer
	}
	ctx, cancel := withIdentity(d, who)
	defer cancel()
	answer, err := method(ctx, request)
	if err != nil {
		d.fail(callError(request, who, err))
	}
	return answer
}

// withIdentity returns the context of one call. Every call has a deadline, also in
// a demo.
func withIdentity(d *run, who person) (context.Context, context.CancelFunc) {
	return context.WithTimeout(who.identify(d.ctx), callTimeout)
}

// callError says whose call failed. The type of the request names the RPC.
func callError(request proto.Message, who person, err error) error {
	return fmt.Errorf("%T asked by %s: %w", request, who.displayName, err)
}

// callRefused makes a call that must fail with a code, and returns the status.
// Success would be as unexpected as another code.
func callRefused[Q, A proto.Message](d *run, who person, method rpc[Q, A], request Q, code codes.Code) *status.Status {
	if d.failed() {
		return nil
	}
	ctx, cancel := withIdentity(d, who)
	defer cancel()
	_, err := method(ctx, request)
	d.expect(status.Code(err) == code, "%T asked by %s ends in %s, not in %v", request, who.displayName, code, err)
	return status.Convert(err)
}

// newID returns a new request or event ID. UUIDs make retries safe without a
// counter on the device.
func newID() string { return uuid.NewString() }

// jsonLines writes every call as one line of JSON, if it has a writer.
type jsonLines struct {
	out io.Writer
}

// jsonCall is one line: the method, the request, and the response or error.
type jsonCall struct {
	// Service and method, as in the contract.
	RPC string `json:"rpc"`
	// The messages in the JSON form of protobuf.
	Request  json.RawMessage `json:"request"`
	Response json.RawMessage `json:"response,omitempty"`
	// A google.rpc.Status with its details, instead of the response.
	Error json.RawMessage `json:"error,omitempty"`
}

// unary is a client interceptor that writes the call after it was made. It sees
// every call of the demo, so that the JSON form is complete.
func (j jsonLines) unary(ctx context.Context, method string, request, answer any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	err := invoke(ctx, method, request, answer, conn, opts...)
	if writeErr := j.write(method, request.(proto.Message), answer.(proto.Message), err); writeErr != nil {
		return writeErr
	}
	return err
}

// stream does the same for each answer of a stream. A stream is written message by
// message, as it arrives.
func (j jsonLines) stream(ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	opened, err := open(ctx, desc, conn, method, opts...)
	return &writtenStream{ClientStream: opened, lines: j, method: method}, err
}

// writtenStream is a stream whose answers are written.
type writtenStream struct {
	grpc.ClientStream
	lines  jsonLines
	method string
	// What was asked, printed again with each answer.
	request proto.Message
}

// SendMsg keeps the request.
func (s *writtenStream) SendMsg(m any) error {
	s.request = m.(proto.Message)
	return s.ClientStream.SendMsg(m)
}

// RecvMsg writes the answer.
func (s *writtenStream) RecvMsg(m any) error {
	if err := s.ClientStream.RecvMsg(m); err != nil {
		return err
	}
	return s.lines.write(s.method, s.request, m.(proto.Message), nil)
}

// write writes one call: the answer, or the error as a google.rpc.Status with its
// details.
func (j jsonLines) write(method string, request, answer proto.Message, failure error) error {
	if j.out == nil {
		return nil
	}
	asked, err := protojson.Marshal(request)
	if err != nil {
		return err
	}
	line := jsonCall{RPC: strings.TrimPrefix(method, "/"), Request: asked}
	if failure != nil {
		line.Error, err = protojson.Marshal(status.Convert(failure).Proto())
	} else {
		line.Response, err = protojson.Marshal(answer)
	}
	if err != nil {
		return err
	}
	return json.NewEncoder(j.out).Encode(line)
}
