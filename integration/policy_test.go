package integration

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// findingOf is a decision's finding by a rule, or nil.
func findingOf(d *pb.Decision, rule string) *pb.Finding {
	i := slices.IndexFunc(d.Findings, func(f *pb.Finding) bool { return f.RuleId == rule })
	if i < 0 {
		return nil
	}
	return d.Findings[i]
}

// TestNoHeatOnFailedTests: what is offered instead of a refused relaxer never
// ignores a test. Before, heat was offered as suitable when elasticity had failed,
// the strand had broken, metal was found or the scalp was tender.
func TestNoHeatOnFailedTests(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	for name, spoil := range map[string]func(*pb.Consultation){
		"elasticity failed": func(k *pb.Consultation) { k.Tests.Elasticity = pb.ElasticityReading_ELASTICITY_READING_FAILED },
		"the strand broke":  func(k *pb.Consultation) { k.Tests.Strand = pb.StrandReading_STRAND_READING_BREAKAGE },
		"metal was found": func(k *pb.Consultation) {
			k.Tests.Incompatibility = pb.IncompatibilityReading_INCOMPATIBILITY_READING_POSITIVE
		},
		"a tender scalp": func(k *pb.Consultation) { k.Scalp.Tender = yes },
	} {
		d := wantVerdict(t, c.decision(t, spoil), pb.Verdict_VERDICT_REFER, pb.Verdict_VERDICT_REFUSE)
		for _, a := range d.Alternatives {
			hot := strings.Contains(a.Title, "heat")
			if hot && a.Suitable {
				t.Errorf("%s, and %q is offered as suitable", name, a.Title)
			}
			if a.AlternativeId == "" || a.Basis.GetSource() == "" {
				t.Errorf("%q has id %q and basis %v", a.Title, a.AlternativeId, a.Basis)
			}
		}
	}
}

// TestFormaldehydeByState: where a product with formaldehyde may not be held or
// sold it is refused and nobody sets that aside; elsewhere in the US it goes on
// under conditions. California Health and Safety Code s. 108980(a) (2025); Maryland
// Code, Health-General s. 21-259.2(b) (2025).
func TestFormaldehydeByState(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	smoothing := must(t, c.odile, c.catalog.CreateProduct, &pb.CreateProductRequest{
		Parent: c.name, ProductId: "smoothing", RequestId: newID(), Product: &pb.Product{
			DisplayName: "Smoothing", Kind: pb.ProductKind_PRODUCT_KIND_SMOOTHING, UseTier: pb.UseTier_USE_TIER_PROFESSIONAL,
			Ingredients:     []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_FORMALDEHYDE, MassPercent: new(0.2)}},
			Directions:      &pb.Directions{MaximumMinutes: new(int32(18)), UsualMinutes: new(int32(13)), Edition: "invented edition 1"},
			Lots:            []*pb.Lot{{LotCode: "S-1", ExpireTime: timestamppb.New(c.clock.Now().AddDate(1, 0, 0))}},
			SafetyDataSheet: "invented sheet",
		}}).Product
	for place, rule := range map[pb.Jurisdiction]string{
		pb.Jurisdiction_JURISDICTION_US_CALIFORNIA: "law.california-formaldehyde",
		pb.Jurisdiction_JURISDICTION_US_MARYLAND:   "law.maryland-formaldehyde",
		pb.Jurisdiction_JURISDICTION_EU:            "law.eu-formaldehyde",
		pb.Jurisdiction_JURISDICTION_US:            "",
		pb.Jurisdiction_JURISDICTION_US_TEXAS:      "",
	} {
		c.moveVisitTo(t, place)
		question := c.question(c.submitted(t, c.client(t)).Name)
		question.Product, question.LotCode = smoothing.Name, "S-1"
		d := must(t, c.amara, c.eligibility.CheckEligibility, question).Decision
		if rule == "" {
			wantVerdict(t, d, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
			if findingOf(d, "law.us-formaldehyde") == nil {
				t.Errorf("%s: findings %v", place, d.Findings)
			}
			continue
		}
		f := findingOf(d, rule)
		if f == nil {
			t.Errorf("%s: %s, findings %v", place, d.Verdict, d.Findings)
			continue
		}
		answer := must(t, c.imara, c.eligibility.OverrideDecision, c.override(d, f))
		if answer.Override.Denial != pb.OverrideDenial_OVERRIDE_DENIAL_ABSOLUTE {
			t.Errorf("%s: an override came out as %s", place, answer.Override.Denial)
		}
	}
}

