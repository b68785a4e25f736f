package rules

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// twoProducts is a sound head whose front takes another product.
func twoProducts(change func(*pb.Product)) *pb.DecisionInputs {
	in := soundHead()
	other := regularLye()
	other.Name += "-2"
	change(other)
	in.SectionProducts = []*pb.SectionProduct{{SectionId: "front", Product: other, LotCode: "L1"}}
	return in
}

func subjects(d *pb.Decision, rule string) []string {
	var found []string
	for _, f := range d.GetFindings() {
		if f.GetRuleId() == rule {
			found = append(found, f.GetSubject())
		}
	}
	return found
}

// A section's own product passes every rule that a product of the head does: of
// the case, of zones and of sections.
func TestSectionProductIsJudged(t *testing.T) {
	e := newEngine(t)
	for _, c := range []struct {
		name   string
		change func(*pb.Product)
		rule   string
		want   []string
	}{
		{"too strong", func(p *pb.Product) { p.Strength = pb.Strength_STRENGTH_SUPER }, "strength.super-on-average", []string{"section:front"}},
		{"over the law", func(p *pb.Product) { p.Ingredients[0].MassPercent = new(5.0) }, "law.eu-hydroxide-professional", []string{"section:front"}},
		{"not a relaxer", func(p *pb.Product) { p.Kind = pb.ProductKind_PRODUCT_KIND_CONDITIONER }, "product.not-a-straightener", []string{"section:front"}},
		{"expired", func(p *pb.Product) { p.Lots[0].ExpireTime = ago(day) }, "product.lot-expired", []string{"section:front"}},
		{"strand tested with the other", func(*pb.Product) {}, "tests.strand-other-product", []string{"section:front"}},
	} {
		d := mustDecide(t, e, twoProducts(c.change))
		if got := subjects(d, c.rule); !slices.Equal(got, c.want) {
			t.Errorf("%s: %s about %q, want %q; %v", c.name, c.rule, got, c.want, d.GetFindings())
		}
	}
	zones := twoProducts(func(p *pb.Product) { p.Directions.AllowedOnColoured = pb.Answer_ANSWER_NO })
	zones.Consultation.Hair.Zones[2].PermanentColour = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(200 * day)}
	d := mustDecide(t, e, zones)
	if got := subjects(d, "directions.coloured"); !slices.Equal(got, []string{"section:front/zone:ends"}) {
		t.Errorf("a zone rule is about %q", got)
	}
	for _, f := range d.GetFindings() {
		if strings.HasPrefix(f.GetSubject(), "section:front") && !strings.Contains(f.GetMessage(), "front") {
			t.Errorf("%s does not say which section: %s", f.GetRuleId(), f.GetMessage())
		}
	}
	// A rule about a section goes by the section's own product.
	fine := twoProducts(func(p *pb.Product) { p.Strength = pb.Strength_STRENGTH_MILD })
	fine.Consultation.Hair.Sections[1].Texture = pb.Texture_TEXTURE_FINE
	if got := subjects(mustDecide(t, e, fine), "strength.section"); len(got) > 0 {
		t.Errorf("mild on fine hair of its own: %q", got)
	}
	fine.SectionProducts = nil
	if got := subjects(mustDecide(t, e, fine), "strength.section"); !slices.Equal(got, []string{"section:front"}) {
		t.Errorf("regular on fine hair of a section: %q", got)
	}
}

// Products of two kinds are refused on one head, and two alkalis are a condition.
func TestMixedProducts(t *testing.T) {
	e := newEngine(t)
	thio := func(p *pb.Product) { p.Kind, p.HydroxideKind = pb.ProductKind_PRODUCT_KIND_THIO_RELAXER, 0 }
	mixed := twoProducts(thio)
	other := twoProducts(func(*pb.Product) {})
	thio(other.Product)
	guanidine := twoProducts(func(p *pb.Product) { p.HydroxideKind = pb.HydroxideKind_HYDROXIDE_KIND_GUANIDINE })
	for name, in := range map[string]*pb.DecisionInputs{"thio on a section": mixed, "hydroxide on a section": other} {
		if d := mustDecide(t, e, in); d.GetVerdict() != pb.Verdict_VERDICT_REFUSE || findingOf(d, "product.mixed-kinds", "") == nil {
			t.Errorf("%s: %s", name, d.GetVerdict())
		}
	}
	if d := mustDecide(t, e, guanidine); findingOf(d, "product.mixed-alkalis", "") == nil || findingOf(d, "product.mixed-kinds", "") != nil {
		t.Errorf("two alkalis: %v", d.GetFindings())
	}
	mixed.SectionIds = []string{"back"}
	if d := mustDecide(t, e, mixed); d.GetVerdict() != pb.Verdict_VERDICT_PROCEED {
		t.Errorf("thio on a section that is left out: %s, %v", d.GetVerdict(), d.GetFindings())
	}
}

