package dial

import (
	"errors"
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Lost reports whether an error says that the server could not be reached or
// went away, so that asking again may help.
func Lost(err error) bool { return status.Code(err) == codes.Unavailable }

// Resumable reports whether an error ended a stream that may be gone on with: the
// server went away, let go of a slow reader, or has had too many calls.
func Resumable(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.Aborted, codes.ResourceExhausted:
		return true
	}
	return false
}

// Wrong reports whether an error says that what was asked is not right.
func Wrong(err error) bool { return status.Code(err) == codes.InvalidArgument }

// Gone reports whether an error says that there is no such thing, or no more.
func Gone(err error) bool { return status.Code(err) == codes.NotFound }

// Plain is an error of a call in words for a person: what is wrong, field by
// field where the server says so, and the code.
func Plain(err error) error {
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
	return plain{fmt.Sprintf("%s (%s)", text, told.Code()), err}
}

// plain is an error that reads well and is still the one it was.
type plain struct {
	text  string
	cause error
}

func (p plain) Error() string { return p.text }

// Unwrap is the error as it came.
func (p plain) Unwrap() error { return p.cause }
