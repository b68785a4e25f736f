package client

import (
	"errors"
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// IsUnavailable reports whether the server could not be reached or stopped
// answering, so that a retry may succeed.
func IsUnavailable(err error) bool { return status.Code(err) == codes.Unavailable }

// IsResumable reports whether a stream that ended with err can be resumed: the
// server became unavailable, dropped a slow reader, or limited the rate of calls.
func IsResumable(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.Aborted, codes.ResourceExhausted:
		return true
	}
	return false
}

// IsInvalidArgument reports whether the server rejected the request as invalid.
func IsInvalidArgument(err error) bool { return status.Code(err) == codes.InvalidArgument }

// IsNotFound reports whether the resource does not exist, or no longer exists.
func IsNotFound(err error) bool { return status.Code(err) == codes.NotFound }

// Readable returns the error of a call with a text for people: the message, the
// violation of each field, and the code. Other errors are returned unchanged.
//
// It unwraps to the original error, so that callers can still test the code. Only
// what the server said is shown: the message and the violations, never the request.
func Readable(err error) error {
	// The status of the call itself, without the text of errors that wrap it.
	var as interface{ GRPCStatus() *status.Status }
	if !errors.As(err, &as) || as.GRPCStatus().Code() == codes.OK {
		return err
	}
	st := as.GRPCStatus()
	text := strings.Replace(err.Error(), st.Err().Error(), st.Message(), 1)
	if _, why, unreached := strings.Cut(text, "connection error: desc = "); unreached {
		text = "the server cannot be reached: " + strings.Trim(why, `"`)
		if strings.Contains(why, "server preface") {
			text += "; if it speaks TLS, give --ca-file"
		}
	}
	for _, detail := range st.Details() {
		bad, _ := detail.(*errdetails.BadRequest)
		for _, v := range bad.GetFieldViolations() {
			if line := v.Field + ": " + v.Description; !strings.Contains(text, v.Description) {
				text += "; " + line
			}
		}
	}
	return readableError{fmt.Sprintf("%s (%s)", text, st.Code()), err}
}

// readableError has another text than the error that it wraps.
type readableError struct {
	text  string
	cause error
}

// Error returns the readable text.
func (p readableError) Error() string { return p.text }

// Unwrap returns the original error.
func (p readableError) Unwrap() error { return p.cause }
