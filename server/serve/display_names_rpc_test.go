package serve

import (
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "alkalog/proto/alkalogv1"
)

// TestNamesAreVisible: a display name that nobody can see is refused, where it is
// written; one letter in any script is enough.
func TestNamesAreVisible(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	create := func(name string) error {
		_, err := b.directory.CreateChain(as(t, "operator"), &pb.CreateChainRequest{ChainId: "ebb", RequestId: someID, Chain: &pb.Chain{DisplayName: name}})
		return err
	}
	for what, name := range map[string]string{
		"blanks": "   ", "no-break spaces": "\u00a0\u2003\u3000", "zero width": "\u200b\u200d\ufeff", "soft hyphen": "\u00ad",
		"Hangul filler": "\u3164\u115f\uffa0", "blank Braille": "\u2800", "marks alone": "\u0301\u0302", "word joiner": "\u2060", "variation selector": "\ufe0f",
	} {
		t.Run(what, func(t *testing.T) {
			wantError(t, create(name), codes.InvalidArgument, "INVALID_FIELD", "chain.display_name: must have at least one visible character")
		})
	}
	for _, name := range []string{"Ö", "雨", "م", "O\u0308", "A\u200dB", "✂", "7", "…"} {
		wantError(t, create(name), codes.Unimplemented, "") // came through
	}
	update := func(path string) error {
		_, err := b.directory.UpdateSalon(as(t, "manager"), &pb.UpdateSalonRequest{RequestId: someID,
			Salon: &pb.Salon{Name: "chains/ebb/salons/north", Etag: "e", DisplayName: "\u200b", TimeZone: "Europe/London"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{path}}})
		return err
	}
	wantError(t, update("display_name"), codes.InvalidArgument, "INVALID_FIELD", "salon.display_name")
	wantError(t, update("time_zone"), codes.Unimplemented, "")
}

// TestNamesAreNormalized: the same name, typed in two ways, is one.
func TestNamesAreNormalized(t *testing.T) {
	t.Parallel()
	req := &pb.CreateChainRequest{Chain: &pb.Chain{DisplayName: "O\u0308zge"}}
	normalizeNames(req.ProtoReflect())
	if req.Chain.DisplayName != "\u00d6zge" {
		t.Errorf("got %+q", req.Chain.DisplayName)
	}
}
