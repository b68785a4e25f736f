package contract

import (
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Terms returns the status code of a reason and which RPCs can fail with it; nil
// for a value that the contract does not define.
func Terms(reason pb.ErrorReason) *pb.ErrorTerms {
	value := reason.Descriptor().Values().ByNumber(reason.Number())
	if value == nil {
		return nil
	}
	return proto.GetExtension(value.Options(), pb.E_Terms).(*pb.ErrorTerms)
}

// CanFail reports whether the contract says that an RPC can fail with a reason.
func CanFail(method protoreflect.MethodDescriptor, reason pb.ErrorReason) bool {
	access := proto.GetExtension(method.Options(), pb.E_Access).(*pb.Access)
	switch Terms(reason).GetScope() {
	case pb.ErrorScope_ERROR_SCOPE_LISTED:
		return slices.Contains(access.GetReasons(), reason)
	case pb.ErrorScope_ERROR_SCOPE_EVERY_CALL:
		return true
	case pb.ErrorScope_ERROR_SCOPE_EVERY_CHANGE:
		return access.GetMutates()
	case pb.ErrorScope_ERROR_SCOPE_EVERY_STREAM:
		return method.IsStreamingServer()
	case pb.ErrorScope_ERROR_SCOPE_EVERY_WHOLE_CHAIN_CALL:
		return access.GetWholeChain()
	}
	return false
}
