package rules

import (
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// offers are what is offered on a case, by id.
func offers(t rapid.TB, e *Engine, in *pb.DecisionInputs) map[string]*pb.Alternative {
	t.Helper()
	byID := map[string]*pb.Alternative{}
	for _, a := range e.alternativesFor(opened(t, e, e.withParameters(in))) {
		byID[a.GetAlternativeId()] = a
	}
	return byID
}

// suitable lists the ids of what suits, sorted.
func suitable(t rapid.TB, e *Engine, in *pb.DecisionInputs) []string {
	t.Helper()
	byID := offers(t, e, in)
	maps.DeleteFunc(byID, func(_ string, a *pb.Alternative) bool { return !a.GetSuitable() })
	return slices.Sorted(maps.Keys(byID))
}

// When the answer is no, gentler things are offered, each with its id and its
// basis, those that suit this client first.
func TestAlternatives(t *testing.T) {
	e := newEngine(t)
	in := soundHead()
	in.Consultation.History.Pregnancy = pb.Answer_ANSWER_YES
	offers := mustDecide(t, e, in).GetAlternatives()
	if first, last := offers[0], offers[len(offers)-1]; !first.GetSuitable() || last.GetSuitable() || last.GetAlternativeId() != "smoothing-formaldehyde-free" {
		t.Errorf("offers: %v", offers)
	}
	cautions := strings.Join(offers[len(offers)-1].GetCautions(), " ")
	for _, want := range []string{"29 CFR 1910.1048", "0.75 ppm", "a pregnancy, an illness or a medicine"} {
		if !strings.Contains(cautions, want) {
			t.Errorf("the smoothing treatment does not say %q: %s", want, cautions)
		}
	}
	if calm := mustDecide(t, e, soundHead()); len(calm.GetAlternatives()) > 0 {
		t.Errorf("offers alternatives to a service that may go ahead")
	}
	seen := map[string]bool{}
	for _, a := range e.alternatives {
		if a.text.ID == "" || seen[a.text.ID] || a.basis.GetSource() == "" {
			t.Errorf("%q: id %q, basis %v", a.text.Title, a.text.ID, a.basis)
		}
		seen[a.text.ID] = true
	}
}

// hazards are facts and what they exclude, written by hand: the alternatives by id
// and, for everything that is no more than waiting, "all".
func hazards() map[string]struct {
	excludes string
	standing func(*pb.DecisionInputs)
} {
	type hazard = struct {
		excludes string
		standing func(*pb.DecisionInputs)
	}
	const (
		heat = "low-heat smoothing-formaldehyde-free smoothing-formaldehyde"
		head = heat + " scalp-treatment conditioning"
		all  = head + " cut"
	)
	scalp := func(in *pb.DecisionInputs) *pb.ScalpAnalysis { return in.GetConsultation().GetScalp() }
	tests := func(in *pb.DecisionInputs) *pb.PreliminaryTests { return in.GetConsultation().GetTests() }
	history := func(in *pb.DecisionInputs) *pb.ClientHistory { return in.GetConsultation().GetHistory() }
	zone := func(in *pb.DecisionInputs, n int) *pb.HairZone { return in.GetConsultation().GetHair().GetZones()[n] }
	incident := func(i *pb.Incident) func(*pb.DecisionInputs) {
		return func(in *pb.DecisionInputs) { in.Incidents = append(in.Incidents, i) }
	}
	const yes, unsure = pb.Answer_ANSWER_YES, pb.Answer_ANSWER_UNSURE
	return map[string]hazard{
		"elasticity failed": {heat, func(in *pb.DecisionInputs) {
			tests(in).Elasticity = pb.ElasticityReading_ELASTICITY_READING_FAILED
		}},
		"elasticity weak": {heat, func(in *pb.DecisionInputs) { tests(in).Elasticity = pb.ElasticityReading_ELASTICITY_READING_WEAK }},
		"strand broke":    {heat, func(in *pb.DecisionInputs) { tests(in).Strand = pb.StrandReading_STRAND_READING_BREAKAGE }},
		"strand discoloured": {heat, func(in *pb.DecisionInputs) {
			tests(in).Strand = pb.StrandReading_STRAND_READING_DISCOLOURED
		}},
		"metal found": {heat, func(in *pb.DecisionInputs) {
			tests(in).Incompatibility = pb.IncompatibilityReading_INCOMPATIBILITY_READING_POSITIVE
		}},
		"metal suspected by the test": {heat, func(in *pb.DecisionInputs) {
			tests(in).Incompatibility = pb.IncompatibilityReading_INCOMPATIBILITY_READING_SUSPECT
		}},
		"metallic dye":                 {heat, func(in *pb.DecisionInputs) { zone(in, 1).MetallicDye = yes }},
		"perhaps metallic dye":         {heat, func(in *pb.DecisionInputs) { zone(in, 2).MetallicDye = unsure }},
		"extreme porosity":             {heat, func(in *pb.DecisionInputs) { zone(in, 2).Porosity = pb.Porosity_POROSITY_EXTREME }},
		"extreme damage":               {heat, func(in *pb.DecisionInputs) { zone(in, 0).Condition = pb.HairCondition_HAIR_CONDITION_EXTREME }},
		"damage":                       {heat, func(in *pb.DecisionInputs) { zone(in, 1).Condition = pb.HairCondition_HAIR_CONDITION_DAMAGED }},
		"a section extremely porous":   {heat, func(in *pb.DecisionInputs) { in.Consultation.Hair.Sections[0].Porosity = pb.Porosity_POROSITY_EXTREME }},
		"tender scalp":                 {heat + " scalp-treatment", func(in *pb.DecisionInputs) { scalp(in).Tender = yes }},
		"perhaps tender":               {heat + " scalp-treatment", func(in *pb.DecisionInputs) { scalp(in).Tender = unsure }},
		"flaking scalp":                {heat + " scalp-treatment", func(in *pb.DecisionInputs) { scalp(in).Flaking = yes }},
		"red scalp":                    {head, func(in *pb.DecisionInputs) { scalp(in).Redness = yes }},
		"swollen scalp":                {head, func(in *pb.DecisionInputs) { scalp(in).Swelling = unsure }},
		"raised skin":                  {head, func(in *pb.DecisionInputs) { scalp(in).Eruption = yes }},
		"broken skin":                  {all, func(in *pb.DecisionInputs) { scalp(in).BrokenSkin = yes }},
		"sores":                        {all, func(in *pb.DecisionInputs) { scalp(in).Sores = yes }},
		"burns":                        {all, func(in *pb.DecisionInputs) { scalp(in).Burns = yes }},
		"infection":                    {all, func(in *pb.DecisionInputs) { scalp(in).InfectionSigns = yes }},
		"perhaps infection":            {all, func(in *pb.DecisionInputs) { scalp(in).InfectionSigns = unsure }},
		"infestation":                  {all, func(in *pb.DecisionInputs) { scalp(in).InfestationSigns = yes }},
		"patchy loss":                  {heat, func(in *pb.DecisionInputs) { history(in).HairLoss = yes }},
		"thinning crown":               {heat, func(in *pb.DecisionInputs) { history(in).ThinningCrown = yes }},
		"thinning edges":               {heat, func(in *pb.DecisionInputs) { history(in).ThinningEdges = unsure }},
		"breakage lines":               {heat, func(in *pb.DecisionInputs) { history(in).BreakageLines = yes }},
		"burn not looked at since":     {heat + " scalp-treatment", incident(&pb.Incident{Kind: pb.IncidentKind_INCIDENT_KIND_BURN, OccurTime: ago(time.Minute)})},
		"product in an eye":            {heat + " scalp-treatment", incident(&pb.Incident{Kind: pb.IncidentKind_INCIDENT_KIND_EYE, OccurTime: ago(90 * day)})},
		"hair broke, not tested since": {heat, incident(&pb.Incident{Kind: pb.IncidentKind_INCIDENT_KIND_BREAKAGE, OccurTime: ago(2 * time.Hour)})},
		"inflamed in Texas": {all, func(in *pb.DecisionInputs) {
			in.Salon.Jurisdiction, scalp(in).Redness = pb.Jurisdiction_JURISDICTION_US_TEXAS, unsure
		}},
		"swollen where the place is not stated": {all, func(in *pb.DecisionInputs) {
			in.Salon.Jurisdiction, in.Salon.RegionCode, scalp(in).Swelling = 0, "", yes
		}},
		"raised in Texas by its region code": {all, func(in *pb.DecisionInputs) {
			in.Salon.Jurisdiction, in.Salon.RegionCode, scalp(in).Eruption = 0, "US-TX", yes
		}},
		"allergy":        {"conditioning scalp-treatment smoothing-formaldehyde-free smoothing-formaldehyde", func(in *pb.DecisionInputs) { history(in).Allergy = unsure }},
		"pregnancy":      {"smoothing-formaldehyde-free smoothing-formaldehyde", func(in *pb.DecisionInputs) { history(in).Pregnancy = yes }},
		"keloids":        {"smoothing-formaldehyde-free smoothing-formaldehyde", func(in *pb.DecisionInputs) { history(in).Keloids = yes }},
		"isotretinoin":   {"smoothing-formaldehyde-free smoothing-formaldehyde", func(in *pb.DecisionInputs) { history(in).Isotretinoin = &pb.PastEvent{Happened: yes} }},
		"against cancer": {"smoothing-formaldehyde-free smoothing-formaldehyde", func(in *pb.DecisionInputs) { history(in).CancerTreatment = &pb.PastEvent{Happened: yes} }},
		"a minor":        {"smoothing-formaldehyde-free smoothing-formaldehyde", func(in *pb.DecisionInputs) { in.Consultation.Consent.AgeYears = new(int32(17)) }},
		"scalp steroids": {"scalp-treatment smoothing-formaldehyde-free smoothing-formaldehyde", func(in *pb.DecisionInputs) { history(in).ScalpSteroids = yes }},
		"relaxed last month": {"smoothing-formaldehyde-free smoothing-formaldehyde", func(in *pb.DecisionInputs) {
			history(in).Relaxer = &pb.PastEvent{Happened: yes, LastTime: ago(30 * day)}
		}},
		"scratched five hours ago": {heat, func(in *pb.DecisionInputs) { lately(&scalp(in).Scratched, ago(5*time.Hour)) }},
		"smoothed ten days ago": {"smoothing-formaldehyde-free smoothing-formaldehyde", func(in *pb.DecisionInputs) {
			lately(&zone(in, 1).Smoothing, ago(10*day))
		}},
		"lightened three days ago": {"smoothing-formaldehyde-free smoothing-formaldehyde", func(in *pb.DecisionInputs) {
			lately(&zone(in, 2).Lightened, ago(3*day))
		}},
		"no strand test": {"smoothing-formaldehyde-free smoothing-formaldehyde", func(in *pb.DecisionInputs) {
			if s := tests(in).GetStrand(); s == 0 || s == pb.StrandReading_STRAND_READING_SOUND { // a worse reading stays
				tests(in).Strand = pb.StrandReading_STRAND_READING_NOT_DONE
			}
		}},
	}
}

// lately makes an event happen at a time, unless it happened later or nobody said when.
func lately(e **pb.PastEvent, at *timestamppb.Timestamp) {
	if (*e).GetHappened() == pb.Answer_ANSWER_YES && ((*e).GetLastTime() == nil || (*e).GetLastTime().AsTime().After(at.AsTime())) {
		return
	}
	*e = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: at}
}

