// Package fault is the one place where errors become gRPC statuses. Services
// raise trade errors with its constructors; storage names facts, and the table
// in status.go says what callers are told of them. A refusal, a referral or an
// open question is an answer and never comes here.
//
// Every status carries google.rpc.ErrorInfo with a reason in UPPER_SNAKE and
// the domain "alkalog" (AIP-193), and the details that fit it.
package fault

import (
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
)

// Domain is the domain of every ErrorInfo.
const Domain = "alkalog"

// Violation is one field of a request that is not right.
type Violation struct {
	Field string // path of the field, such as "product.ingredients[1].mass_percent"
	Want  string // what would be right
}

// Error is an error that knows its status.
type Error struct {
	code    codes.Code
	reason  string
	message string
	details []protoadapt.MessageV1
	names   map[string]string // of the resources concerned, for ErrorInfo
}

// Error returns the message that callers see.
func (e *Error) Error() string { return e.message }

// Reason returns the machine-readable reason, such as "ETAG_MISMATCH".
func (e *Error) Reason() string { return e.reason }

// GRPCStatus returns the status with its details; grpc-go calls it.
func (e *Error) GRPCStatus() *status.Status {
	info := &errdetails.ErrorInfo{Reason: e.reason, Domain: Domain, Metadata: e.names}
	st, err := status.New(e.code, e.message).WithDetails(append([]protoadapt.MessageV1{info}, e.details...)...)
	if err != nil {
		return status.New(e.code, e.message)
	}
	return st
}

// Naming adds the name of a resource that the message speaks of to the metadata of
// ErrorInfo, for programs, which never parse messages.
func (e *Error) Naming(key, name string) *Error {
	if e.names == nil {
		e.names = map[string]string{}
	}
	e.names[key] = name
	return e
}

// Stored returns the error as it is stored with a request that it answers, see
// storage.Changes.
func (e *Error) Stored() *spb.Status { return e.GRPCStatus().Proto() }

// NotFound says that there is nothing of that name here. It is the answer for
// another chain's records too, so that nobody learns that they exist.
func NotFound(name string) *Error {
	return &Error{code: codes.NotFound, reason: "NOT_FOUND", message: fmt.Sprintf("%q is not found", name),
		details: []protoadapt.MessageV1{&errdetails.ResourceInfo{ResourceName: name}}}
}

// Exists says that the id is taken.
func Exists(name string) *Error {
	return &Error{code: codes.AlreadyExists, reason: "ALREADY_EXISTS", message: fmt.Sprintf("%q exists already", name),
		details: []protoadapt.MessageV1{&errdetails.ResourceInfo{ResourceName: name}}}
}

// Invalid says which field of a request is not right and what would be.
func Invalid(field, want string) *Error { return InvalidFields(Violation{field, want}) }

// An error travels in the trailers of a call, which many a client takes no more
// than 8 KiB of; so it is kept short, whatever was wrong and however much.
const (
	mostWant    = 300  // bytes of what would be right, for one field
	mostDetails = 3000 // bytes of all that is said of fields
	mostMessage = 1000 // bytes of the message, which says the same
)

// InvalidFields says which fields of a request are not right; at least one.
func InvalidFields(violations ...Violation) *Error {
	bad := &errdetails.BadRequest{}
	message, size := "", 0
	for i, v := range violations {
		want := shorten(v.Want, mostWant)
		if size += len(v.Field) + len(want); size > mostDetails && i > 0 {
			rest := fmt.Sprintf("%d more fields must be put right", len(violations)-i)
			bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: "request", Description: rest})
			break
		}
		bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: v.Field, Description: want})
		if message != "" {
			message += "; "
		}
		message += v.Field + ": " + want
	}
	return &Error{code: codes.InvalidArgument, reason: "INVALID_FIELD", message: shorten(message, mostMessage), details: []protoadapt.MessageV1{bad}}
}

// shorten puts text on one line, and cuts it off.
func shorten(text string, most int) string {
	text = strings.Join(strings.Fields(text), " ")
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "..."
}

// Stale says that the record was changed since it was read.
func Stale(name string) *Error {
	return &Error{code: codes.Aborted, reason: "ETAG_MISMATCH", message: fmt.Sprintf("%q was changed since it was read; read it again", name),
		details: []protoadapt.MessageV1{&errdetails.ResourceInfo{ResourceName: name}}}
}

// Precondition says that the intention does not fit the state of things.
// Reason is UPPER_SNAKE; subject is the resource name concerned.
func Precondition(reason, subject, message string) *Error {
	failure := &errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{
		{Type: reason, Subject: subject, Description: message}}}
	return &Error{code: codes.FailedPrecondition, reason: reason, message: message, details: []protoadapt.MessageV1{failure}}
}

// Damaged says that what is stored of a log is not what was signed.
func Damaged(name string) *Error {
	return &Error{code: codes.DataLoss, reason: "LOG_DAMAGED",
		message: fmt.Sprintf("what is stored of the log of %q is not what was signed; export it and verify it against an earlier checkpoint", name)}
}

// TooSlow says that a watcher fell behind; it resumes with its last token.
func TooSlow() *Error {
	return &Error{code: codes.Aborted, reason: "WATCHER_TOO_SLOW",
		message: "the watcher fell behind; resume with the last resume_token"}
}

// Leaving says that the server is being stopped; a watcher resumes with its
// last token, here or at another server.
func Leaving() *Error {
	return &Error{code: codes.Unavailable, reason: "SERVER_LEAVING",
		message: "the server is being stopped; resume with the last resume_token"}
}

// StreamTime tells a caller without an identity that its stream was open for as
// long as it may be.
func StreamTime() *Error {
	return &Error{code: codes.Unavailable, reason: "STREAM_TIME",
		message: "a stream of a caller without identity is ended after a while; open another"}
}
