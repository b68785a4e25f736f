package integration

import (
	"context"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
	terms "alkalog/proto/contract"
)

// checkingErrors makes a client fail its test when an error is not as the contract
// says: see misreported. Every call of these tests is checked.
func checkingErrors(t testing.TB) []grpc.DialOption {
	methods := map[string]rpc{}
	for _, r := range contract() {
		methods[r.path()] = r
	}
	check := func(path string, err error) {
		if r, ok := methods[path]; ok && err != nil {
			for _, breach := range misreported(r, err) {
				t.Errorf("%s: %s: %v", r.Name(), breach, err)
			}
		}
	}
	return []grpc.DialOption{
		grpc.WithUnaryInterceptor(func(ctx context.Context, path string, req, answer any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
			err := invoke(ctx, path, req, answer, conn, opts...)
			check(path, err)
			return err
		}),
		grpc.WithStreamInterceptor(func(ctx context.Context, d *grpc.StreamDesc, conn *grpc.ClientConn, path string, open grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
			stream, err := open(ctx, d, conn, path, opts...)
			check(path, err)
			return checkedStream{stream, func(err error) { check(path, err) }}, err
		}),
	}
}

// checkedStream checks the error that ends a stream.
type checkedStream struct {
	grpc.ClientStream
	check func(error)
}

// RecvMsg receives an answer.
func (s checkedStream) RecvMsg(m any) error {
	err := s.ClientStream.RecvMsg(m)
	s.check(err)
	return err
}

// resourceName is a resource name in a message.
var resourceName = regexp.MustCompile(`chains/[a-z0-9-]+(?:/settings|(?:/[a-z]+/[a-z0-9-]+)*)`)

// misreported says how an error of the server differs from the contract: a reason
// that the RPC does not list, another code than the reason's, or a resource name
// in the message that the metadata lack. Errors that the client made have no
// ErrorInfo and pass.
func misreported(r rpc, err error) []string {
	var breaches []string
	for _, detail := range status.Convert(err).Details() {
		info, ok := detail.(*errdetails.ErrorInfo)
		if !ok {
			continue
		}
		reason := pb.ErrorReason(pb.ErrorReason_value["ERROR_REASON_"+info.Reason])
		if !terms.CanFail(r, reason) {
			return []string{"does not list the reason " + info.Reason}
		}
		if codes.Code(terms.Terms(reason).GetCode()) != status.Code(err) {
			breaches = append(breaches, "has another code than "+info.Reason)
		}
		var named []string
		for _, name := range info.Metadata {
			named = append(named, name)
		}
		for _, name := range resourceName.FindAllString(withoutQuotes(err), -1) {
			if !slices.Contains(named, name) {
				breaches = append(breaches, "names "+name+" and not in the metadata")
			}
		}
	}
	return breaches
}

// quotesCaller matches the fields whose errors quote what the caller wrote: programs and
// paths.
var quotesCaller = regexp.MustCompile(`^filter$|\.expression$|^answers\[\d+\]\.field$|^clear_fields\[\d+\]$`)

// withoutQuotes is the message of an error, without what it says of fields that are
// programs or paths: a syntax error quotes the caller's text, and a quoted part is not a
// name. What the message says of any other field is left in.
func withoutQuotes(err error) string {
	message := status.Convert(err).Message()
	if status.Code(err) != codes.InvalidArgument {
		return message
	}
	for field, why := range violationsOf(err) {
		if why != "" && quotesCaller.MatchString(field) {
			message = strings.Replace(message, field+": "+why, field, 1)
		}
	}
	return message
}

// TestMisreportedErrorsAreFound gives misreported one error of each kind.
func TestMisreportedErrorsAreFound(t *testing.T) {
	t.Parallel()
	const salon = "chains/ebb/salons/north-quay"
	made := func(code codes.Code, reason, message string, names map[string]string) error {
		st, err := status.New(code, message).WithDetails(&errdetails.ErrorInfo{Reason: reason, Domain: "alkalog", Metadata: names})
		if err != nil {
			t.Fatal(err)
		}
		return st.Err()
	}
	invalid := func(field, why string) error {
		st, err := status.New(codes.InvalidArgument, field+": "+why).WithDetails(
			&errdetails.ErrorInfo{Reason: "INVALID_FIELD", Domain: "alkalog"},
			&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: field, Description: why}}})
		if err != nil {
			t.Fatal(err)
		}
		return st.Err()
	}
	for _, c := range []struct {
		name string
		err  error
		want string
	}{
		{"as it must be", made(codes.NotFound, "NOT_FOUND", salon+" is not found", map[string]string{"resource": salon}), ""},
		{"a reason of another RPC", made(codes.FailedPrecondition, "RINSE_FIRST", "rinse", nil), "does not list"},
		{"a reason of changes only", made(codes.AlreadyExists, "REQUEST_ID_REUSED", "reused", nil), "does not list"},
		{"an unknown reason", made(codes.NotFound, "GONE", "gone", nil), "does not list"},
		{"another code", made(codes.Aborted, "NOT_FOUND", "not found", nil), "another code"},
		{"a name that is not in the metadata", made(codes.NotFound, "NOT_FOUND", salon+" is not found", nil), "not in the metadata"},
		{"a part of the filter", invalid("filter", "is not understood: unexpected "+salon), ""},
		{"a part of an expression", invalid("house_policy.rules[0].expression", "is not understood: unexpected "+salon), ""},
		{"a name in what is wrong with another field", invalid("parent", salon+" is not understood"), "not in the metadata"},
	} {
		got := strings.Join(misreported(rpcNamed("ListEntries"), c.err), "; ")
		if (got == "") != (c.want == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}
