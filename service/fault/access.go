package fault

import (
	"errors"
	"fmt"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	pb "alkalog/proto/alkalogv1"
)

// OutOfScope returns the same error as NotFound, with the same text and code, for what
// the caller may not see. Only the audit log learns that it was a denial (Denial). If
// the two could be told apart, a caller could find out which records exist in other
// salons.
func OutOfScope(name string) error { return outOfScope{NotFound(name)} }

// outOfScope is a NOT_FOUND that is a denial. shown is what the caller gets.
type outOfScope struct{ shown *Error }

// Error returns the message that callers see.
func (o outOfScope) Error() string { return o.shown.Error() }

// Unwrap returns the error that callers get.
func (o outOfScope) Unwrap() error { return o.shown }

// Unauthenticated means that the caller is not known. want says what would be right.
func Unauthenticated(want string) *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_UNAUTHENTICATED, message: want}
}

// Denied means that the caller's role may not make this call.
func Denied(method, role string) *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_ROLE_NOT_ALLOWED,
		message: fmt.Sprintf("%s may not call %s", role, method)}
}

// WholeChain means that a call is about the chain as a whole and its caller is confined
// to some of the salons.
func WholeChain(method string) *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_WHOLE_CHAIN_ONLY,
		message: fmt.Sprintf("%s is about the whole chain, and the caller is confined to some of its salons", method)}
}

// FieldDenied means that the caller's role may not write a field. It names the field,
// in the message and as a violation.
func FieldDenied(field, role string) *Error {
	bad := &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
		{Field: field, Description: "must be left out: " + role + " may not write it"}}}
	return &Error{reason: pb.ErrorReason_ERROR_REASON_FIELD_NOT_ALLOWED,
		message: fmt.Sprintf("%s may not write %s", role, field), details: []protoadapt.MessageV1{bad}}
}

// Denial returns the coded reason for which a caller was denied access, or ""
// when err is something else.
func Denial(err error) string {
	if hidden := (outOfScope{}); errors.As(err, &hidden) {
		return "OUT_OF_SCOPE"
	}
	if code := status.Code(err); code != codes.Unauthenticated && code != codes.PermissionDenied {
		return ""
	}
	return Reason(err)
}

// Reason returns the reason of an error that was already converted to a status, such as
// "ETAG_MISMATCH": empty for nil, "OTHER" for an error that gRPC has made. It is a
// label of metrics, so its values are a closed set.
func Reason(err error) string {
	if err == nil {
		return ""
	}
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok && info.Domain == Domain {
			return info.Reason
		}
	}
	return "OTHER"
}

// Exhausted means that the caller asks for more than its share. The status says why,
// and after how long it may ask again.
func Exhausted(reason pb.ErrorReason, message string, again time.Duration) *Error {
	return &Error{reason: reason, message: message,
		details: []protoadapt.MessageV1{&errdetails.RetryInfo{RetryDelay: durationpb.New(again)}}}
}

// NotWitnessed means that a read could not be put on the audit log and is therefore not
// answered.
func NotWitnessed() *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_AUDIT_UNAVAILABLE,
		message: "the read could not be entered on the audit log, so it is not answered; retry later",
		details: []protoadapt.MessageV1{&errdetails.RetryInfo{RetryDelay: durationpb.New(retryDelay)}}}
}

// NotNoted means that an erasure was not begun, because it could not be noted outside of
// the database.
func NotNoted() *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_ERASURE_FILE_UNAVAILABLE,
		message: "the erasure cannot be noted outside of the database, so nothing was erased; retry with the same request_id when the server's erasure file can be written",
		details: []protoadapt.MessageV1{&errdetails.RetryInfo{RetryDelay: durationpb.New(retryDelay)}}}
}
