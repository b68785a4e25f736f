package card

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

func testVisit(minute int) StoredVisit {
	at := timestamppb.New(time.Date(2026, time.November, 3, 10, minute, 0, 0, time.UTC))
	return StoredVisit{
		Outcome: &pb.Outcome{
			Name: "chains/ebb/clients/c/outcomes/o", Session: "chains/ebb/clients/c/sessions/s", Completed: true,
			Sections: []*pb.SectionOutcome{{
				SectionId: "nape", StraighteningPercent: new(68.0), ExposureMinutes: new(16.0), Breakage: pb.Answer_ANSWER_NO,
				Rate: &pb.RateEstimate{Mean: -2.6, Deviation: 0.13, Readings: 7},
			}},
			ProductsUsed:         []*pb.ProductUsed{{Product: "chains/ebb/products/regular", LotCode: "R-2611", Grams: new(90.0)}},
			HomeCareAdvice:       []string{"Moisturise the ends twice a week."},
			Comments:             "The valve of the bowl jammed; rinsed at the other.",
			MostResistantSection: "nape",
			NextRetouchTime:      at, NextRetouchReason: "56 days between relaxers",
		},
		Session: &pb.Session{
			Name: "chains/ebb/clients/c/sessions/s", StartTime: at, Salon: "chains/ebb/salons/north-quay",
			Practitioner: "chains/ebb/practitioners/amara", ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN,
		},
		Decision: &pb.Decision{
			Name: "chains/ebb/clients/c/decisions/d",
			Findings: []*pb.Finding{
				{RuleId: "zone.lightened", Severity: pb.Severity_SEVERITY_REFUSE, Message: "Lightened."},
				{RuleId: "hair.dense", Severity: pb.Severity_SEVERITY_CONDITION, Message: "Thick hair."},
			},
			Inputs: &pb.DecisionInputs{
				Product: &pb.Product{Strength: pb.Strength_STRENGTH_REGULAR},
				Consultation: &pb.Consultation{
					Wishes: &pb.Wishes{StraighteningPercent: new(70.0)},
					Scalp:  &pb.ScalpAnalysis{Redness: pb.Answer_ANSWER_NO},
					Hair: &pb.HairAnalysis{
						Texture: pb.Texture_TEXTURE_MEDIUM, Density: pb.Density_DENSITY_HIGH, CurlType: pb.CurlType_CURL_TYPE_VI, LengthMm: new(240.0),
						Zones: []*pb.HairZone{{Zone: pb.Zone_ZONE_ENDS, Condition: pb.HairCondition_HAIR_CONDITION_SOUND, Porosity: pb.Porosity_POROSITY_NORMAL,
							Hydroxide: &pb.PastEvent{Happened: pb.Answer_ANSWER_NO}}},
					},
					Tests:   &pb.PreliminaryTests{Strand: pb.StrandReading_STRAND_READING_SOUND},
					Consent: &pb.Consent{Agreed: pb.Answer_ANSWER_YES, Explained: pb.Answer_ANSWER_YES},
				},
			},
		},
	}
}

// The elements that a record of straightening must show: Australian unit
// SHBHREF002, Straighten and relax hair with chemical treatments, assessment
// requirements (training.gov.au).
func TestTheCardShowsWhatSHBHREF002Requires(t *testing.T) {
	v := Build("chains/ebb/clients/c", []StoredVisit{testVisit(0)}, nil, nil).Visits[0]
	zone := v.Hair.Zones[0]
	for element, shown := range map[string]bool{
		"scalp condition":                      v.Scalp != nil,
		"hair condition":                       zone.Condition != 0,
		"texture":                              v.Hair.Texture != 0,
		"density":                              v.Hair.Density != 0,
		"porosity":                             zone.Porosity != 0,
		"degree of curl":                       v.Hair.CurlType != 0,
		"length":                               v.Hair.LengthMm != nil,
		"effects of previous chemical service": zone.Hydroxide != nil,
		"contraindications":                    len(v.Contraindications) == 1 && v.Contraindications[0] == "Lightened.",
		"desired degree of relaxation":         v.DesiredPercent != nil,
		"products":                             len(v.Products) == 1 && v.Products[0].LotCode != "",
		"strengths":                            v.Strength != 0,
		"processing times":                     v.Sections[0].ExposureMinutes != nil,
		"straightening method":                 v.ServiceKind != 0,
		"degree of relaxation achieved":        v.Sections[0].StraighteningPercent != nil,
		"home-care advice":                     len(v.HomeCareAdvice) == 1,
		"the client's agreement":               v.Consent.Agreed == pb.Answer_ANSWER_YES,
		"tests":                                v.Tests != nil,
	} {
		if !shown {
			t.Errorf("the card does not show: %s", element)
		}
	}
}

