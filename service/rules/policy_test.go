package rules

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The text that is kept and that the digest is of has every rule and no case.
func TestTextHasNoCases(t *testing.T) {
	e := newEngine(t)
	kept, err := parse(e.PolicyText())
	check0(t, err)
	for i, d := range kept {
		if len(d.Rules) != len(e.documents[i].Rules) || d.Family != e.documents[i].Family {
			t.Fatalf("%s: %d rules of %d", d.Family, len(d.Rules), len(e.documents[i].Rules))
		}
		for j, r := range d.Rules {
			if len(r.Cases) > 0 || r.When != e.documents[i].Rules[j].When {
				t.Errorf("%s: %d cases in the text", r.ID, len(r.Cases))
			}
		}
	}
	again, err := Load(e.PolicyText())
	check0(t, err)
	if again.Digest(nil) != e.Digest(nil) {
		t.Error("loaded from its text, the policy is another")
	}
}

// What nobody may ever override.
func TestAbsoluteRules(t *testing.T) {
	e := newEngine(t)
	absolute := strings.Fields(`
		scalp.broken-skin scalp.sores scalp.infection scalp.infestation scalp.burns
		zone.thio-under-hydroxide zone.hydroxide-under-thio zone.metallic-dye tests.metal-found tests.metal-suspected
		hair.extreme-breakage hair.extreme-porosity section.extreme-porosity tests.elasticity-failed tests.overstretched
		tests.strand-broke tests.strand-discoloured zone.lightened-untested
		law.eu-hydroxide-general law.eu-hydroxide-professional law.eu-calcium-hydroxide law.eu-thioglycolic
		law.eu-thioglycolic-ph law.eu-thioglycolic-ester law.eu-thioglycolic-ester-ph law.eu-sulfite law.eu-peroxide
		law.eu-ammonia law.eu-formaldehyde law.texas-skin law.texas-reason-to-believe law.california-infection
		law.california-formaldehyde law.maryland-formaldehyde
		incident.doctors-word-missing incident.hair-broke service.wave-needs-thio service.smoothing-product product.kind-against-content two-part.too-short
		product.lot-recalled product.lot-expired product.mixed-kinds
		practitioner.no-licence practitioner.licence-expired practitioner.student-alone supervisor.licence
		consent.refused age.guardian directions.minimum-age`)
	for _, r := range e.Rules(nil) {
		i := slices.Index(absolute, r.GetRuleId())
		if i < 0 {
			continue
		}
		absolute = slices.Delete(absolute, i, i+1)
		if r.GetOverrideTerms().GetAllowed() || r.GetSeverity() != pb.Severity_SEVERITY_REFUSE {
			t.Errorf("%s: %s, override allowed is %v", r.GetRuleId(), r.GetSeverity(), r.GetOverrideTerms().GetAllowed())
		}
	}
	if len(absolute) > 0 {
		t.Errorf("no such rules: %v", absolute)
	}
}

// Every rule has what an auditor wants to know of it.
func TestRulesAreComplete(t *testing.T) {
	e := newEngine(t)
	id := regexp.MustCompile(`^[a-z][a-z0-9-]*(\.[a-z][a-z0-9-]*)+$`)
	code := regexp.MustCompile(`^[A-Z][A-Z0-9_]{2,62}$`)
	seen := map[string]bool{}
	all := e.Rules(nil)
	if len(all) < 60 {
		t.Errorf("%d rules, want at least 60", len(all))
	}
	for _, r := range all {
		terms := r.GetOverrideTerms()
		switch {
		case !id.MatchString(r.GetRuleId()) || seen[r.GetRuleId()] || r.GetVersion() < 1:
			t.Errorf("%s: the id or version is not right", r.GetRuleId())
		case r.GetMessage() == "" || len(r.GetMessage()) > 400 || len(r.GetExpression()) > maxExpression:
			t.Errorf("%s: message or expression is empty or too long", r.GetRuleId())
		case r.GetBasis().GetKind() == pb.BasisKind_BASIS_KIND_UNSPECIFIED || r.GetBasis().GetSource() == "" || len(r.GetBasis().GetSource()) > 300:
			t.Errorf("%s: the basis is not right", r.GetRuleId())
		case terms.GetAllowed() != (len(terms.GetRoles()) > 0 && len(terms.GetReasons()) > 0):
			t.Errorf("%s: the terms of override are not right", r.GetRuleId())
		case r.GetSeverity() == pb.Severity_SEVERITY_CONDITION && terms.GetAllowed(), r.GetSeverity() == pb.Severity_SEVERITY_ASK && terms.GetAllowed():
			t.Errorf("%s: a condition is met and a question answered, neither is overridden", r.GetRuleId())
		case (r.GetLayer() == pb.Layer_LAYER_JURISDICTION) != (len(r.GetJurisdictions()) > 0):
			t.Errorf("%s: layer %s in %v", r.GetRuleId(), r.GetLayer(), r.GetJurisdictions())
		}
		for _, reason := range terms.GetReasons() {
			if !code.MatchString(reason.GetCode()) || reason.GetDescription() == "" {
				t.Errorf("%s: reason %v", r.GetRuleId(), reason)
			}
		}
		if strings.Contains(e.lang.template(r.GetMessage())[0].text, "{") {
			t.Errorf("%s: a brace in %q is no field", r.GetRuleId(), r.GetMessage())
		}
		seen[r.GetRuleId()] = true
	}
}

