package alkali

import pb "alkalog/proto/alkalogv1"

// known returns the substance of this package for one of the contract; UnknownSubstance
// for those that no limit and no computation needs (glyoxylic acid).
func known(s pb.Substance) Substance {
	switch s {
	case pb.Substance_SUBSTANCE_SODIUM_HYDROXIDE:
		return SodiumHydroxide
	case pb.Substance_SUBSTANCE_POTASSIUM_HYDROXIDE:
		return PotassiumHydroxide
	case pb.Substance_SUBSTANCE_LITHIUM_HYDROXIDE:
		return LithiumHydroxide
	case pb.Substance_SUBSTANCE_LITHIUM_HYDROXIDE_MONOHYDRATE:
		return LithiumHydroxideMonohydrate
	case pb.Substance_SUBSTANCE_CALCIUM_HYDROXIDE:
		return CalciumHydroxide
	case pb.Substance_SUBSTANCE_GUANIDINE_SALT:
		return GuanidineCarbonate
	case pb.Substance_SUBSTANCE_THIOGLYCOLIC_ACID:
		return ThioglycolicAcid
	case pb.Substance_SUBSTANCE_THIOGLYCOLIC_ESTER:
		return GlycerylThioglycolate
	case pb.Substance_SUBSTANCE_SULFITE:
		return SulfurDioxide
	case pb.Substance_SUBSTANCE_FORMALDEHYDE:
		return Formaldehyde
	case pb.Substance_SUBSTANCE_RELEASED_FORMALDEHYDE:
		return ReleasedFormaldehyde
	case pb.Substance_SUBSTANCE_HYDROGEN_PEROXIDE:
		return HydrogenPeroxide
	case pb.Substance_SUBSTANCE_AMMONIA:
		return Ammonia
	}
	return UnknownSubstance
}

// Declared is what a product of the catalogue declares. index[i] is the place,
// among the product's ingredients, of part i.
//
// Ingredients that this package does not know are left out, so that part i of the
// result need not be ingredient i.
func Declared(p *pb.Product) (declared Product, index []int) {
	for i, ingredient := range p.GetIngredients() {
		substance := known(ingredient.Substance)
		if substance == UnknownSubstance {
			continue
		}
		percent := ingredient.GetMassPercent()
		if substance == GlycerylThioglycolate {
			// The contract declares esters as thioglycolic acid already.
			percent /= Factor(GlycerylThioglycolate, ThioglycolicAcid)
		}
		declared.Contains = append(declared.Contains, Part{substance, percent})
		index = append(index, i)
	}
	if p.DeclaredPh != nil {
		declared.PH, declared.Method = p.GetDeclaredPh(), method(p.PhMethod)
	}
	return declared, index
}

// method is how the declared pH was come by; a pH without a method counts as
// measured, the wider comparison.
func method(m pb.PhMethod) Method {
	if m == pb.PhMethod_PH_METHOD_COMPUTED {
		return Computed
	}
	return Measured
}
