package web

import (
	"errors"
	"regexp"

	"connectrpc.com/connect"
	"connectrpc.com/vanguard"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/anypb"

	"alkalog/service/fault"
)

// codec is the transcoder's codec of JSON with errors that name the field. Answers
// leave out what has no value, as protobuf does: "not answered" differs from zero.
type codec struct{ vanguard.JSONCodec }

// newCodec returns the codec as the transcoder wants it. depth is how deeply messages
// may be nested.
func newCodec(depth int) func(vanguard.TypeResolver) vanguard.Codec {
	return func(types vanguard.TypeResolver) vanguard.Codec {
		return codec{vanguard.JSONCodec{
			MarshalOptions:   protojson.MarshalOptions{Resolver: types},
			UnmarshalOptions: protojson.UnmarshalOptions{Resolver: types, RecursionLimit: depth},
		}}
	}
}

// Unmarshal decodes a request.
func (c codec) Unmarshal(text []byte, m proto.Message) error {
	if err := c.JSONCodec.Unmarshal(text, m); err != nil {
		return asConnectError(fault.InvalidFields(jsonViolation(err, m.ProtoReflect().Descriptor())))
	}
	return nil
}

// UnmarshalField decodes a part of a request.
func (c codec) UnmarshalField(text []byte, m proto.Message, field protoreflect.FieldDescriptor) error {
	if err := c.JSONCodec.UnmarshalField(text, m, field); err != nil {
		return asConnectError(fault.InvalidFields(jsonViolation(err, m.ProtoReflect().Descriptor())))
	}
	return nil
}

// jsonField finds the field in an error of protojson, which has no other form than its
// text. The value in it is not repeated: it may be about a client.
var jsonField = regexp.MustCompile(`(?:unknown|invalid value for (\w+)|duplicate(?: oneof)?) field:? "?([A-Za-z0-9_.]+)"?`)

// jsonViolation says what is wrong with a request that could not be decoded. It names
// the field if protojson does; otherwise the text is no JSON of the message at all.
func jsonViolation(err error, message protoreflect.MessageDescriptor) fault.Violation {
	found := jsonField.FindStringSubmatch(err.Error())
	switch {
	case found == nil:
		return *malformedJSON(message)
	case found[1] != "":
		return fault.Violation{Field: found[2], Want: "must be a value of type " + found[1] + ", as the contract and the ProtoJSON format write it"}
	}
	return fault.Violation{Field: found[2], Want: "must be a field of the contract, sent once"}
}

// asConnectError returns an error with its details in the form that the transcoder
// passes on: it answers errors of a codec itself, in the form of the client's protocol.
func asConnectError(err *fault.Error) error {
	status := err.Stored()
	wire := connect.NewError(connect.Code(status.GetCode()), errors.New(status.GetMessage()))
	for _, detail := range status.GetDetails() {
		if d, err := connect.NewErrorDetail((*anypb.Any)(detail)); err == nil {
			wire.AddDetail(d)
		}
	}
	return wire
}