// calmHead is the sound head in a place where the law lets everything be offered.
func calmHead() *pb.DecisionInputs {
	in := soundHead()
	in.Salon.Jurisdiction = pb.Jurisdiction_JURISDICTION_US
	in.Consultation.UpdateTime = ago(time.Hour)
	return in
}

// Each fact alone excludes what it must, on a head that everything else suits.
func TestEachHazardExcludes(t *testing.T) {
	e := newEngine(t)
	everything := suitable(t, e, calmHead())
	if len(everything) != 7 {
		t.Fatalf("on a sound head only %v suit", everything)
	}
	for name, h := range hazards() {
		in := calmHead()
		h.standing(in)
		left := suitable(t, e, in)
		for _, id := range strings.Fields(h.excludes) {
			if slices.Contains(left, id) {
				t.Errorf("%s: %s suits", name, id)
			}
		}
		if !slices.Contains(left, "wait") {
			t.Errorf("%s: waiting does not suit", name)
		}
	}
}

// On any case, nothing suits while a fact stands that excludes it, and no fact
// that is added makes anything suit that did not before.
func TestHazardsNeverMakeSuitable(t *testing.T) {
	e := newEngine(t)
	all := hazards()
	names := slices.Sorted(maps.Keys(all))
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		before := suitable(t, e, in)
		place := Jurisdiction(in.GetSalon())
		for range rapid.IntRange(1, 3).Draw(t, "hazards") {
			name := rapid.SampledFrom(names).Draw(t, "hazard")
			all[name].standing(in)
			after := suitable(t, e, in)
			for _, id := range after {
				if slices.Contains(strings.Fields(all[name].excludes), id) {
					t.Errorf("%s, and %s suits", name, id)
				}
				if !slices.Contains(before, id) && Jurisdiction(in.GetSalon()) == place {
					t.Errorf("%s made %s suit", name, id)
				}
			}
			before, place = after, Jurisdiction(in.GetSalon())
		}
	})
}

