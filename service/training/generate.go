package training

import (
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// generate fills in a case by a generator: a head that a service could go ahead on, and
// then problems, told or hidden as the difficulty says. Nothing comes from a client's
// record. The generator's algorithm is PCG, whose numbers the Go library keeps the same
// for a seed.
// Problems are drawn without repetition. An easy case tells its problem in the opening; the
// others tell nothing, so that only questions find it. How many there are does not depend
// on the shelf.
//
// Ages, lengths and days are drawn within what is ordinary, so that they neither help to
// guess nor add a finding.
func generate(c *pb.Case, g *pb.CaseGenerator, now time.Time) {
	g = proto.CloneOf(g)
	if g.VisitTime == nil {
		g.VisitTime = timestamppb.New(now)
	}
	draw := rand.New(rand.NewPCG(uint64(g.Seed), uint64(g.Difficulty)))
	visit := g.VisitTime.AsTime()
	h := ordinaryHead(draw, g, visit)
	fewest, most := 0, 1
	switch g.Difficulty {
	case pb.Difficulty_DIFFICULTY_MEDIUM:
		fewest, most = 1, 2
	case pb.Difficulty_DIFFICULTY_HARD:
		fewest, most = 2, 3
	}
	told := []string{"I would like my hair softer and straighter."}
	order := draw.Perm(len(problems))
	for _, i := range order[:fewest+draw.IntN(most-fewest+1)] {
		problems[i].on(h, visit, draw)
		if g.Difficulty == pb.Difficulty_DIFFICULTY_EASY {
			told = append(told, problems[i].told)
		}
	}
	c.Generator = g
	c.Facts = &pb.CaseFacts{Consultation: h, Product: g.Product, Salon: g.Salon, Practitioner: g.Practitioner, VisitTime: g.VisitTime,
		LotCode: c.GetFacts().GetLotCode(), ServiceKind: h.GetWishes().GetServiceKind()}
	c.Opening = strings.Join(told, " ")
	c.ShownFields = []string{"consultation.wishes.service_kind"}
	if c.DisplayName == "" {
		c.DisplayName = "A head with " + strings.ToLower(strings.TrimPrefix(h.Hair.Texture.String(), "TEXTURE_")) + " hair"
	}
}

// Short names for answers.
const (
	no  = pb.Answer_ANSWER_NO
	yes = pb.Answer_ANSWER_YES
)

// never is a past event that did not happen.
// It is the answer "no", which differs from no answer: an answer that is missing would make
// the case open, and a student could not be told anything.
func never() *pb.PastEvent { return &pb.PastEvent{Happened: no} }

// daysAgo is a past event so many days before the visit.
// Cases state instants, so that a wait is over or not to the minute.
func daysAgo(visit time.Time, days int) *pb.PastEvent {
	return &pb.PastEvent{Happened: yes, LastTime: timestamppb.New(visit.AddDate(0, 0, -days))}
}

// ordinaryHead is untreated hair on a calm scalp, with every question of the rules
// answered, whose harmless features are drawn.
// It is complete on purpose: every question that is asked has an answer, and what a problem changes is
// the only thing that speaks against a service. A test decides on many of them.
func ordinaryHead(draw *rand.Rand, g *pb.CaseGenerator, visit time.Time) *pb.Consultation {
	textures := []pb.Texture{pb.Texture_TEXTURE_MEDIUM, pb.Texture_TEXTURE_COARSE} // fine hair needs another jar
	densities := []pb.Density{pb.Density_DENSITY_LOW, pb.Density_DENSITY_MEDIUM, pb.Density_DENSITY_HIGH}
	curls := []pb.CurlType{pb.CurlType_CURL_TYPE_IV, pb.CurlType_CURL_TYPE_V, pb.CurlType_CURL_TYPE_VI, pb.CurlType_CURL_TYPE_VII}
	hair := &pb.HairAnalysis{
		Texture: textures[draw.IntN(2)], Density: densities[draw.IntN(3)], CurlType: curls[draw.IntN(4)],
		CurlIndex: new(2 + float64(draw.IntN(20))/10), LengthMm: new(float64(120 + 10*draw.IntN(25))), NewGrowthMm: new(0.0),
	}
	for _, zone := range []pb.Zone{pb.Zone_ZONE_NEW_GROWTH, pb.Zone_ZONE_MID_STRAND, pb.Zone_ZONE_ENDS} {
		hair.Zones = append(hair.Zones, &pb.HairZone{Zone: zone, Condition: pb.HairCondition_HAIR_CONDITION_SOUND, Porosity: pb.Porosity_POROSITY_NORMAL,
			Thio: never(), Hydroxide: never(), PermanentColour: never(), SemiPermanentColour: never(), Lightened: never(), MetallicDye: no, PlantHenna: no, Smoothing: never()})
	}
	for _, id := range []string{"crown", "nape", "edges"} {
		s := &pb.HeadSection{SectionId: id, Resistant: no, Fragile: no, Hairline: no}
		if id == "edges" {
			s.Hairline = yes
		}
		hair.Sections = append(hair.Sections, s)
	}
	return &pb.Consultation{
		Salon: g.Salon, Practitioner: g.Practitioner,
		Wishes: &pb.Wishes{ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN, StraighteningPercent: new(float64(55 + 5*draw.IntN(5)))},
		Scalp: &pb.ScalpAnalysis{BrokenSkin: no, Sores: no, InfectionSigns: no, InfestationSigns: no, Redness: no, Swelling: no, Burns: no, Eruption: no,
			Flaking: no, Tender: no, Scratched: never(), SeenTime: timestamppb.New(visit)},
		Hair: hair,
		Tests: &pb.PreliminaryTests{Elasticity: pb.ElasticityReading_ELASTICITY_READING_NORMAL, WetStretchPercent: new(float64(40 + draw.IntN(10))),
			Incompatibility: pb.IncompatibilityReading_INCOMPATIBILITY_READING_CLEAR, Strand: pb.StrandReading_STRAND_READING_SOUND, StrandProduct: g.Product,
			StrandMinutes: new(float64(11 + draw.IntN(5))), TestTime: timestamppb.New(visit.Add(-20 * time.Hour)), Tester: g.Practitioner},
		History: &pb.ClientHistory{Shampoo: daysAgo(visit, 3+draw.IntN(4)), ExtensionsRemoved: never(), ExtensionsIn: no, Relaxer: never(), BadReaction: no,
			Allergy: no, Pregnancy: no, Medication: no, RecentIllness: no, HairLoss: no, ThinningCrown: no, ThinningEdges: no, BreakageLines: no, Keloids: no,
			ScalpSteroids: no, ContactLenses: no, GloveAllergy: no, Isotretinoin: never(), CancerTreatment: never(), MedicalClearance: no, UndescribedWork: no},
		Consent: &pb.Consent{Agreed: yes, Explained: yes, AgreeTime: timestamppb.New(visit), AgeYears: new(int32(19 + draw.IntN(40)))},
	}
}

// problem is something that speaks against a service, or changes how it is done.
// It changes a complete consultation in place. The draw is for what may differ between two
// cases with the same problem, such as the number of days.
type problem struct {
	told string // how the client tells it
	on   func(c *pb.Consultation, visit time.Time, draw *rand.Rand)
}

// zone is a zone of the strand.
// The head of a generated case always has all three zones, so it is always found.
func zone(c *pb.Consultation, z pb.Zone) *pb.HairZone {
	return c.Hair.Zones[slices.IndexFunc(c.Hair.Zones, func(h *pb.HairZone) bool { return h.Zone == z })]
}
