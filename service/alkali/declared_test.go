package alkali

import (
	"math"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

func TestDeclaredKeepsEverySubstanceTheLimitsKnow(t *testing.T) {
	for number, name := range pb.Substance_name {
		substance := pb.Substance(number)
		declared, index := Declared(&pb.Product{Ingredients: []*pb.Ingredient{{Substance: substance, MassPercent: new(float64(2))}}})
		known := substance != pb.Substance_SUBSTANCE_UNSPECIFIED && substance != pb.Substance_SUBSTANCE_GLYOXYLIC_ACID
		if known != (len(declared.Contains) == 1) || len(index) != len(declared.Contains) {
			t.Errorf("%s: declared as %v", name, declared.Contains)
		}
	}
}

func TestDeclaredTakesEstersAsThioglycolicAcid(t *testing.T) {
	declared, _ := Declared(&pb.Product{Ingredients: []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_THIOGLYCOLIC_ESTER, MassPercent: new(float64(8))}}})
	part := declared.Contains[0]
	if got := part.Percent * Factor(part.Substance, ThioglycolicAcid); math.Abs(got-8) > 1e-9 {
		t.Errorf("8 %% as thioglycolic acid came back as %v", got)
	}
}
