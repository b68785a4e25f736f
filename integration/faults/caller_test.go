package faults

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
)

// target is a server that clients may call, in plaintext and with development
// identities: on loopback, also through a proxy there.
type target struct {
	Address string `json:"address"`
}

// callLimit is the deadline of every call of the load. It is short, so that many calls
// end unknown while something is broken.
const callLimit = 2 * time.Second

// caller makes recorded calls to any of several servers. It is safe for concurrent
// use.
type caller struct {
	journal *journal
	prefix  string    // of the IDs of ops
	base    time.Time // a reading of this process's clock
	offset  time.Duration
	count   atomic.Int64

	mu      sync.Mutex
	targets []target
	conns   map[string]*grpc.ClientConn
}

// newCaller returns a caller whose times count from the origin.
//
// The wall clock is read once. After that times are monotonic, so that a clock that is
// set does not change the order of what happened.
func newCaller(j *journal, prefix string, origin time.Time, targets []target) *caller {
	now := time.Now()
	return &caller{journal: j, prefix: prefix, base: now, offset: now.Round(0).Sub(origin), targets: targets, conns: map[string]*grpc.ClientConn{}}
}

// now is the time since the origin.
func (c *caller) now() time.Duration { return c.offset + time.Since(c.base) }

// retarget changes the servers that are called from now on.
func (c *caller) retarget(targets []target) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.targets = targets
}

// pick returns a connection to a random server, another than the last if there is one.
func (c *caller) pick(random *rand.Rand, last string) (string, *grpc.ClientConn, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	choice := slices.DeleteFunc(slices.Clone(c.targets), func(t target) bool { return len(c.targets) > 1 && t.Address == last })
	if len(choice) == 0 {
		return "", nil, errors.New("no server to call")
	}
	at := choice[random.IntN(len(choice))].Address
	if conn := c.conns[at]; conn != nil {
		return at, conn, nil
	}
	conn, err := grpc.NewClient(at, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDisableRetry(),
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: quickBackoff, MinConnectTimeout: time.Second}))
	if err == nil {
		c.conns[at] = conn
	}
	return at, conn, err
}

// close closes the connections and the journal.
func (c *caller) close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, conn := range c.conns {
		conn.Close()
	}
	return c.journal.close()
}

// methods are the RPCs by the full name of their request.
var methods = sync.OnceValue(func() map[protoreflect.FullName]protoreflect.MethodDescriptor {
	found := map[protoreflect.FullName]protoreflect.MethodDescriptor{}
	protoregistry.GlobalFiles.RangeFilesByPackage("alkalog.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			for m := range f.Services().Get(i).Methods().Len() {
				method := f.Services().Get(i).Methods().Get(m)
				found[method.Input().FullName()] = method
			}
		}
		return true
	})
	return found
})

// rpcPath is how gRPC names a method.
func rpcPath(m protoreflect.MethodDescriptor) string {
	return "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
}

// blank returns an empty answer of a method.
func blank(m protoreflect.MethodDescriptor) proto.Message {
	t, err := protoregistry.GlobalTypes.FindMessageByName(m.Output().FullName())
	if err != nil {
		panic(err) // the generated code registers every message
	}
	return t.New().Interface()
}

// describe is an op before it is sent.
func (c *caller) describe(who string, req proto.Message) op {
	method := methods()[req.ProtoReflect().Descriptor().FullName()]
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(req)
	if err != nil {
		panic(err) // it was made by this program
	}
	sum := sha256.Sum256(body)
	o := op{ID: fmt.Sprintf("%s-%d", c.prefix, c.count.Add(1)), Caller: who, Chain: ownChain(body), Method: string(method.Name()), Digest: hex.EncodeToString(sum[:]), Limit: callLimit}
	if changing, ok := req.(interface{ GetRequestId() string }); ok {
		o.Request, o.Body = changing.GetRequestId(), body
	}
	return o
}

// chainName finds the names of chains in an encoded message.
var chainName = regexp.MustCompile(`chains/[a-z0-9-]+`)

// ownChain is the first chain that an encoded request names.
func ownChain(body []byte) string { return string(chainName.Find(body)) }

// attempt makes one attempt of a call and records it. The answer is nil unless it was
// acknowledged.
func (c *caller) attempt(random *rand.Rand, o op, req proto.Message) (op, proto.Message) {
	at, conn, err := c.pick(random, o.Target)
	o.Target, o.Call = at, c.now()
	if err := c.journal.write(o); err != nil {
		panic(err) // a history with gaps is worth nothing
	}
	method := methods()[req.ProtoReflect().Descriptor().FullName()]
	answer := blank(method)
	if err == nil {
		ctx, cancel := context.WithTimeout(identified(o.Caller), o.Limit)
		err = conn.Invoke(ctx, rpcPath(method), req, answer)
		cancel()
	}
	o.Return = c.now()
	if o.judge(err); o.Outcome == acknowledged {
		o.learn(answer)
	} else {
		answer = nil
	}
	c.record(o)
	return o, answer
}

