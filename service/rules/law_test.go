package rules

import (
	"slices"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// Outside checks: for each rule of law a case for each item that its source lists.
// The sources were read in the copies named; each stands beside its cases.

const (
	texas      = pb.Jurisdiction_JURISDICTION_US_TEXAS
	california = pb.Jurisdiction_JURISDICTION_US_CALIFORNIA
	maryland   = pb.Jurisdiction_JURISDICTION_US_MARYLAND
	union      = pb.Jurisdiction_JURISDICTION_EU
	kingdom    = pb.Jurisdiction_JURISDICTION_UK
	states     = pb.Jurisdiction_JURISDICTION_US
)

// lawCase is a fact in a place, and the rule of law that must refuse there.
type lawCase struct {
	item  string
	place pb.Jurisdiction
	given func(*pb.DecisionInputs)
	rule  string // empty: no rule of this law fires
}

func scalpAnswer(set func(*pb.ScalpAnalysis, pb.Answer), a pb.Answer) func(*pb.DecisionInputs) {
	return func(in *pb.DecisionInputs) { set(in.GetConsultation().GetScalp(), a) }
}

func holding(substance pb.Substance, percent float64) func(*pb.DecisionInputs) {
	return func(in *pb.DecisionInputs) {
		in.Product.Ingredients = []*pb.Ingredient{{Substance: substance, MassPercent: new(percent)}}
	}
}

// Texas Administrative Code, Title 16, s. 83.102(b) (Texas Register, texreg.sos.
// state.tx.us, stored copy): no services on reason to believe that the client has
//
//	a contagious condition; or inflamed, infected, broken, raised or swollen skin;
//	or an open wound or sore in the area to be serviced.
//
// A certain yes and a doubt both are reason to believe; nobody may set it aside.
func TestTexasItems(t *testing.T) {
	e := newEngine(t)
	for item, set := range map[string]func(*pb.ScalpAnalysis, pb.Answer){
		"contagious condition: lice, nits": func(s *pb.ScalpAnalysis, a pb.Answer) { s.InfestationSigns = a },
		"contagious condition: ringworm":   func(s *pb.ScalpAnalysis, a pb.Answer) { s.InfectionSigns = a },
		"inflamed skin":                    func(s *pb.ScalpAnalysis, a pb.Answer) { s.Redness = a },
		"infected skin":                    func(s *pb.ScalpAnalysis, a pb.Answer) { s.InfectionSigns = a },
		"broken skin":                      func(s *pb.ScalpAnalysis, a pb.Answer) { s.BrokenSkin = a },
		"raised skin":                      func(s *pb.ScalpAnalysis, a pb.Answer) { s.Eruption = a },
		"swollen skin":                     func(s *pb.ScalpAnalysis, a pb.Answer) { s.Swelling = a },
		"open wound":                       func(s *pb.ScalpAnalysis, a pb.Answer) { s.Burns = a },
		"sore":                             func(s *pb.ScalpAnalysis, a pb.Answer) { s.Sores = a },
	} {
		for _, a := range []pb.Answer{pb.Answer_ANSWER_YES, pb.Answer_ANSWER_UNSURE} {
			in := soundHead()
			in.Salon.Jurisdiction = texas
			set(in.Consultation.Scalp, a)
			d := mustDecide(t, e, in)
			i := slices.IndexFunc(d.GetFindings(), func(f *pb.Finding) bool { return strings.HasPrefix(f.GetRuleId(), "law.texas-") })
			if i < 0 || d.GetVerdict() != pb.Verdict_VERDICT_REFUSE || d.GetFindings()[i].GetOverrideTerms().GetAllowed() {
				t.Errorf("%s, %s: %s, %v", item, a, d.GetVerdict(), d.GetFindings())
			}
			// A doctor's word does not change it.
			in.Consultation.History.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_SCALP, GiveDate: dateAgo(day), Reference: "N 101"}}
			if d := mustDecide(t, e, in); d.GetVerdict() != pb.Verdict_VERDICT_REFUSE {
				t.Errorf("%s, %s and a doctor's word: %s", item, a, d.GetVerdict())
			}
		}
	}
	in := soundHead()
	in.Salon.Jurisdiction = texas
	if d := mustDecide(t, e, in); slices.ContainsFunc(d.GetFindings(), func(f *pb.Finding) bool { return strings.HasPrefix(f.GetRuleId(), "law.texas-") }) {
		t.Errorf("a calm scalp: %v", d.GetFindings())
	}
}

