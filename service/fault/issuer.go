package fault

import (
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	pb "alkalog/proto/alkalogv1"
)

// IssuerUnavailable says that nobody's token can be checked now, because the
// keys it is signed with cannot be had. The caller that sent one is neither known nor
// refused.
func IssuerUnavailable() *Error {
	return &Error{reason: pb.ErrorReason_ERROR_REASON_ISSUER_UNAVAILABLE, message: "the identity provider does not answer, so no token can be checked; retry later",
		details: []protoadapt.MessageV1{&errdetails.RetryInfo{RetryDelay: durationpb.New(retryDelay)}}}
}