// record writes the second line of an op: what was not known when it was sent.
func (c *caller) record(o op) {
	o.Body, o.Worker, o.Caller, o.Chain, o.Method, o.Digest = nil, "", "", "", "", ""
	if err := c.journal.write(o); err != nil {
		panic(err)
	}
}

// identified is the context of a call by somebody.
func identified(who string) context.Context {
	return metadata.AppendToOutgoingContext(context.Background(), "authorization", "Development "+who, "alkalog-till", "front desk 1")
}

// undecided are the codes after which a call may have been carried out or may yet be
// asked again under the same ID.
var undecided = []codes.Code{codes.Unavailable, codes.DeadlineExceeded, codes.Canceled, codes.Internal, codes.Unknown, codes.ResourceExhausted}

// judge sets the outcome.
func (o *op) judge(err error) {
	o.Code = status.Code(err).String()
	switch {
	case err == nil || errors.Is(err, io.EOF):
		o.Outcome, o.Code = acknowledged, codes.OK.String()
		return
	case slices.Contains(undecided, status.Code(err)):
		o.Outcome = unknown
	default:
		o.Outcome = refused
	}
	o.Message = status.Convert(err).Message()
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok {
			o.Reason = info.Reason
			if name := info.Metadata["new_decision"]; name != "" {
				o.Names = []string{name} // kept although the call is refused
			}
		}
	}
}

// learn keeps of an answer what the checker needs.
func (o *op) learn(answer proto.Message) {
	durable := proto.Clone(answer)
	clearAttempt(durable.ProtoReflect())
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(durable)
	if err != nil {
		panic(err) // it has just been decoded
	}
	sum := sha256.Sum256(body)
	o.Answer = hex.EncodeToString(sum[:])
	for _, name := range chainName.FindAll(body, -1) {
		if o.Chain != "" && string(name) != o.Chain {
			o.Complaint = "the answer names " + string(name)
		}
	}
	o.Names = names(answer)
	switch a := answer.(type) {
	case *pb.GetProductResponse:
		o.Read = a.Product.SafetyDataSheet
	case *pb.UpdateProductResponse:
		o.Read = a.Product.SafetyDataSheet
	case *pb.CheckEligibilityResponse:
		o.Verdict = a.Decision.Verdict.String()
	case *pb.ReplayDecisionResponse:
		if !a.Identical {
			o.Complaint = fmt.Sprintf("the decision replays otherwise: %v", a.Differences)
		}
	case *pb.CheckBookingResponse:
		o.Verdict = a.Decision.Verdict.String()
	case *pb.OverrideDecisionResponse:
		o.Verdict = a.Decision.StandingVerdict.String()
		o.Names = append(o.Names, a.Decision.Name+"/overrides/"+a.Override.OverrideId)
	case *pb.MoveSessionResponse:
		o.Answer = a.Session.Name // its content is read anew for every attempt
	case *pb.StartSessionResponse:
		o.Decision, o.Sequence = a.Session.Decision, a.Session.GetState().GetSequence()
	case *pb.GetSessionResponse:
		o.Decision, o.Sequence = a.Session.Decision, a.Session.GetState().GetSequence()
	case *pb.RecordEventsResponse:
		o.Sequence = a.State.GetSequence()
		for _, r := range a.Results {
			if r.Status == pb.EventStatus_EVENT_STATUS_RECORDED || r.Status == pb.EventStatus_EVENT_STATUS_ALREADY_RECORDED {
				o.Names = append(o.Names, o.Key+"/events/"+r.EventId)
			} else {
				o.Complaint = fmt.Sprintf("a fact was not recorded: %s: %s", r.Status, r.Reason)
			}
		}
	}
}

// names are those of the records at the top of an answer.
func names(answer proto.Message) []string {
	var found []string
	answer.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if f.IsList() || f.IsMap() || f.Message() == nil {
			return true
		}
		if name := f.Message().Fields().ByName("name"); name != nil {
			if text := v.Message().Get(name).String(); strings.HasPrefix(text, "chains/") {
				found = append(found, text)
			}
		}
		return true
	})
	return found
}

// clearAttempt clears the fields that belong to one attempt of a call.
func clearAttempt(m protoreflect.Message) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case proto.GetExtension(f.Options(), pb.E_PerAttempt).(bool):
			m.Clear(f)
		case f.Message() == nil || f.IsMap():
		case f.IsList():
			for i := range v.List().Len() {
				clearAttempt(v.List().Get(i).Message())
			}
		default:
			clearAttempt(v.Message())
		}
		return true
	})
}