func TestLawItems(t *testing.T) {
	e := newEngine(t)
	infection := scalpAnswer(func(s *pb.ScalpAnalysis, a pb.Answer) { s.InfectionSigns = a }, pb.Answer_ANSWER_YES)
	infestation := scalpAnswer(func(s *pb.ScalpAnalysis, a pb.Answer) { s.InfestationSigns = a }, pb.Answer_ANSWER_YES)
	const formaldehyde, released = pb.Substance_SUBSTANCE_FORMALDEHYDE, pb.Substance_SUBSTANCE_RELEASED_FORMALDEHYDE
	for _, c := range []lawCase{
		// California Code of Regulations, Title 16, s. 984(b) to (d) (stored copy of
		// 2011): infection or parasitic infestation capable of being transmitted.
		{"infection", california, infection, "law.california-infection"},
		{"infestation", california, infestation, "law.california-infection"},
		{"infection elsewhere", states, infection, ""},
		// California Health and Safety Code s. 108980(a) (Stats. 2020, ch. 314, since 1
		// January 2025): (3) formaldehyde, (4) paraformaldehyde, (5) methylene glycol,
		// which are one substance here; (6) quaternium-15, which releases it.
		{"(3) to (5)", california, holding(formaldehyde, 0.2), "law.california-formaldehyde"},
		{"(3) to (5), a trace", california, holding(formaldehyde, 0.0001), "law.california-formaldehyde"},
		{"(6)", california, holding(released, 0.05), "law.california-formaldehyde-releaser"},
		// Maryland Code, Health-General s. 21-259.2(b)(3) to (6) (ch. 490 of 2021, since 1
		// January 2025): the same four.
		{"(3) to (5)", maryland, holding(formaldehyde, 0.2), "law.maryland-formaldehyde"},
		{"(6)", maryland, holding(released, 0.05), "law.maryland-formaldehyde-releaser"},
		{"other states", states, holding(formaldehyde, 0.2), ""},
		{"Texas", texas, holding(formaldehyde, 0.2), ""},
		// Regulation (EC) 1223/2009, Annex II, entry 1577, as stated in recital 1 of
		// Regulation (EU) 2022/1181; a releaser is labelled (Annex V, preamble, point 2)
		// and not prohibited.
		{"entry 1577", union, holding(formaldehyde, 0.0001), "law.eu-formaldehyde"},
		{"entry 1577 as retained", kingdom, holding(formaldehyde, 0.0001), "law.eu-formaldehyde"},
		{"a releaser", union, holding(released, 0.2), ""},
		// Regulation (EC) 1223/2009, Annex III (2024), entries as named.
		{"15a general", union, func(in *pb.DecisionInputs) {
			in.Product.UseTier = pb.UseTier_USE_TIER_GENERAL
			holding(pb.Substance_SUBSTANCE_SODIUM_HYDROXIDE, 2.01)(in)
		}, "law.eu-hydroxide-general"},
		{"15a professional", union, holding(pb.Substance_SUBSTANCE_POTASSIUM_HYDROXIDE, 6.32), "law.eu-hydroxide-professional"},
		{"15b professional", union, holding(pb.Substance_SUBSTANCE_LITHIUM_HYDROXIDE, 2.7), "law.eu-hydroxide-professional"},
		{"15c", union, holding(pb.Substance_SUBSTANCE_CALCIUM_HYDROXIDE, 7.01), "law.eu-calcium-hydroxide"},
		{"2a", union, holding(pb.Substance_SUBSTANCE_THIOGLYCOLIC_ACID, 11.01), "law.eu-thioglycolic"},
		{"2a pH", union, func(in *pb.DecisionInputs) {
			in.Product.DeclaredPh = new(9.6)
			holding(pb.Substance_SUBSTANCE_THIOGLYCOLIC_ACID, 8)(in)
		}, "law.eu-thioglycolic-ph"},
		{"2b", union, holding(pb.Substance_SUBSTANCE_THIOGLYCOLIC_ESTER, 11.01), "law.eu-thioglycolic-ester"},
		{"2b pH", union, func(in *pb.DecisionInputs) {
			in.Product.DeclaredPh = new(5.9)
			holding(pb.Substance_SUBSTANCE_THIOGLYCOLIC_ESTER, 8)(in)
		}, "law.eu-thioglycolic-ester-ph"},
		{"99", union, holding(pb.Substance_SUBSTANCE_SULFITE, 6.71), "law.eu-sulfite"},
		{"12", union, holding(pb.Substance_SUBSTANCE_HYDROGEN_PEROXIDE, 12.01), "law.eu-peroxide"},
		{"4", union, holding(pb.Substance_SUBSTANCE_AMMONIA, 6.01), "law.eu-ammonia"},
		// COMAR 09.16.03.02(C) is about barber schools: it refuses nobody here.
		{"COMAR 09.16.03.02(C)", maryland, scalpAnswer(func(s *pb.ScalpAnalysis, a pb.Answer) { s.Redness = a }, pb.Answer_ANSWER_YES), ""},
	} {
		in := soundHead()
		in.Salon.Jurisdiction = c.place
		c.given(in)
		d := mustDecide(t, e, in)
		var refusing []string
		for _, f := range d.GetFindings() {
			if strings.HasPrefix(f.GetRuleId(), "law.") && f.GetSeverity() == pb.Severity_SEVERITY_REFUSE {
				refusing = append(refusing, f.GetRuleId())
			}
		}
		if c.rule == "" && len(refusing) > 0 || c.rule != "" && !slices.Contains(refusing, c.rule) {
			t.Errorf("%s, %s: refused by %v, want %q", c.place, c.item, refusing, c.rule)
		}
	}
}

