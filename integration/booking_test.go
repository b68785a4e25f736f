package integration

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// TestBookingSaysWhenItMayBe: a booking decides for its time, names the earliest time
// to the minute and what must not be done before, stores no decision, and counts once
// however often it is sent.
func TestBookingSaysWhenItMayBe(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	washed := c.clock.Now().Add(-10*time.Hour + 20*time.Second)
	consultation := c.submitted(t, c.client(t), func(k *pb.Consultation) {
		k.History.Shampoo = &pb.PastEvent{Happened: yes, LastTime: timestamppb.New(washed)}
	})
	earliest := washed.Add(48 * time.Hour).Truncate(time.Minute).Add(time.Minute)
	at := func(when time.Time) *pb.CheckBookingResponse {
		req := c.booking(consultation.Name, when.Sub(c.clock.Now()))
		answer := must(t, c.amara, c.eligibility.CheckBooking, req)
		must(t, c.amara, c.eligibility.CheckBooking, req) // sent twice
		return answer
	}
	for when, waits := range map[time.Time]bool{earliest: false, earliest.Add(-time.Minute): true} {
		answer := at(when)
		if !answer.EarliestTime.AsTime().Equal(earliest) {
			t.Errorf("earliest %s, want %s", answer.EarliestTime.AsTime(), earliest)
		}
		if got := findingOf(answer.Decision, "wait.shampoo") != nil; got != waits || answer.Decision.Name != "" {
			t.Errorf("at %s it waits %v, want %v; the decision is named %q", when, got, waits, answer.Decision.Name)
		}
		i := slices.IndexFunc(answer.Requirements, func(r *pb.BookingRequirement) bool {
			return r.Kind == pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_ABSTAIN && r.RequirementId == "wait.shampoo"
		})
		if i < 0 || answer.Requirements[i].FromTime != nil || answer.Requirements[i].Text != "Do not wash the hair from now on." {
			t.Errorf("what must not be done less than 48 hours before: %v", answer.Requirements)
		}
	}
	later := c.clock.Now().Add(72 * time.Hour)
	washing := slices.IndexFunc(at(later).Requirements, func(r *pb.BookingRequirement) bool {
		return r.RequirementId == "wait.shampoo" && r.FromTime.AsTime().Equal(later.Add(-48*time.Hour)) && strings.Contains(r.Text, "Do not wash the hair from ")
	})
	if washing < 0 {
		t.Error("an appointment in three days does not say from when the hair is not washed")
	}
	if d := must(t, c.amara, c.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: consultation.Name[:strings.Index(consultation.Name, "/consultations")]}).Decisions; len(d) > 0 {
		t.Errorf("decisions were stored: %v", d)
	}
	all := &pb.SummarizeEntriesRequest{Parent: c.name}
	eventually(t, "the bookings to be counted", func() bool { return c.counted(t, all).WhatIfs >= 3 })
	if got := c.counted(t, all).WhatIfs; got != 3 {
		t.Errorf("three bookings, each sent twice, count %d times", got)
	}
	for _, after := range []time.Duration{-6 * time.Minute, 401 * 24 * time.Hour} {
		wantField(t, "book_time", c.amara, c.eligibility.CheckBooking, c.booking(consultation.Name, after))
	}
	inline := c.booking(consultation.Name, time.Hour)
	inline.Subject = &pb.CheckBookingRequest_Inline{Inline: c.consultationAnswers()}
	if got := must(t, c.till, c.eligibility.CheckBooking, inline); got.Decision.GetVerdict() == 0 {
		t.Errorf("an inline consultation: %v", got)
	}
	another := c.booking(consultation.Name, time.Hour)
	another.Practitioner = c.imara.name
	wantError(t, "for a supervisor", mustFail(t, c.amara, c.eligibility.CheckBooking, another), codes.PermissionDenied, "ACTING_FOR_ANOTHER")
}