func TestTheCardCarriesWhatTheNextVisitNeeds(t *testing.T) {
	c := Build("chains/ebb/clients/c", []StoredVisit{testVisit(1), testVisit(0)}, nil, nil)
	if len(c.Visits) != 2 || c.Visits[0].StartTime.AsTime().Minute() != 1 {
		t.Errorf("%d visits, want 2 with the newest first", len(c.Visits))
	}
	if c.MostResistantSection != "nape" || c.NextRetouchTime == nil || c.NextRetouchReason == "" {
		t.Errorf("card %v", c)
	}
	if len(c.Reminders) == 0 {
		t.Error("nothing to mind")
	}
}

func TestTheCardRemindsOfWhatWentWrong(t *testing.T) {
	p := testVisit(0)
	p.Outcome.Completed, p.Outcome.BrokenOffReason = false, "It burned."
	p.Outcome.ScalpChanged = pb.Answer_ANSWER_YES
	p.Outcome.Sections[0].Breakage = pb.Answer_ANSWER_YES
	if c := Build("chains/ebb/clients/c", []StoredVisit{p}, nil, nil); len(c.Reminders) != 4 {
		t.Errorf("reminders %q", c.Reminders)
	}
	p.Decision = nil // begun without one
	if c := Build("chains/ebb/clients/c", []StoredVisit{p}, nil, nil); c.Visits[0].Decision != "" {
		t.Errorf("visit %v", c.Visits[0])
	}
}

// TestDaysAreThoseOfTheSalon: a morning in Auckland is the evening before in UTC. Every day
// on the card is that in the salon where it happened, in the text, for print and on the
// map; a salon whose time zone is not known counts in UTC.
func TestDaysAreThoseOfTheSalon(t *testing.T) {
	auckland, err := time.LoadLocation("Pacific/Auckland")
	if err != nil {
		t.Fatal(err)
	}
	at := timestamppb.New(time.Date(2026, time.November, 3, 20, 0, 0, 0, time.UTC))
	p := testVisit(0)
	p.Session.StartTime, p.Outcome.NextRetouchTime = at, at
	p.Decision.Overrides = []*pb.Override{{RuleId: "zone.lightened", Practitioner: "chains/ebb/practitioners/imara", ReasonCode: "WAITED", CreateTime: at}}
	p.Events = []*pb.StoredEvent{{Event: &pb.Event{OccurTime: at, Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_TINGLING, SectionId: "nape"}}}}}
	incidents := []*pb.Incident{{Kind: pb.IncidentKind_INCIDENT_KIND_BURN, SectionId: "nape", Salon: p.Session.Salon, OccurTime: at, State: pb.IncidentState_INCIDENT_STATE_OPEN}}
	for _, k := range []struct {
		zones      Zones
		day, other string
	}{
		{Zones{p.Session.Salon: auckland}, "4 Nov 2026", "3 Nov 2026"},
		{Zones{"chains/ebb/salons/other": auckland}, "3 Nov 2026", "4 Nov 2026"},
		{nil, "3 Nov 2026", "4 Nov 2026"},
	} {
		c := Build("chains/ebb/clients/c", []StoredVisit{p}, incidents, k.zones)
		c.Summary = Summarize(c, []StoredVisit{p}, k.zones)
		html, err := HTML(c, k.zones)
		if err != nil {
			t.Fatal(err)
		}
		text := Text(c, k.zones)
		// The first line and the visit; the reminder, which the first line and the visit repeat;
		// the incident, the tender spot, the override, the next retouch.
		for what, want := range map[string]int{text: 7, html: 9} {
			if strings.Contains(what, k.other) || strings.Count(what, k.day) < want {
				t.Errorf("%v: want %s at least %d times and no %s:\n%s", k.zones, k.day, want, k.other, what)
			}
		}
	}
}