// Taking an answer away never makes anything suit either.
func TestSilenceNeverMakesSuitable(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		before := suitable(t, e, in)
		path := rapid.SampledFrom(askedPaths(e, in)).Draw(t, "question")
		m, f := locate(in, path)
		m.Clear(f)
		for _, id := range suitable(t, e, in) {
			if !slices.Contains(before, id) {
				t.Errorf("%s unanswered made %s suit", path, id)
			}
		}
	})
}

// Where the law prohibits formaldehyde in cosmetics it is not offered at all:
// Regulation (EC) 1223/2009, Annex II, entry 1577 (2019); California Health and
// Safety Code s. 108980(a) (2025); Maryland Code, Health-General s. 21-259.2(b)
// (2025). A place not stated counts as one of them.
func TestFormaldehydeIsNotOfferedWhereProhibited(t *testing.T) {
	e := newEngine(t)
	for _, c := range []struct {
		stated  pb.Jurisdiction
		region  string
		offered bool
	}{
		{pb.Jurisdiction_JURISDICTION_UNSPECIFIED, "", false},
		{pb.Jurisdiction_JURISDICTION_EU, "", false},
		{pb.Jurisdiction_JURISDICTION_UK, "", false},
		{pb.Jurisdiction_JURISDICTION_US_CALIFORNIA, "", false},
		{pb.Jurisdiction_JURISDICTION_US_MARYLAND, "", false},
		{pb.Jurisdiction_JURISDICTION_US, "US-CA", false},
		{pb.Jurisdiction_JURISDICTION_UNSPECIFIED, "US-MD", false},
		{pb.Jurisdiction_JURISDICTION_UNSPECIFIED, "FR", false},
		{pb.Jurisdiction_JURISDICTION_US, "", true},
		{pb.Jurisdiction_JURISDICTION_US_TEXAS, "", true},
		{pb.Jurisdiction_JURISDICTION_UNSPECIFIED, "US-NY", true},
		{99, "", false},
	} {
		in := calmHead()
		in.Salon.Jurisdiction, in.Salon.RegionCode = c.stated, c.region
		in.Consultation.Scalp.Tender = pb.Answer_ANSWER_YES
		got := slices.ContainsFunc(mustDecide(t, e, in).GetAlternatives(), func(a *pb.Alternative) bool {
			return a.GetAlternativeId() == "smoothing-formaldehyde"
		})
		if got != c.offered {
			t.Errorf("%s %q: offered is %v", c.stated, c.region, got)
		}
	}
}

// Every contraindication is needed: without it, some fact that must exclude the
// alternative would not.
func TestEveryContraindicationIsNeeded(t *testing.T) {
	e := newEngine(t)
	for n := range e.alternatives {
		whole := e.alternatives[n]
		for i, against := range whole.text.Against {
			e.alternatives[n].against = slices.Delete(slices.Clone(whole.against), i, i+1)
			e.alternatives[n].text.Against = slices.Delete(slices.Clone(whole.text.Against), i, i+1)
			missed := false
			for _, h := range hazards() {
				in := calmHead()
				h.standing(in)
				missed = missed || slices.Contains(strings.Fields(h.excludes), whole.text.ID) && slices.Contains(suitable(t, e, in), whole.text.ID)
			}
			if !missed {
				t.Errorf("%s: nobody would miss %q", whole.text.ID, against.When)
			}
			e.alternatives[n] = whole
		}
	}
}
