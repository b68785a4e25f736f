package client

import (
	"errors"
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// IsUnavailable reports whether an error says that the server could not be reached or
// went away, so that asking again may help.
func IsUnavailable(err error) bool { return status.Code(err) == codes.Unavailable }

// IsResumable reports whether an error ended a stream that may be gone on with: the
// server went away, let go of a slow reader, or has had too many calls.
func IsResumable(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.Aborted, codes.ResourceExhausted:
		return true
	}
	return false
}

// IsInvalidArgument reports whether an error says that what was asked is not right.
func IsInvalidArgument(err error) bool { return status.Code(err) == codes.InvalidArgument }

// IsNotFound reports whether an error says that there is no such thing, or no more.
func IsNotFound(err error) bool { return status.Code(err) == codes.NotFound }

// Readable is an error of a call in words for a person: what is wrong, field by
// field where the server says so, and the code.
func Readable(err error) error {
	var as interface{ GRPCStatus() *status.Status } // of the call itself, not of what wraps its error
	if !errors.As(err, &as) || as.GRPCStatus().Code() == codes.OK {
		return err
	}
	told := as.GRPCStatus()
	text := strings.Replace(err.Error(), told.Err().Error(), told.Message(), 1)
	if _, why, unreached := strings.Cut(text, "connection error: desc = "); unreached {
		text = "the server cannot be reached: " + strings.Trim(why, `"`)
		if strings.Contains(why, "server preface") {
			text += "; if it speaks TLS, give --ca-file"
		}
	}
	for _, detail := range told.Details() {
		bad, _ := detail.(*errdetails.BadRequest)
		for _, v := range bad.GetFieldViolations() {
			if line := v.Field + ": " + v.Description; !strings.Contains(text, v.Description) {
				text += "; " + line
			}
		}
	}
	return readableError{fmt.Sprintf("%s (%s)", text, told.Code()), err}
}

// readableError is an error that reads well and is still the one it was.
type readableError struct {
	text  string
	cause error
}

func (p readableError) Error() string { return p.text }

// Unwrap is the error as it came.
func (p readableError) Unwrap() error { return p.cause }
