// Package fault is the one place where errors become gRPC statuses. Services
// return errors made by its constructors; storage returns sentinel errors, and the
// table in status.go maps each to the error that callers get. A refusal, a
// referral or an open question is an answer and not an error.
//
// Every status carries google.rpc.ErrorInfo (AIP-193) with the domain "alkalog"
// and a reason, which is a value of the contract's ErrorReason without its prefix.
// The contract also states the status code of each reason and the RPCs that can
// fail with it, so the constructors take a reason and no code. REASONS.md lists
// them all; tests compare it, the contract and the source.
package fault

import (
	"errors"
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// Domain is the domain of every ErrorInfo.
const Domain = "alkalog"

// Violation is one field of a request that is not right.
type Violation struct {
	Field string // path of the field, such as "product.ingredients[1].mass_percent"
	Want  string // what would be right
}

// Error is an error that knows its status.
//
// Its text is for the person at the till or the programmer of the till: what is wrong,
// with which value, and what would be right. It is sent to callers, so it must not
// contain what the caller may not see.
type Error struct {
	reason  pb.ErrorReason
	message string
	details []protoadapt.MessageV1
	names   map[string]string // resource names in the message, by key, for ErrorInfo
}

// resource is the metadata key of the resource that an error is about.
const resource = "resource"

// Error returns the message that callers see.
func (e *Error) Error() string { return e.message }

// Reason returns why the call failed.
func (e *Error) Reason() pb.ErrorReason { return e.reason }

// GRPCStatus returns the status with its details; grpc-go calls it.
func (e *Error) GRPCStatus() *status.Status {
	info := &errdetails.ErrorInfo{Reason: onWire(e.reason), Domain: Domain, Metadata: e.names}
	st, err := status.New(codeOf(e.reason), e.message).WithDetails(append([]protoadapt.MessageV1{info}, e.details...)...)
	if err != nil {
		return status.New(codeOf(e.reason), e.message)
	}
	return st
}

// Naming adds a resource name that the message mentions to the metadata of
// ErrorInfo, because programs do not parse messages.
func (e *Error) Naming(key, name string) *Error {
	if e.names == nil {
		e.names = map[string]string{}
	}
	e.names[key] = name
	return e
}

// onWire is a reason as ErrorInfo carries it, such as "ETAG_MISMATCH".
func onWire(reason pb.ErrorReason) string {
	return strings.TrimPrefix(reason.String(), "ERROR_REASON_")
}

// codeOf is the status code of every error with a reason.
func codeOf(reason pb.ErrorReason) codes.Code { return codes.Code(contract.Terms(reason).GetCode()) }

// Stored returns the status as it is stored with the request that it answers; see
// storage.Changes.Refusal.
func (e *Error) Stored() *spb.Status { return e.GRPCStatus().Proto() }

// NotFound means that there is nothing of that name for this caller. It is also the
// answer for records of other chains, so that nobody learns that they exist.
func NotFound(name string) *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_NOT_FOUND, message: fmt.Sprintf("%q is not found", name),
		details: []protoadapt.MessageV1{&errdetails.ResourceInfo{ResourceName: name}}, names: map[string]string{resource: name}}
}

// Exists means that the ID is taken.
func Exists(name string) *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_ALREADY_EXISTS, message: fmt.Sprintf("%q exists already", name),
		details: []protoadapt.MessageV1{&errdetails.ResourceInfo{ResourceName: name}}, names: map[string]string{resource: name}}
}

// Invalid means that a field of a request is not right, and says what would be.
func Invalid(field, want string) *Error { return InvalidFields(Violation{field, want}) }

// Violations returns the fields that are not right by an error of InvalidFields; none for
// any other error.
func Violations(err error) []Violation {
	invalid := new(Error)
	if !errors.As(err, &invalid) {
		return nil
	}
	var found []Violation
	for _, detail := range invalid.details {
		if bad, ok := detail.(*errdetails.BadRequest); ok && invalid.reason == pb.ErrorReason_ERROR_REASON_INVALID_FIELD {
			for _, v := range bad.FieldViolations {
				found = append(found, Violation{v.Field, v.Description})
			}
		}
	}
	return found
}

// An error travels in the trailers of a call, of which many clients accept at most 8
// KiB. These limits keep it short, however much was wrong.
const (
	mostWant    = 300  // bytes of what would be right, for one field
	mostDetails = 3000 // bytes of all that is said of fields
	mostMessage = 1000 // bytes of the message, which says the same
)

// InvalidFields means that fields of a request are not right; at least one. Beyond
// mostDetails bytes it only counts the remaining fields.
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
	return &Error{reason: pb.ErrorReason_ERROR_REASON_INVALID_FIELD, message: shorten(message, mostMessage), details: []protoadapt.MessageV1{bad}}
}

// shorten puts a text on one line and cuts it off at most bytes, never within a
// character.
func shorten(text string, most int) string {
	text = strings.Join(strings.Fields(text), " ")
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "..."
}

// Stale means that the record was changed since the caller read it.
func Stale(name string) *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_ETAG_MISMATCH, message: fmt.Sprintf("%q was changed since it was read; read it again", name),
		details: []protoadapt.MessageV1{&errdetails.ResourceInfo{ResourceName: name}}, names: map[string]string{resource: name}}
}

// Precondition means that an intention does not fit the current state. subject is the
// name of the resource concerned. Resource names that the message mentions beside it
// are added with Naming.
func Precondition(reason pb.ErrorReason, subject, message string) *Error {
	failure := &errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{
		{Type: onWire(reason), Subject: subject, Description: message}}}
	return &Error{reason: reason, message: message, details: []protoadapt.MessageV1{failure}, names: map[string]string{resource: subject}}
}

// Damaged means that the stored log is not what was signed. It tells the caller how to
// secure evidence.
func Damaged(name string) *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_LOG_DAMAGED,
		message: fmt.Sprintf("what is stored of the log of %q is not what was signed; export it and verify it against an earlier checkpoint", name),
		names:   map[string]string{resource: name}}
}

// TooSlow means that a watcher fell behind; it resumes with its last token.
func TooSlow() *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_WATCHER_TOO_SLOW,
		message: "the watcher fell behind; resume with the last resume_token"}
}

// Leaving means that the server is being stopped; a watcher resumes with its last
// token, here or at another server.
func Leaving() *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_SERVER_LEAVING,
		message: "the server is being stopped; resume with the last resume_token"}
}

// StreamTime means that the stream of a caller without identity was open for as long as
// it may be.
func StreamTime() *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_STREAM_TIME,
		message: "a stream of a caller without identity is ended after a while; open another"}
}