// The lot of a section's product is asked for where it is missing, apart from the
// lot of the head.
func TestSectionLotIsAskedFor(t *testing.T) {
	in := twoProducts(func(p *pb.Product) { p.Lots = append(p.Lots, &pb.Lot{LotCode: "L2", ExpireTime: ago(day)}) })
	in.SectionProducts[0].LotCode = ""
	d := mustDecide(t, newEngine(t), in)
	i := slices.IndexFunc(d.GetOpenQuestions(), func(q *pb.OpenQuestion) bool { return q.GetField() == "section_products[front].lot_code" })
	if i < 0 || !strings.HasPrefix(d.GetOpenQuestions()[i].GetQuestion(), "Section front: ") {
		t.Errorf("%s: %v", d.GetVerdict(), d.GetOpenQuestions())
	}
}

// Sections that are not treated bring no findings and take no product.
func TestSectionsLeftOut(t *testing.T) {
	e := newEngine(t)
	in := twoProducts(func(p *pb.Product) { p.Strength = pb.Strength_STRENGTH_SUPER })
	in.Consultation.Hair.Sections[1].Porosity = pb.Porosity_POROSITY_EXTREME
	if d := mustDecide(t, e, in); d.GetVerdict() != pb.Verdict_VERDICT_REFUSE {
		t.Errorf("the whole head: %s", d.GetVerdict())
	}
	in.SectionIds = []string{"back"}
	if d := mustDecide(t, e, in); d.GetVerdict() != pb.Verdict_VERDICT_PROCEED {
		t.Errorf("only the back: %s, %v", d.GetVerdict(), d.GetFindings())
	}
}

// A product that one section takes never makes a verdict milder, takes a finding
// away, or changes what is found about the rest of the head.
func TestSectionProductsOnlyAdd(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		without := mustDecide(t, e, in)
		other := proto.CloneOf(in.GetProduct())
		other.Name += "-2"
		other.Strength = pb.Strength(rapid.IntRange(0, 3).Draw(t, "its strength"))
		other.Kind = pb.ProductKind(rapid.IntRange(0, 9).Draw(t, "its kind"))
		in.SectionProducts = []*pb.SectionProduct{{SectionId: "back", Product: other, LotCode: rapid.SampledFrom([]string{"", "L1", "L2"}).Draw(t, "its lot")}}
		with := mustDecide(t, e, in)
		if with.GetVerdict() < without.GetVerdict() {
			t.Errorf("%s with one product, %s with two", without.GetVerdict(), with.GetVerdict())
		}
		for _, f := range without.GetFindings() {
			if !has(with.GetFindings(), f) && !strings.HasPrefix(f.GetSubject(), "section:back") {
				t.Errorf("the second product took %s %s away", f.GetRuleId(), f.GetSubject())
			}
		}
	})
}

// A condition says what it is about and whether it comes before first contact.
func TestConditionsBeforeContact(t *testing.T) {
	in := soundHead()
	in.Consultation.History.ContactLenses = pb.Answer_ANSWER_YES
	in.Consultation.Hair.Sections[0].Resistant = pb.Answer_ANSWER_YES
	in.HousePolicy = &pb.HousePolicy{}
	for _, before := range []bool{true, false} {
		r := houseRuleOf("consultation.hair.texture == Texture.MEDIUM")
		r.RuleId, r.Severity, r.BeforeContact = "house.before-"+map[bool]string{true: "yes", false: "no"}[before], pb.Severity_SEVERITY_CONDITION, before
		in.HousePolicy.Rules = append(in.HousePolicy.Rules, r)
	}
	want := map[string]*pb.Condition{
		"health.contact-lenses": {BeforeContact: true}, "section.resistant": {Subject: "section:back"},
		"house.before-yes": {BeforeContact: true}, "house.before-no": {},
	}
	seen := 0
	for _, c := range mustDecide(t, newEngine(t), in).GetConditions() {
		if w := want[c.GetRuleId()]; w != nil {
			seen++
			if c.GetBeforeContact() != w.GetBeforeContact() || c.GetSubject() != w.GetSubject() {
				t.Errorf("%v", c)
			}
		}
	}
	if seen != len(want) {
		t.Errorf("%d of %d conditions", seen, len(want))
	}
}
