package rules

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// legalLimit is the most of a substance that the law allows in a product of a tier,
// % m/m as the contract declares it.
type legalLimit struct {
	substance             pb.Substance
	general, professional float64
}

// legalLimits are the limits of Regulation (EC) No 1223/2009, consolidated: Annex III
// entries 15a and 15b (corrigendum of 31 July 2024), 15c, 2a, 2b, 99, 12 (Regulation
// (EU) 2019/831) and 4; Annex II entry 1577. The law limits the hydroxides as sodium
// hydroxide, 2 and 4.5 %: those of potassium and lithium here are that divided by the
// ratio of molar masses 39.997, 56.106, 23.948 and 41.963 g/mol, worked out by hand
// and rounded down. Esters are declared as thioglycolic acid, sulfites as free sulfur
// dioxide.
func legalLimits() []legalLimit {
	return []legalLimit{
		{pb.Substance_SUBSTANCE_SODIUM_HYDROXIDE, 2, 4.5},
		{pb.Substance_SUBSTANCE_POTASSIUM_HYDROXIDE, 2.805, 6.312},
		{pb.Substance_SUBSTANCE_LITHIUM_HYDROXIDE, 1.197, 2.694},
		{pb.Substance_SUBSTANCE_LITHIUM_HYDROXIDE_MONOHYDRATE, 2.098, 4.721},
		{pb.Substance_SUBSTANCE_CALCIUM_HYDROXIDE, 7, 7},
		{pb.Substance_SUBSTANCE_THIOGLYCOLIC_ACID, 8, 11},
		{pb.Substance_SUBSTANCE_THIOGLYCOLIC_ESTER, 8, 11},
		{pb.Substance_SUBSTANCE_SULFITE, 6.7, 6.7},
		{pb.Substance_SUBSTANCE_FORMALDEHYDE, 0, 0},
		{pb.Substance_SUBSTANCE_HYDROGEN_PEROXIDE, 12, 12},
		{pb.Substance_SUBSTANCE_AMMONIA, 6, 6},
	}
}

// Each limit of the law: allowed at it, refused just over it, in the Union, in the
// United Kingdom and where the place is not stated.
func TestLawRefusesOverEachLimit(t *testing.T) {
	const justOver = 0.002 // more than the rounding of the limits above
	e := newEngine(t)
	refused := func(limit legalLimit, tier pb.UseTier, place pb.Jurisdiction, percent float64) bool {
		in := soundHead()
		in.Salon.Jurisdiction, in.Salon.RegionCode = place, ""
		in.Product.UseTier, in.Product.DeclaredPh = tier, nil
		in.Product.Ingredients = []*pb.Ingredient{{Substance: limit.substance, MassPercent: new(percent)}}
		return slices.ContainsFunc(mustDecide(t, e, in).GetFindings(), func(f *pb.Finding) bool {
			return f.GetSeverity() == pb.Severity_SEVERITY_REFUSE && strings.HasPrefix(f.GetRuleId(), "law.eu-")
		})
	}
	for _, limit := range legalLimits() {
		for tier, most := range map[pb.UseTier]float64{
			pb.UseTier_USE_TIER_GENERAL: limit.general, pb.UseTier_USE_TIER_UNSPECIFIED: limit.general, pb.UseTier_USE_TIER_PROFESSIONAL: limit.professional,
		} {
			for _, place := range []pb.Jurisdiction{union, kingdom, pb.Jurisdiction_JURISDICTION_UNSPECIFIED} {
				t.Run(fmt.Sprintf("%s/%s/%s", limit.substance, tier, place), func(t *testing.T) {
					if refused(limit, tier, place, most) {
						t.Errorf("%g %% is refused", most)
					}
					if !refused(limit, tier, place, most+justOver) {
						t.Errorf("%g %% is not refused", most+justOver)
					}
				})
			}
		}
	}
}
