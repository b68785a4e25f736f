package fault

import (
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/protobuf/protoadapt"

	pb "alkalog/proto/alkalogv1"
)

// ActingForAnother means that a field names somebody for whom the caller may not act.
func ActingForAnother(field string) *Error {
	const want = "must be the caller, or somebody whom the caller may act for"
	bad := &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: field, Description: want}}}
	return &Error{reason: pb.ErrorReason_ERROR_REASON_ACTING_FOR_ANOTHER, message: field + " " + want, details: []protoadapt.MessageV1{bad}}
}
