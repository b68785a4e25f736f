package training

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/marking"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/service/timing"
)

var visitDay = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)

// engine is loaded once: it takes a second.
var engine = func() *rules.Engine {
	e, err := rules.New()
	if err != nil {
		panic(err)
	}
	return e
}()

// The shelf, the place and the person are invented.
func relaxer() *pb.Product {
	return &pb.Product{
		Name: "chains/quay-school/products/ebb-regular", DisplayName: "Ebb relaxer, regular", Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER,
		HydroxideKind: pb.HydroxideKind_HYDROXIDE_KIND_SODIUM, Strength: pb.Strength_STRENGTH_REGULAR, UseTier: pb.UseTier_USE_TIER_PROFESSIONAL,
		Ingredients: []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_SODIUM_HYDROXIDE, MassPercent: new(2.0)}},
		DeclaredPh:  new(12.6), PhMethod: pb.PhMethod_PH_METHOD_MEASURED, SafetyDataSheet: "invented",
		Directions: &pb.Directions{MaximumMinutes: new(int32(18)), UsualMinutes: new(int32(13)), StrandTestMinutes: new(int32(3)), MinimumAgeYears: new(int32(16)),
			BaseNeeded: yes, StrandTestRequired: yes, AllowedOnColoured: yes, AllowedOnLightened: yes, Edition: "invented edition 3"},
		Lots: []*pb.Lot{{LotCode: "R-2611", ExpireTime: timestamppb.New(visitDay.AddDate(1, 0, 0))}},
	}
}

// made is a generated case with its reference.
func made(t testing.TB, seed int64, difficulty pb.Difficulty) *pb.Case {
	t.Helper()
	c := &pb.Case{Name: fmt.Sprintf("chains/quay-school/cases/c%d", seed), Practice: true, Facts: &pb.CaseFacts{LotCode: "R-2611"}}
	generate(c, &pb.CaseGenerator{Seed: seed, Difficulty: difficulty, Product: "chains/quay-school/products/ebb-regular",
		Salon: "chains/quay-school/salons/room", Practitioner: "chains/quay-school/practitioners/wren"}, visitDay)
	return decide(t, c)
}

// decide gives a case its reference, as CreateCase does.
func decide(t testing.TB, c *pb.Case) *pb.Case {
	t.Helper()
	in := rules.ExpandStatements(&pb.DecisionInputs{
		DecideTime: c.Facts.VisitTime, Consultation: c.Facts.Consultation, LotCode: c.Facts.LotCode, ServiceKind: c.Facts.ServiceKind, Product: relaxer(),
		Salon: &pb.Salon{Name: c.Facts.Salon, Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, MinutesToBowl: new(int32(1))},
		Practitioner: &pb.Practitioner{Name: c.Facts.Practitioner, Role: pb.Role_ROLE_PRACTITIONER, LicenceNumber: "INV-1",
			LicenceExpireTime: timestamppb.New(visitDay.AddDate(1, 0, 0))},
		Parameters: engine.Parameters(nil), ApplicationPace: timing.LearnPace(c.Facts.Practitioner, nil),
	})
	var err error
	if c.Reference, err = record.Decide(engine, rules.Revision, in); err != nil {
		t.Fatal(err)
	}
	return c
}

// TestOrdinaryHeadGoesAhead: without problems a service goes ahead, and everything that
// the rules ask has an answer.
func TestOrdinaryHeadGoesAhead(t *testing.T) {
	t.Parallel()
	for seed := range int64(200) {
		c := made(t, seed, pb.Difficulty_DIFFICULTY_EASY)
		if len(c.Reference.OpenQuestions) > 0 && c.Reference.Verdict == pb.Verdict_VERDICT_ASK {
			t.Fatalf("seed %d is open: %v", seed, c.Reference.OpenQuestions)
		}
		if strings.Count(c.Opening, ".") == 1 && !marking.GoesAhead(c.Reference.Verdict) {
			t.Errorf("seed %d has no problem and is %v: %v", seed, c.Reference.Verdict, c.Reference.Findings)
		}
	}
}

// TestEveryProblemCounts: each problem of the generator changes what the rules find, and
// any two of them can be on one head with a decision that is not open.
func TestEveryProblemCounts(t *testing.T) {
	t.Parallel()
	found := func(problems ...problem) (pb.Verdict, []string) {
		c := made(t, 1, pb.Difficulty_DIFFICULTY_EASY)
		plain := ordinaryHead(newDraw(), c.Generator, visitDay)
		for _, p := range problems {
			p.on(plain, visitDay, newDraw())
		}
		c.Facts.Consultation = plain
		decide(t, c)
		if err := decided(c.Reference); err != nil {
			t.Errorf("%v: %v", problems, err)
		}
		var ids []string
		for _, f := range c.Reference.Findings {
			ids = append(ids, f.RuleId)
		}
		return c.Reference.Verdict, ids
	}
	_, plain := found()
	for i, p := range problems {
		verdict, ids := found(p)
		t.Logf("%-60s %v %v", p.told, verdict, slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return slices.Contains(plain, id) }))
		if slices.Equal(ids, plain) {
			t.Errorf("%q changes nothing", p.told)
		}
		for _, other := range problems[i+1:] {
			found(p, other)
		}
	}
}

// TestGeneratorIsRepeatable: the same seed makes the same case, another makes another, and
// the difficulties hide what they say.
func TestGeneratorIsRepeatable(t *testing.T) {
	t.Parallel()
	for _, difficulty := range []pb.Difficulty{pb.Difficulty_DIFFICULTY_EASY, pb.Difficulty_DIFFICULTY_MEDIUM, pb.Difficulty_DIFFICULTY_HARD} {
		different, hidden := 0, 0
		for seed := range int64(50) {
			c := made(t, seed, difficulty)
			if !proto.Equal(c, made(t, seed, difficulty)) {
				t.Errorf("seed %d makes two cases", seed)
			}
			if !proto.Equal(c.Facts.Consultation, made(t, seed+1, difficulty).Facts.Consultation) {
				different++
			}
			if difficulty != pb.Difficulty_DIFFICULTY_EASY && c.Opening == made(t, 0, difficulty).Opening {
				hidden++
			}
		}
		if different < 45 {
			t.Errorf("%v: only %d of 50 differ from the next", difficulty, different)
		}
		if difficulty != pb.Difficulty_DIFFICULTY_EASY && hidden != 50 {
			t.Errorf("%v: the opening tells something of %d of 50", difficulty, 50-hidden)
		}
	}
}

// newDraw draws the same each time.
func newDraw() *rand.Rand { return rand.New(rand.NewPCG(7, 7)) }
