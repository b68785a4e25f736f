package rules

import (
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// A head can take two products: a mild one at fragile temples, a stronger one elsewhere.
// Every rule that reads the product is asked again for each product that is used, or one
// of them would reach the head unjudged. Findings then say which section they are about.

// ofProduct tells whether a field is of the product or its lot, which one section
// may have other than the rest of the head.
// The lengths of waits are of the product, too, because its directions can set them.
func (l *language) ofProduct(i int) bool { return l.productFields[i] }

// productsDiffer tells whether a section that is treated takes a product that differs
// in something from the head's.
func (s *state) productsDiffer(of func(*pb.Product) any) bool {
	return slices.ContainsFunc(s.in.GetSectionProducts(), func(choice *pb.SectionProduct) bool {
		treated := s.in.GetSectionIds()
		return (len(treated) == 0 || slices.Contains(treated, choice.GetSectionId())) && of(choice.GetProduct()) != of(s.in.GetProduct())
	})
}

// label is the subject of a finding: "section:nape/zone:ends" for the ends of a
// section that takes another product.
func (a subject) label() string {
	switch {
	case a.within == "":
		return a.name
	case a.name == "":
		return "section:" + a.within
	}
	return "section:" + a.within + "/" + a.name
}

// prefix goes in front of what is said about a section's own product.
func (a subject) prefix() string {
	if a.within == "" {
		return ""
	}
	return "Section " + a.within + ", its own product: "
}

// evaluateSectionProducts puts every rule that reads the product to each section that
// takes another one, so that no product reaches a head unjudged. Rules about a
// section were asked of its own product already. A condition or a wait that
// the head's product sets in the same words is not repeated.
func (e *Engine) evaluateSectionProducts(s *state, p *housePolicyRules, o *evaluation, place uint64) {
	for _, choice := range s.in.GetSectionProducts() {
		id := choice.GetSectionId()
		if treated := s.in.GetSectionIds(); len(treated) > 0 && !slices.Contains(treated, id) {
			continue
		}
		s.useProduct(choice.GetProduct(), choice.GetLotCode())
		for scope := pb.RuleScope_RULE_SCOPE_CASE; scope <= pb.RuleScope_RULE_SCOPE_ZONE; scope++ {
			s.forEachSubject(scope, func(about subject) {
				about.within = id
				for _, r := range slices.Concat(e.rulesByScope[scope], p.byScope[scope]) {
					if r.places&place != 0 && r.readsProduct(s.lang) {
						o.evaluateForSection(s, r, about)
					}
				}
			})
		}
	}
	s.useProduct(s.in.GetProduct(), s.in.GetLotCode())
}

// With a head's product and three sections' products, the condition to wear gloves would
// be there four times. What is said in the same words about the same zone is said once;
// refusals are kept for each product, since each product can be exchanged.

// evaluateForSection asks a rule about a section's own product.
func (o *evaluation) evaluateForSection(s *state, r *rule, about subject) {
	found, waits := len(o.findings), len(o.waiting)
	o.evaluate(s, r, about)
	if r.text.GetSeverity() != pb.Severity_SEVERITY_CONDITION && r.wait == nil {
		return
	}
	// The same, of the same zone, with the head's product.
	if len(o.findings) > found && slices.ContainsFunc(o.findings[:found], func(f *pb.Finding) bool {
		return f.GetRuleId() == r.text.GetRuleId() && f.GetSubject() == about.name && about.prefix()+f.GetMessage() == o.findings[found].GetMessage()
	}) {
		o.findings = o.findings[:found]
	}
	if len(o.waiting) > waits && slices.ContainsFunc(o.waiting[:waits], func(w waitingRule) bool {
		return w.rule == r && w.subject.label() == about.name && about.prefix()+w.message == o.waiting[waits].message
	}) {
		o.waiting = o.waiting[:waits]
	}
}

// readsProduct tells whether the rule looks at the product or its lot. A rule
// that could not be built is asked too: nobody can say that it does not.
func (r *rule) readsProduct(b *language) bool {
	return r.failure != nil || slices.ContainsFunc(r.fields, b.ofProduct)
}
