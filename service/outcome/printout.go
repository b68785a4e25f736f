package outcome

import (
	"context"
	"crypto/sha256"
	"encoding/hex"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/paper"
	"alkalog/service/record"
	"alkalog/service/texts"
	"alkalog/storage"
)

// GetPrintout makes a document for print. Nothing is stored: the
// digest says whether a paper is what these records give. The language is English,
// because that is the only one whose consent and advice were reviewed. Errors:
// NOT_FOUND for a client or salon that the caller may not see, INVALID_ARGUMENT for a
// version of the consent text that there is not.
func (s Service) GetPrintout(ctx context.Context, req *pb.GetPrintoutRequest) (*pb.GetPrintoutResponse, error) {
	answer := &pb.GetPrintoutResponse{MediaType: "text/html; charset=utf-8", Language: texts.English}
	salon, err := record.Read(ctx, s.DB, storage.Salons, req.Salon)
	if err != nil {
		return nil, err
	}
	switch req.Kind {
	case pb.PrintoutKind_PRINTOUT_KIND_RECORD_CARD:
		err = s.printCard(ctx, req, answer)
	default:
		err = s.printForClient(ctx, req, salon, answer)
	}
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(answer.Content)
	answer.Digest = hex.EncodeToString(sum[:])
	return answer, nil
}

// printCard prints the record card as GetRecordCard gives it: one page is made in one
// place. The card has no name, the salon writes it by hand.
func (s Service) printCard(ctx context.Context, req *pb.GetPrintoutRequest, answer *pb.GetPrintoutResponse) error {
	c, err := s.GetRecordCard(ctx, &pb.GetRecordCardRequest{Name: req.Name, Format: pb.CardFormat_CARD_FORMAT_HTML})
	answer.Content = []byte(c.GetRendered())
	return err
}

// printForClient prints what carries the client's name: the consent text and the sheet
// for home. The consent text may be an older version, so that what somebody agreed to
// can be printed again. The sheet needs the salon for its emergency number, since a
// wrong number on paper outlives every correction.
func (s Service) printForClient(ctx context.Context, req *pb.GetPrintoutRequest, salon *pb.Salon, answer *pb.GetPrintoutResponse) error {
	caller := actor.From(ctx)
	return storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) error {
		client, err := record.Get(r, caller, storage.Clients, req.Name)
		if err != nil {
			return err
		}
		if req.Kind == pb.PrintoutKind_PRINTOUT_KIND_CONSENT {
			text, found := texts.ConsentText(req.TextVersion, answer.Language)
			if !found {
				return fault.Invalid("text_version", "must be a version of the consent text, such as "+texts.CurrentConsent)
			}
			answer.TextVersion, answer.Language, answer.TextDigest = text.Version, text.Language, text.Digest
			answer.Content, err = paper.Consent(text, client.DisplayName)
			return err
		}
		found, _, _, err := record.CardAndVisits(r, record.Linked(client), visitsShown)
		if err == nil {
			answer.Content, err = paper.Aftercare(found, client.DisplayName, record.EmergencyNumber(salon), record.Zone(salon))
		}
		return err
	})
}
