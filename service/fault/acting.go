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

// NotAnInstructor means that the caller is a supervisor whom the directory does not call
// an instructor.
func NotAnInstructor() *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_NOT_AN_INSTRUCTOR,
		message: "only an instructor may do this: let a manager set instructor in the caller's directory record"}
}

// OwnMarks refuses somebody who confirms the marks of an attempt of their own.
func OwnMarks() *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_NOT_AN_INSTRUCTOR,
		message: "nobody confirms the marks of their own attempt: let another instructor, or a manager, do it"}
}
