package serve

import (
	"bytes"
	"fmt"

	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/proto" // registers the codec that ours is made of
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"alkalog/service/fault"
)

// codec is gRPC's own, except that a request which cannot be read is handed on
// as an empty one with a mark. gRPC would answer it before any interceptor: with
// INTERNAL for what is the caller's mistake, and with nothing on the log.
type codec struct{ encoding.CodecV2 }

func newCodec() codec { return codec{encoding.GetCodecV2("proto")} }

// deepest is how deeply messages in a request may be nested; the contract needs
// less than ten. Our own choice; the usual 10,000 are a caller's way to cost us
// much with little.
const deepest = 64

// Unmarshal reads a message, or marks it.
func (c codec) Unmarshal(data mem.BufferSlice, v any) error {
	m, ok := v.(proto.Message)
	if !ok {
		return c.CodecV2.Unmarshal(data, v)
	}
	whole := data.MaterializeToBuffer(mem.DefaultBufferPool())
	defer whole.Free()
	if err := (proto.UnmarshalOptions{RecursionLimit: deepest}).Unmarshal(whole.ReadOnlyData(), m); err != nil {
		proto.Reset(m)
		m.ProtoReflect().SetUnknown(unreadable())
	}
	return nil
}

// unreadable is the mark: an unknown field with the last of the numbers that no
// message may use (Protocol Buffers language guide, "Assigning Field Numbers").
// Whoever sends it gets what it stands for.
func unreadable() []byte {
	return protowire.AppendVarint(protowire.AppendTag(nil, 19999, protowire.VarintType), 1)
}

// checkRead tells the caller of a request that could not be read.
func checkRead(m proto.Message) error {
	if !bytes.Equal(m.ProtoReflect().GetUnknown(), unreadable()) {
		return nil
	}
	return fault.Invalid("request", fmt.Sprintf("must be a well-formed %s, with all text in UTF-8", m.ProtoReflect().Descriptor().FullName()))
}
