package integration

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
)

// wantInvalid checks that an error is INVALID_ARGUMENT and names a field.
func wantInvalid(t *testing.T, err error, field string) {
	t.Helper()
	if status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), field) {
		t.Errorf("%v, want INVALID_ARGUMENT naming %s", err, field)
	}
}

// The promise: what a client agreed to can be printed again to the byte, a consent
// names a text that exists, and nothing on paper is markup of others.
func TestPrintouts(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "paper")
	hostile := `<script>alert(1)</script>`
	client := must(t, c.amara, c.consultation.CreateClient, &pb.CreateClientRequest{Parent: c.name,
		Client: &pb.Client{DisplayName: hostile}, RequestId: newID()}).Client.Name
	for kind := range pb.PrintoutKind_name {
		if kind == 0 {
			continue
		}
		req := &pb.GetPrintoutRequest{Name: client, Kind: pb.PrintoutKind(kind), Salon: c.salon}
		ctx := metadata.AppendToOutgoingContext(c.amara.calling(t), "accept-language", "fr")
		answer, err := c.outcome.GetPrintout(ctx, req)
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(answer.Content)
		if answer.Digest != hex.EncodeToString(sum[:]) || answer.Language != "en" || answer.MediaType != "text/html; charset=utf-8" {
			t.Errorf("%s: %s %s", req.Kind, answer.Language, answer.MediaType)
		}
		if strings.Contains(string(answer.Content), "<script") {
			t.Errorf("%s has a script", req.Kind)
		}
		if again := must(t, c.amara, c.outcome.GetPrintout, req); again.Digest != answer.Digest {
			t.Errorf("%s: printed twice, it differs", req.Kind)
		}
	}
	consent := must(t, c.amara, c.outcome.GetPrintout, &pb.GetPrintoutRequest{Name: client, Kind: pb.PrintoutKind_PRINTOUT_KIND_CONSENT, Salon: c.salon})
	if !slices.Contains(strings.Split(string(consent.Content), " "), consent.TextDigest+"</footer>\n</body>\n</html>\n") {
		t.Errorf("the digest of the text is not on the page: %s", consent.Content)
	}
	wantInvalid(t, mustFail(t, c.amara, c.outcome.GetPrintout, &pb.GetPrintoutRequest{Name: client, Kind: 1, Salon: c.salon, TextVersion: "chemical-0"}), "text_version")

	agreed := func(version, lang, digest string) func(*pb.Consultation) {
		return func(k *pb.Consultation) {
			k.Consent.TextVersion, k.Consent.Language, k.Consent.Digest = version, lang, digest
			k.Consent.Confirmation = pb.ClientConfirmation_CLIENT_CONFIRMATION_ON_PAPER
		}
	}
	stored := c.draft(t, client, agreed(consent.TextVersion, consent.Language, consent.TextDigest))
	if k := stored.Consent; k.TextVersion != consent.TextVersion || k.Digest != consent.TextDigest || k.Confirmation != pb.ClientConfirmation_CLIENT_CONFIRMATION_ON_PAPER {
		t.Errorf("stored: %v", k)
	}
	for field, wrong := range map[string]*pb.Consent{
		"consultation.consent.text_version": {TextVersion: "chemical-0", Language: "en", Digest: consent.TextDigest},
		"consultation.consent.language":     {TextVersion: consent.TextVersion, Language: "fr", Digest: consent.TextDigest},
		"consultation.consent.digest":       {TextVersion: consent.TextVersion, Language: "en", Digest: strings.Repeat("0", 64)},
	} {
		stored.Consent = wrong
		err := mustFail(t, c.amara, c.consultation.UpdateConsultation, &pb.UpdateConsultationRequest{Consultation: stored, UpdateMask: updateMask("consent"), RequestId: newID()})
		wantInvalid(t, err, field)
	}
	stored.Consent = &pb.Consent{Language: "en"}
	wantInvalid(t, mustFail(t, c.amara, c.consultation.UpdateConsultation, &pb.UpdateConsultationRequest{Consultation: stored, UpdateMask: updateMask("consent"), RequestId: newID()}), "consultation.consent.text_version")
}
