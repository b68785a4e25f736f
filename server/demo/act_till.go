package demo

import (
	pb "alkalog/proto/alkalogv1"

	"google.golang.org/genproto/googleapis/rpc/code"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// till shows what goes wrong between a till and a server without doing harm.
// Retries, typing errors and curiosity must change nothing on record.
func (d *run) till(decision *pb.Decision) {
	d.page.act("What goes wrong between a till and a server")
	client := &pb.Client{Name: parent(decision.GetName(), 2)}
	d.retry(client, decision.GetInputs().GetConsultation())
	d.invalidRequests(client)
	d.otherChain(client)
}

// retry sends a request again after its answer was lost. The till cannot know
// whether the server did what it asked, so it asks again with the same request ID.
// The same ID with other content is an error of the till and is refused.
func (d *run) retry(client *pb.Client, card *pb.Consultation) {
	d.page.say("The answer to a check is lost, so the till sends the same request again.")
	request := virginRequest(regular, regularLot)
	first := d.check(client, card, request, d.people.amara)
	again := call(d, d.people.amara, d.eligibility.CheckEligibility, request).GetDecision()
	d.page.answer("the same decision, every field alike: %t", proto.Equal(first, again))
	d.expect(proto.Equal(first, again), "a retried request is answered alike")
	kept := call(d, d.people.amara, d.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: client.GetName()}).GetDecisions()
	d.page.answer("decisions on record for Lindiwe: %d", len(kept))
	d.page.say("One on the incomplete consultation, one on the complete one, and this one: the retry made no new decision.")
	d.expect(len(kept) == 3, "the retry left one decision, not two")

	// The same ID with other content can only be a mistake, and is never done.
	d.page.say("Then a bug in the till sends another product with the same request ID.")
	request.Product, request.LotCode = mild, mildLot
	failure := callRefused(d, d.people.amara, d.eligibility.CheckEligibility, request, codes.AlreadyExists)
	d.page.printError(failure)
	d.expect(reasonOf(failure) == "REQUEST_ID_REUSED", "the reason is REQUEST_ID_REUSED, not %s", reasonOf(failure))
}

// invalidRequests sends input that cannot be right. The errors name every wrong
// field and what would be right, so that a developer needs one attempt. Nothing is
// stored.
func (d *run) invalidRequests(client *pb.Client) {
	d.page.say("A typing error makes a client 340 years old, with hair that stretches by 900 %%.")
	card := healthyConsultation(northQuay, d.people.amara, d.clock.Now())
	card.Consent.AgeYears = proto.Int32(340)
	card.Tests.WetStretchPercent = proto.Float64(900)
	slip := callRefused(d, d.people.amara, d.consultation.CreateConsultation, &pb.CreateConsultationRequest{
		Parent: client.GetName(), Consultation: card, RequestId: newID(),
	}, codes.InvalidArgument)
	d.page.printError(slip)
	d.expect(len(violations(slip)) == 2, "both wrong fields are named, not %d", len(violations(slip)))

	d.page.say("Odile makes an error in a product: a caustic cream with the pH of hand soap.")
	wrong := relaxer("Ebb relaxer, copied wrongly", pb.Strength_STRENGTH_SUPER, 2.2, nil)
	wrong.DeclaredPh = proto.Float64(9.5)
	copied := callRefused(d, d.people.manager, d.catalog.CreateProduct, &pb.CreateProductRequest{
		Parent: ebb, ProductId: "ebb-wrong", Product: wrong, RequestId: newID(),
	}, codes.InvalidArgument)
	d.page.printError(copied)
	d.expect(len(violations(copied)) == 1, "the impossible pH is named")
}

// otherChain calls as a manager of another chain on the same server. The answer is
// NOT_FOUND, as for a name that does not exist: otherwise it would tell which
// clients there are.
func (d *run) otherChain(client *pb.Client) {
	d.page.say("Pim, who manages another chain on the same server, asks for Lindiwe's record card and for Ebb and Flow's audit log.")
	d.page.printError(callRefused(d, d.people.stranger, d.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: client.GetName()}, codes.NotFound))
	d.page.printError(callRefused(d, d.people.stranger, d.auditing.ListEntries, &pb.ListEntriesRequest{Parent: ebb}, codes.NotFound))
}

// printError prints an error for a developer: code, reason, and each field with
// what would be right. It is what a developer of a till sees first.
func (p *page) printError(s *status.Status) {
	fields := violations(s)
	if len(fields) == 0 {
		p.answer("error %s, reason %s: %s", code.Code(s.Code()), reasonOf(s), s.Message())
		return
	}
	p.answer("error %s, reason %s:", code.Code(s.Code()), reasonOf(s))
	for _, v := range fields {
		p.detail("%s: %s", v.GetField(), v.GetDescription())
	}
}

// violations returns the fields that an error names. They are details of the
// status, as AIP-193 has them.
func violations(s *status.Status) []*errdetails.BadRequest_FieldViolation {
	for _, detail := range s.Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			return bad.GetFieldViolations()
		}
	}
	return nil
}

// reasonOf returns the machine-readable reason of an error. Programs branch on the
// reason; messages may change.
func reasonOf(s *status.Status) string {
	for _, detail := range s.Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return "no reason given"
}