// TestSalonOfOne: the only active practitioner of a salon sets a wait aside for a
// service of their own, on record as alone; with a second person in the salon it needs
// that person again.
func TestSalonOfOne(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	mill := proto.CloneOf(must(t, c.odile, c.directory.GetSalon, &pb.GetSalonRequest{Name: c.salon}).Salon)
	mill.Name, mill.Etag, mill.DisplayName = "", "", "Mill Lane"
	must(t, c.odile, c.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, SalonId: "mill", Salon: mill, RequestId: newID()})
	solo := person{c.name + "/practitioners/solo", pb.Role_ROLE_PRACTITIONER}
	hire := func(p person) {
		entry := c.licensed(p)
		entry.Salons = []string{c.name + "/salons/mill"}
		must(t, c.odile, c.directory.CreatePractitioner, &pb.CreatePractitionerRequest{Parent: c.name, PractitionerId: last(p.name), Practitioner: entry, RequestId: newID()})
	}
	hire(solo)
	refused := func() (*pb.Decision, *pb.OverrideDecisionRequest) {
		q := c.question(c.submitted(t, c.client(t), func(k *pb.Consultation) {
			k.History.Shampoo = &pb.PastEvent{Happened: yes, LastTime: timestamppb.New(c.clock.Now().Add(-30 * time.Hour))}
		}).Name)
		q.Practitioner, q.Supervisor, q.Salon = solo.name, "", c.name+"/salons/mill"
		d := wantVerdict(t, must(t, solo, c.eligibility.CheckEligibility, q).Decision, pb.Verdict_VERDICT_REFUSE)
		o := c.override(d, findingOf(d, "wait.shampoo"))
		o.Practitioner, o.ReasonCode = solo.name, "SCALP_CALM"
		return d, o
	}
	_, o := refused()
	if got := must(t, solo, c.eligibility.OverrideDecision, o).Override; got.Denial != pb.OverrideDenial_OVERRIDE_DENIAL_ALONE_EVIDENCE {
		t.Errorf("without a photo: %v", got)
	}
	o = again(o)
	o.PhotoDigest = strings.Repeat("0c", 32)
	got := must(t, solo, c.eligibility.OverrideDecision, o)
	if got.Override.Denial != 0 || !got.Override.Alone || got.Override.PhotoDigest != o.PhotoDigest || got.Decision.StandingVerdict >= pb.Verdict_VERDICT_REFER {
		t.Errorf("with a photo: %v, it stands at %s", got.Override, got.Decision.StandingVerdict)
	}
	s.waitLogged(t)
	entries := must(t, c.vesna, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: `kind = "OVERRIDE" AND reason = "ALONE"`}).Entries
	if len(entries) != 1 || !strings.Contains(entries[0].Summary, "only practitioner") || entries[0].OverrideReason != "SCALP_CALM" ||
		len(entries[0].Rules) != 1 || entries[0].Rules[0].RuleId != "wait.shampoo" || strings.Contains(entries[0].String(), o.PhotoDigest) {
		t.Errorf("on the log: %v", entries)
	}
	hire(person{c.name + "/practitioners/second", pb.Role_ROLE_PRACTITIONER})
	_, o = refused()
	o.PhotoDigest = strings.Repeat("0c", 32)
	if got := must(t, solo, c.eligibility.OverrideDecision, o).Override; got.Denial != pb.OverrideDenial_OVERRIDE_DENIAL_OWN_REFUSAL || got.Alone {
		t.Errorf("with a second practitioner in the salon: %v", got)
	}
}

// TestDirectionsThatStateAWait: they take the place of the default in the next
// decision, and a change of them is on the log.
func TestDirectionsThatStateAWait(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	washed := func(k *pb.Consultation) {
		k.History.Shampoo = &pb.PastEvent{Happened: yes, LastTime: timestamppb.New(c.clock.Now().Add(-40 * time.Hour))}
	}
	if f := findingOf(c.decision(t, washed), "wait.shampoo"); f == nil || f.Wait.GetEndTime() == nil {
		t.Fatalf("40 hours after a shampoo: %v", f)
	}
	product := must(t, c.odile, c.catalog.GetProduct, &pb.GetProductRequest{Name: c.relaxer}).Product
	product.Directions.ShampooWaitHours = new(int32(36))
	must(t, c.odile, c.catalog.UpdateProduct, &pb.UpdateProductRequest{Product: product, UpdateMask: updateMask("directions"), RequestId: newID()})
	if f := findingOf(c.decision(t, washed), "wait.shampoo"); f != nil {
		t.Errorf("the maker asks for 36 hours: %v", f)
	}
	s.waitLogged(t)
	entries := must(t, c.vesna, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: `kind = "PRODUCT_CHANGED"`}).Entries
	if i := slices.IndexFunc(entries, func(e *pb.AuditEntry) bool {
		return strings.Contains(e.String(), "directions") && strings.Contains(e.String(), last(c.relaxer))
	}); i < 0 {
		t.Errorf("the change of directions is not on the log: %v", entries)
	}
}

// TestLooseningIsRefused: no number may be set looser today, and the error says which
// and why.
func TestLooseningIsRefused(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	upload := c.uploaded()
	upload.HousePolicy.Loosening = &pb.PolicyParameters{ShampooWaitHours: new(int32(30)), StraighteningCapPercent: new(85.0)}
	for _, field := range []string{"house_policy.loosening.shampoo_wait_hours", "house_policy.loosening.straightening_cap_percent"} {
		wantField(t, field, c.odile, c.catalog.CreateHousePolicy, upload)
	}
}
