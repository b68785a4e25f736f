package demo

import (
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// opening introduces the demo and fills the directory and the catalog. The caution
// comes before anything else, as it does in every decision. The second chain exists
// only so that a stranger can try to look into the first.
func (d *run) opening(addr string) {
	d.page.say("EBB AND FLOW HAIR: an invented day in two salons")
	d.page.say("")
	d.page.say("The chain, its people, its clients, its products and all observations are invented. Text at the margin is what people do. Text behind a bar is the answer of a real server on a real PostgreSQL: verdicts, rules, times, estimates. Times come from a simulated salon clock, in UTC.")
	d.page.answer("listening on %s", addr)
	d.page.say("")
	d.page.say("CAUTION. A hydroxide relaxer is caustic and can burn skin and blind eyes. The manufacturer's directions come first; local codes and licensed practice decide; nothing here replaces training. The server never diagnoses: it asks, refers to a doctor, or refuses when it cannot clear a service.")

	d.page.act("Who works where, and with what")
	d.createChain("ebb-and-flow", "Ebb and Flow Hair")
	d.createChain("low-tide", "Low Tide Hair")
	d.createSalons()
	d.createPractitioners()
	d.createProducts()
}

// createChain creates a chain as the operator of the installation. Nobody inside a
// chain can create one.
func (d *run) createChain(id, called string) {
	made := call(d, d.people.operator, d.directory.CreateChain, &pb.CreateChainRequest{
		ChainId: id, Chain: &pb.Chain{DisplayName: called}, RequestId: newID(),
	}).GetChain()
	d.page.answer("%s is %q", made.GetName(), made.GetDisplayName())
}

// createSalons creates the two salons. The jurisdiction selects the statutory
// rules. The minutes to the bowl are taken off every time limit.
func (d *run) createSalons() {
	for _, s := range salons() {
		made := call(d, d.people.manager, d.directory.CreateSalon, &pb.CreateSalonRequest{
			Parent: ebb, SalonId: s.id, Salon: s.salon, RequestId: newID(),
		}).GetSalon()
		d.page.answer("salon %s works under %s rules, %d min from call to water", made.GetDisplayName(), strings.ToUpper(enumLabel(made.GetJurisdiction())), made.GetMinutesToBowl())
	}
}

// createPractitioners creates the practitioners. An expired licence would refuse a
// service. A student has no licence and needs a signature for each service.
func (d *run) createPractitioners() {
	for _, s := range practitioners(d.clock.Now()) {
		made := call(d, d.people.manager, d.directory.CreatePractitioner, &pb.CreatePractitionerRequest{
			Parent: ebb, PractitionerId: s.id, Practitioner: s.practitioner, RequestId: newID(),
		}).GetPractitioner()
		licence := "no licence"
		if made.GetLicenceNumber() != "" {
			licence = "licence " + made.GetLicenceNumber() + " until " + dateText(made.GetLicenceExpireTime())
		}
		d.page.answer("%s, %s, %s", made.GetDisplayName(), enumLabel(made.GetRole()), licence)
	}
}

// createProducts creates the products, then counts the rules in force. Directions
// name other products, so these must exist before. Every rule must have a version,
// a message and a basis: a salon can then ask where a refusal comes from. At least
// some of them must be absolute.
func (d *run) createProducts() {
	for _, s := range products(d.clock.Now()) {
		made := call(d, d.people.manager, d.catalog.CreateProduct, &pb.CreateProductRequest{
			Parent: ebb, ProductId: s.id, Product: s.product, RequestId: newID(),
		}).GetProduct()
		d.page.answer("%s: %s", made.GetDisplayName(), enumLabel(made.GetKind()))
		for _, i := range made.GetIngredients() {
			d.page.detail("%.1f %% %s, strength %s, %s use; directions: at most %d min, usually %d, strand test every %d",
				i.GetMassPercent(), enumLabel(i.GetSubstance()), enumLabel(made.GetStrength()), enumLabel(made.GetUseTier()),
				made.GetDirections().GetMaximumMinutes(), made.GetDirections().GetUsualMinutes(), made.GetDirections().GetStrandTestMinutes())
		}
	}
	rules := call(d, d.people.manager, d.catalog.ListRules, &pb.ListRulesRequest{Parent: ebb, PageSize: 500})
	absolute := slices.DeleteFunc(slices.Clone(rules.GetRules()), func(r *pb.Rule) bool {
		return r.GetOverrideTerms().GetAllowed() || r.GetSeverity() != pb.Severity_SEVERITY_REFUSE
	})
	d.page.answer("%d rules hold here, each with its version and basis; %d of them refuse and can be overridden by nobody", len(rules.GetRules()), len(absolute))
	for _, r := range rules.GetRules() {
		d.expect(r.GetVersion() > 0 && r.GetMessage() != "" && r.GetBasis().GetSource() != "", "rule %s has a version, a message and a basis", r.GetRuleId())
	}
	d.expect(len(rules.GetRules()) >= 25 && len(absolute) > 0, "at least 25 rules hold, some absolute")
}