// TestLicenceWhereThereIsOne: a stylist in the United Kingdom, where hairdressers
// are not licensed, needs no number to work or to decide; one in Texas does.
func TestLicenceWhereThereIsOne(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	unlicensed := &pb.Practitioner{Name: c.amara.name}
	must(t, c.odile, c.directory.UpdatePractitioner, &pb.UpdatePractitionerRequest{
		Practitioner: unlicensed, UpdateMask: updateMask("licence_number", "licence_expire_time"), RequestId: newID()})
	must(t, c.odile, c.directory.UpdatePractitioner, &pb.UpdatePractitionerRequest{
		Practitioner: &pb.Practitioner{Name: c.imara.name}, UpdateMask: updateMask("licence_number", "licence_expire_time"), RequestId: newID()})
	c.proceedDecision(t)
	d := c.decision(t, c.shampooed)
	if answer := must(t, c.imara, c.eligibility.OverrideDecision, c.override(d, overridable(t, d))); answer.Override.Denial != 0 {
		t.Errorf("a supervisor without a licence, in the UK: %s", answer.Override.Denial)
	}
	c.moveVisitTo(t, pb.Jurisdiction_JURISDICTION_US_TEXAS)
	if d := wantVerdict(t, c.decision(t), pb.Verdict_VERDICT_REFUSE); findingOf(d, "practitioner.no-licence") == nil {
		t.Errorf("in Texas: %v", d.Findings)
	}
}

// TestRegionCode: a region code that contradicts the jurisdiction is bad input and
// changes nothing; one that says more selects the pack.
func TestRegionCode(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	create := func(id, region string, place pb.Jurisdiction) *pb.CreateSalonRequest {
		return &pb.CreateSalonRequest{Parent: c.name, SalonId: id, RequestId: newID(),
			Salon: &pb.Salon{DisplayName: "Invented", Jurisdiction: place, RegionCode: region}}
	}
	err := mustFail(t, c.odile, c.directory.CreateSalon, create("wrong", "FR", pb.Jurisdiction_JURISDICTION_UK))
	wantError(t, "France in the UK", err, codes.InvalidArgument, "INVALID_FIELD")
	if !strings.Contains(err.Error(), "salon.region_code") || !strings.Contains(err.Error(), "JURISDICTION_EU") {
		t.Errorf("the error does not say which field and what would be right: %v", err)
	}
	update := &pb.UpdateSalonRequest{Salon: &pb.Salon{Name: c.salon, RegionCode: "US-TX"}, UpdateMask: updateMask("region_code"), RequestId: newID()}
	wantError(t, "Texas in the UK", mustFail(t, c.odile, c.directory.UpdateSalon, update), codes.InvalidArgument, "INVALID_FIELD")
	if got := must(t, c.odile, c.directory.GetSalon, &pb.GetSalonRequest{Name: c.salon}).Salon; got.RegionCode != "" {
		t.Errorf("refused, and changed all the same: %v", got)
	}
	c.moveVisitTo(t, pb.Jurisdiction_JURISDICTION_US)
	must(t, c.odile, c.directory.UpdateSalon, again(update))
	red := func(k *pb.Consultation) { k.Scalp.Redness = pb.Answer_ANSWER_UNSURE }
	if d := wantVerdict(t, c.decision(t, red), pb.Verdict_VERDICT_REFUSE); findingOf(d, "law.texas-skin") == nil {
		t.Errorf("US with the code US-TX: %v", d.Findings)
	}
}

// TestIncidentInTheNextDecision: an incident counts at the next visit until the
// scalp was seen in the salon since; after an eye only a doctor's word that names
// it does, and a call by telephone does nothing.
func TestIncidentInTheNextDecision(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	happened := c.clock.Now().Add(-72 * time.Hour)
	incident := func(client string, kind pb.IncidentKind) *pb.Incident {
		return must(t, c.amara, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, RequestId: newID(), Incident: &pb.Incident{
			Kind: kind, OccurTime: timestamppb.New(happened), Seen: "invented", Salon: c.salon, Practitioner: c.amara.name, Blister: no}}).Incident
	}
	seen := func(at time.Time) func(*pb.Consultation) {
		return func(k *pb.Consultation) { k.Scalp.SeenTime = timestamppb.New(at) }
	}
	burnt := c.client(t)
	incident(burnt, pb.IncidentKind_INCIDENT_KIND_BURN)
	if d := wantVerdict(t, c.decisionFor(t, burnt, seen(happened.Add(-time.Hour))), pb.Verdict_VERDICT_REFER); findingOf(d, "incident.scalp-not-seen-since") == nil {
		t.Errorf("an analysis of before the burn: %v", d.Findings)
	}
	c.clock.advance(25 * time.Hour) // another day: an answer that changes within 24 hours is asked about
	wantVerdict(t, c.decisionFor(t, burnt, seen(c.clock.Now().Add(-time.Hour))), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	splashed := c.client(t)
	eye := incident(splashed, pb.IncidentKind_INCIDENT_KIND_EYE)
	must(t, c.amara, c.incident.RecordFollowUp, &pb.RecordFollowUpRequest{Name: eye.Name, Number: new(int32(1)), RequestId: newID(),
		FollowUp: &pb.FollowUp{Channel: pb.FollowUpChannel_FOLLOW_UP_CHANNEL_REMOTE, Worse: no, DoctorSeen: yes, Text: "all well", Practitioner: c.amara.name}})
	d := wantVerdict(t, c.decisionFor(t, splashed), pb.Verdict_VERDICT_REFUSE)
	f := findingOf(d, "incident.doctors-word-missing")
	if f == nil || f.OverrideTerms.GetAllowed() {
		t.Fatalf("a telephone call cleared an eye, or somebody may set it aside: %v", d.Findings)
	}
	word := func(incident string) func(*pb.Consultation) {
		return func(k *pb.Consultation) {
			day := &date.Date{Year: int32(c.clock.Now().Year()), Month: int32(c.clock.Now().Month()), Day: int32(c.clock.Now().Day())}
			k.History.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_INCIDENT, Incident: incident, GiveDate: day, Reference: "invented note"}}
		}
	}
	other := incident(burnt, pb.IncidentKind_INCIDENT_KIND_EYE)
	wantField(t, "consultation.history.doctors_words[0].incident", c.amara, c.consultation.CreateConsultation, &pb.CreateConsultationRequest{
		Parent: splashed, Consultation: c.consultationAnswers(word(other.Name)), RequestId: newID()}) // another client's
	c.clock.advance(25 * time.Hour)
	wantVerdict(t, c.decisionFor(t, splashed, word(eye.Name)), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
}

