package fault

import (
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	pb "alkalog/proto/alkalogv1"
)

// IssuerUnavailable means that no token can be checked now, because the keys of the
// identity provider cannot be fetched. The caller is neither known nor refused, and may
// retry.
func IssuerUnavailable() *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_ISSUER_UNAVAILABLE, message: "the identity provider does not answer, so no token can be checked; retry later",
		details: []protoadapt.MessageV1{&errdetails.RetryInfo{RetryDelay: durationpb.New(retryDelay)}}}
}