// No rule says that Maryland forbids what binds its barber schools only.
func TestMarylandIsNotMisquoted(t *testing.T) {
	for _, r := range newEngine(t).Rules(nil) {
		if strings.Contains(r.GetBasis().GetSource(), "COMAR") && (r.GetSeverity() != pb.Severity_SEVERITY_CONDITION || strings.Contains(r.GetMessage(), "forbids")) {
			t.Errorf("%s, %s: %s", r.GetRuleId(), r.GetSeverity(), r.GetMessage())
		}
	}
}

// Licences count where hairdressers are licensed, and where nobody said where the
// salon is.
func TestLicenceByPlace(t *testing.T) {
	e := newEngine(t)
	for place, wanted := range map[pb.Jurisdiction]bool{union: false, kingdom: false, states: true, texas: true, california: true, maryland: true, 0: true, 99: true} {
		in := soundHead()
		in.Salon.Jurisdiction, in.Practitioner.LicenceNumber, in.Practitioner.LicenceExpireTime = place, "", nil
		got := slices.ContainsFunc(mustDecide(t, e, in).GetFindings(), func(f *pb.Finding) bool { return f.GetRuleId() == "practitioner.no-licence" })
		if got != wanted || isLicensed(in.Practitioner, in.Salon, today) == wanted {
			t.Errorf("%s: a licence is wanted: %v", place, got)
		}
	}
}

// What a salon's region code says and contradicts.
func TestRegionOfASalon(t *testing.T) {
	for _, c := range []struct {
		code        string
		stated      pb.Jurisdiction
		want        pb.Jurisdiction
		contradicts bool
	}{
		{"", 0, 0, false},
		{"", texas, texas, false},
		{"US-TX", 0, texas, false},
		{"US-TX", states, texas, false},
		{"US-TX", texas, texas, false},
		{"US-TX", california, california, true},
		{"US-TX", union, union, true},
		{"US-NY", 0, states, false},
		{"US-NY", states, states, false},
		{"US-NY", texas, texas, true},
		{"US", texas, texas, false},
		{"US", kingdom, kingdom, true},
		{"GB", 0, kingdom, false},
		{"GB-SCT", kingdom, kingdom, false},
		{"GB", union, union, true},
		{"FR", union, union, false},
		{"FR", states, states, true},
		{"ZA", 0, 0, false},
		{"ZA", union, union, true},
	} {
		salon := &pb.Salon{RegionCode: c.code, Jurisdiction: c.stated}
		if got := Jurisdiction(salon); got != c.want || Contradicts(c.code, c.stated) != c.contradicts {
			t.Errorf("%q and %s: %s, contradicts %v", c.code, c.stated, got, Contradicts(c.code, c.stated))
		}
	}
}

// The region code selects the law of a decision, not only of the alternatives.
func TestRegionSelectsTheLaw(t *testing.T) {
	e := newEngine(t)
	for code, rule := range map[string]string{"US-TX": "law.texas-skin", "US-CA": "law.california-infection", "FR": "law.eu-formaldehyde"} {
		in := soundHead()
		in.Salon.Jurisdiction, in.Salon.RegionCode = 0, code
		in.Consultation.Scalp.InfectionSigns = pb.Answer_ANSWER_YES
		holding(pb.Substance_SUBSTANCE_FORMALDEHYDE, 0.1)(in)
		for _, f := range mustDecide(t, e, in).GetFindings() {
			if f.GetLayer() == pb.Layer_LAYER_JURISDICTION && strings.HasPrefix(f.GetRuleId(), "law.texas") != (code == "US-TX") && strings.HasPrefix(f.GetRuleId(), "law.texas") {
				t.Errorf("%s: %s", code, f.GetRuleId())
			}
		}
		if got := subjects(mustDecide(t, e, in), rule); len(got) != 1 {
			t.Errorf("%s: %s fires %d times", code, rule, len(got))
		}
	}
}