// TestWaveTakesThio: hydroxide for a wave is refused, whatever else is right.
func TestWaveTakesThio(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	question := c.question(c.submitted(t, c.client(t)).Name)
	question.ServiceKind = pb.ServiceKind_SERVICE_KIND_WAVE
	d := must(t, c.amara, c.eligibility.CheckEligibility, question).Decision
	if f := findingOf(d, "service.wave-needs-thio"); f == nil || f.OverrideTerms.GetAllowed() {
		t.Errorf("%s: %v", d.Verdict, d.Findings)
	}
}

// TestSectionsAndTheirProducts: a section that the head does not have is bad input;
// each section's own product passes all rules of products; sections that are left
// out bring no findings.
func TestSectionsAndTheirProducts(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	super := proto.CloneOf(c.products()[3])
	super.Name, super.Strength, super.Lots = "", pb.Strength_STRENGTH_SUPER, []*pb.Lot{{LotCode: "U-1", ExpireTime: timestamppb.New(c.clock.Now().Add(-time.Hour))}}
	super = must(t, c.odile, c.catalog.CreateProduct, &pb.CreateProductRequest{Parent: c.name, ProductId: "super", Product: super, RequestId: newID()}).Product
	fragile := func(k *pb.Consultation) { k.Hair.Sections[2].Porosity = pb.Porosity_POROSITY_EXTREME }
	ask := func(change func(*pb.CheckEligibilityRequest)) *pb.CheckEligibilityRequest {
		q := c.question(c.submitted(t, c.client(t), fragile).Name)
		change(q)
		return q
	}
	for field, change := range map[string]func(*pb.CheckEligibilityRequest){
		"section_ids[1]": func(q *pb.CheckEligibilityRequest) { q.SectionIds = []string{"front", "moon"} },
		"section_choices[0].section_id": func(q *pb.CheckEligibilityRequest) {
			q.SectionIds = []string{"back-left"}
			q.SectionChoices = []*pb.SectionChoice{{SectionId: "front", Product: super.Name}}
		},
	} {
		err := mustFail(t, c.amara, c.eligibility.CheckEligibility, ask(change))
		wantError(t, field, err, codes.InvalidArgument, "INVALID_FIELD")
		if !strings.Contains(err.Error(), field) || !strings.Contains(err.Error(), "back-left") {
			t.Errorf("the error does not name %s and what would be right: %v", field, err)
		}
	}
	whole := must(t, c.amara, c.eligibility.CheckEligibility, ask(func(*pb.CheckEligibilityRequest) {})).Decision
	if f := findingOf(whole, "section.extreme-porosity"); f == nil {
		t.Errorf("the whole head: %v", whole.Findings)
	}
	part := must(t, c.amara, c.eligibility.CheckEligibility, ask(func(q *pb.CheckEligibilityRequest) { q.SectionIds = []string{"back-left", "back-right"} })).Decision
	wantVerdict(t, part, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	if got := len(part.Plan.Sections); got != 2 {
		t.Errorf("%d sections are planned of two", got)
	}
	two := must(t, c.amara, c.eligibility.CheckEligibility, ask(func(q *pb.CheckEligibilityRequest) {
		q.SectionIds = []string{"back-left", "back-right"}
		q.SectionChoices = []*pb.SectionChoice{{SectionId: "back-right", Product: super.Name, LotCode: "U-1"}}
	})).Decision
	wantVerdict(t, two, pb.Verdict_VERDICT_REFUSE)
	for _, rule := range []string{"product.lot-expired", "strength.super-on-average"} {
		if f := findingOf(two, rule); f == nil || f.Subject != "section:back-right" {
			t.Errorf("%s: %v", rule, f)
		}
	}
	if again := must(t, c.vesna, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: two.Name}); !again.Identical {
		t.Errorf("replayed: %v", again.Differences)
	}
}