// Equivalents: potassium hydroxide counts as 0.7129, lithium hydroxide as 1.6702,
// its monohydrate as 0.9531 of sodium hydroxide (molar masses 39.997, 56.106,
// 23.948 and 41.963 g/mol), and a mixture counts as the sum: Regulation (EC)
// 1223/2009, Annex III, entries 15a and 15b.
func TestCountedAsSodiumHydroxide(t *testing.T) {
	for _, c := range []struct {
		name  string
		holds []*pb.Ingredient
		want  float64
	}{
		{"sodium", []*pb.Ingredient{{Substance: 1, MassPercent: new(float64(1))}}, 1},
		{"potassium", []*pb.Ingredient{{Substance: 2, MassPercent: new(float64(1))}}, 0.7129},
		{"lithium", []*pb.Ingredient{{Substance: 3, MassPercent: new(float64(1))}}, 1.6702},
		{"lithium monohydrate", []*pb.Ingredient{{Substance: 4, MassPercent: new(float64(1))}}, 0.9531},
		{"calcium does not count here", []*pb.Ingredient{{Substance: 5, MassPercent: new(float64(1))}}, 0},
		{"a mixture", []*pb.Ingredient{{Substance: 1, MassPercent: new(float64(1))}, {Substance: 2, MassPercent: new(float64(1))}, {Substance: 3, MassPercent: new(float64(1))}}, 3.3831},
	} {
		e := newEngine(t)
		in := soundHead()
		in.Product.Ingredients = c.holds
		s := opened(t, e, in)
		got := asSodiumHydroxide(s.value(e.lang.index["product.ingredients"]))
		if n, ok := got.Value().(float64); !ok || n < c.want-1e-4 || n > c.want+1e-4 {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// A strength above the recommended one is never passed over in silence, and the
// recommended one is never called too strong.
func TestTooStrongIsFound(t *testing.T) {
	e := newEngine(t)
	for _, c := range everyHead() {
		for strength := pb.Strength_STRENGTH_MILD; strength <= pb.Strength_STRENGTH_SUPER; strength++ {
			c.Product.Strength = strength
			d := mustDecide(t, e, c)
			advised := d.GetRecommendedStrength().GetStrength()
			if strength > max(advised, pb.Strength_STRENGTH_MILD) && d.GetVerdict() < pb.Verdict_VERDICT_REFER {
				t.Errorf("%s where %s is advised (%v): %s", strength, advised, d.GetRecommendedStrength().GetReasons(), d.GetVerdict())
			}
			tooStrong := slices.ContainsFunc(d.GetFindings(), func(f *pb.Finding) bool { return strings.HasPrefix(f.GetRuleId(), "strength.") })
			if strength == advised && tooStrong {
				t.Errorf("%s is advised (%v) and refused: %v", strength, d.GetRecommendedStrength().GetReasons(), d.GetFindings())
			}
		}
	}
}

// everyHead is every mixture of texture, curl, porosity, colour and condition.
func everyHead() []*pb.DecisionInputs {
	var heads []*pb.DecisionInputs
	for texture := pb.Texture(1); texture <= 3; texture++ {
		for _, curl := range []pb.CurlType{3, 6, 7, 8} {
			for porosity := pb.Porosity(1); porosity <= 4; porosity++ {
				for condition := pb.HairCondition(1); condition <= 4; condition++ {
					for coloured := pb.Answer(1); coloured <= 2; coloured++ {
						in := soundHead()
						hair := in.GetConsultation().GetHair()
						hair.Texture, hair.CurlType = texture, curl
						hair.Zones[0].Porosity, hair.Zones[1].Condition = porosity, condition
						hair.Zones[2].PermanentColour = &pb.PastEvent{Happened: coloured, LastTime: ago(200 * day)}
						heads = append(heads, in)
					}
				}
			}
		}
	}
	return heads
}

// A rule that says something else than when it was released has a higher version:
// an audit entry names a rule by id and version, and must not mean two texts.
func TestChangedRulesRaiseTheirVersion(t *testing.T) {
	const released = "testdata/archive/437b51ed0815/policy.yaml"
	text, err := os.ReadFile(released)
	check0(t, err)
	old, err := Load(text)
	check0(t, err)
	before := map[string]*pb.Rule{}
	for _, r := range old.Rules(nil) {
		before[r.GetRuleId()] = r
	}
	for _, r := range newEngine(t).Rules(nil) {
		was := before[r.GetRuleId()]
		if was == nil || r.GetVersion() > was.GetVersion() {
			continue
		}
		if !proto.Equal(was, r) {
			t.Errorf("%s was changed and is still version %d", r.GetRuleId(), r.GetVersion())
		}
	}
}
