package fault

import (
	"context"
	"errors"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

// retryDelay is when a caller may try again; our own choice.
const retryDelay = 500 * time.Millisecond

// facts maps each error of storage, and the errors of contexts, to what callers get.
// The first entry that matches applies, so a specific error must come before
// ErrUnavailable, which some errors wrap as well.
func facts() []struct {
	fact  error
	shown *Error
} {
	retry := []protoadapt.MessageV1{&errdetails.RetryInfo{RetryDelay: durationpb.New(retryDelay)}}
	return []struct {
		fact  error
		shown *Error
	}{
		{storage.ErrNotFound, &Error{reason: pb.ErrorReason_ERROR_REASON_NOT_FOUND, message: "not found"}},
		{storage.ErrExists, &Error{reason: pb.ErrorReason_ERROR_REASON_ALREADY_EXISTS, message: "exists already"}},
		{storage.ErrStale, &Error{reason: pb.ErrorReason_ERROR_REASON_ETAG_MISMATCH, message: "the record was changed since it was read; read it again"}},
		{storage.ErrReused, &Error{reason: pb.ErrorReason_ERROR_REASON_REQUEST_ID_REUSED, message: "the request_id was used for another request; take a new one"}},
		{storage.ErrBadToken, InvalidFields(Violation{"page_token", "must be the next_page_token of the same query, or empty"})},
		{storage.ErrUnknown, &Error{reason: pb.ErrorReason_ERROR_REASON_OUTCOME_UNKNOWN, message: "outcome unknown; retry with the same request_id", details: retry}},
		{storage.ErrAuditUnavailable, &Error{reason: pb.ErrorReason_ERROR_REASON_AUDIT_UNAVAILABLE, message: "the audit log cannot be written, so nothing was decided or recorded; " +
			"retry with the same request_id", details: retry}},
		{storage.ErrFenced, &Error{reason: pb.ErrorReason_ERROR_REASON_DATABASE_FENCED, message: "the database is not the newest one; retry later", details: retry}},
		{storage.ErrReadOnly, &Error{reason: pb.ErrorReason_ERROR_REASON_LOG_MISMATCH, message: "the database is not what was last seen of it, as after a restored backup; " +
			"nothing is changed until an operator accepts that with the command `alkalog accept-restore`"}},
		{storage.ErrSealed, &Error{reason: pb.ErrorReason_ERROR_REASON_RECORD_UNREADABLE, message: "a stored record cannot be opened: it was changed or moved in the database, " +
			"or is sealed with a key that this server does not have"}},
		{storage.ErrUnavailable, &Error{reason: pb.ErrorReason_ERROR_REASON_DATABASE_UNAVAILABLE, message: "the database cannot be reached; retry later", details: retry}},
		{context.DeadlineExceeded, &Error{reason: pb.ErrorReason_ERROR_REASON_DEADLINE_EXCEEDED, message: "the deadline passed"}},
		{context.Canceled, &Error{reason: pb.ErrorReason_ERROR_REASON_CANCELLED, message: "the call was cancelled"}},
	}
}

// Known returns the status error for err, and whether callers may see it. Anything that
// is not known becomes INTERNAL, and its text stays on the server.
func Known(err error) (error, bool) {
	if own := new(Error); errors.As(err, &own) {
		return own.GRPCStatus().Err(), true
	}
	if refused := new(storage.Refused); errors.As(err, &refused) {
		return status.FromProto(refused.Status).Err(), true
	}
	for _, f := range facts() {
		if errors.Is(err, f.fact) {
			return f.shown.GRPCStatus().Err(), true
		}
	}
	if st, ok := status.FromError(err); ok && st.Code() != codes.Unknown {
		return err, true
	}
	return nil, false
}

// Internal returns the status for an error that nobody foresaw. id finds its text in
// the server's log.
func Internal(id string) error {
	e := &Error{reason: pb.ErrorReason_ERROR_REASON_INTERNAL, message: "something went wrong here; nothing was decided (error " + id + ")"}
	return e.GRPCStatus().Err()
}

// Code returns the code of a settled error; OK for nil.
func Code(err error) codes.Code { return status.Code(err) }

// Wire returns a settled error as google.rpc.Status, for protocols without grpc-go;
// code OK for nil.
func Wire(err error) *spb.Status { return status.Convert(err).Proto() }
