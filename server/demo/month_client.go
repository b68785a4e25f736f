package demo

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// inventedClient is what is true of a client, whether or not anybody asks.
type inventedClient struct {
	// The hair, the same on the whole head.
	texture pb.Texture
	curl    pb.CurlType
	density pb.Density
	// Years, and whether the birth date is on record.
	age   int
	dated bool
	// Millimetres a day.
	growth float64
	// The ends were coloured a year ago.
	coloured bool
	// The last relaxer, and the last wash.
	relaxed, washed time.Time
	// New growth as a ruler shows it, millimetres.
	newHair float64
	// How fast the head takes product, in standard deviations from the usual.
	headRate float64
}

// pick draws a value by its share. Shares add up to one; what rounding leaves falls
// to the last value.
func pick[T any](random *rand.Rand, from []weighted[T]) T {
	x := random.Float64()
	for _, w := range from {
		if x -= w.share; x < 0 {
			return w.value
		}
	}
	return from[len(from)-1].value
}

// uniform draws a number between two. Both ends are possible.
func uniform(random *rand.Rand, low, high float64) float64 { return low + (high-low)*random.Float64() }

// drawClient draws a client who comes at a time. Relaxed clients come when their
// new growth is long enough, which takes tight curls longer, and never before the
// usual interval is over. Each of the draws is from the client's own generator.
func drawClient(random *rand.Rand, at time.Time) *inventedClient {
	c := &inventedClient{
		texture: pick(random, textureShares), curl: pick(random, curlShares), density: pick(random, densityShares),
		age: 18 + random.IntN(50), dated: random.Float64() < birthDateShare,
		coloured: random.Float64() < colouredShare, headRate: random.NormFloat64(),
	}
	step := float64(growthCurlI-growthCurlVIII) / float64(pb.CurlType_CURL_TYPE_VIII-pb.CurlType_CURL_TYPE_I)
	usual := growthCurlI - step*float64(c.curl-pb.CurlType_CURL_TYPE_I)
	c.growth = max(120, usual+growthDeviation*random.NormFloat64()) / 1000
	// The visit comes when the hair has grown, and not the other way round.
	days := max(shortestInterval, uniform(random, growthAtVisitLow, growthAtVisitHigh)/c.growth)
	c.relaxed = at.AddDate(0, 0, -int(math.Ceil(days)))
	c.newHair = math.Round(days*c.growth + rulerError*random.NormFloat64())
	// The last wash, and sometimes one that should not have been.
	hours := uniform(random, washedLatest, washedEarliest)
	if random.Float64() < washedAnywayShare {
		hours = uniform(random, 20, 40)
	}
	c.washed = at.Add(-time.Duration(hours * float64(time.Hour)))
	return c
}

// strengthFor is the relaxer that suits a texture, and a mild one on coloured hair:
// practitioners know that much. A retouch leaves the coloured ends alone. Hair that
// is lightened is not among the clients; it occurs as a finding.
func (c *inventedClient) strengthFor(kind visitKind) string {
	retouch := kind == retouchVisit || kind == studentVisit
	switch {
	case c.texture == pb.Texture_TEXTURE_FINE, c.coloured && !retouch:
		return mild
	case c.texture == pb.Texture_TEXTURE_COARSE:
		return superRelaxer
	}
	return regular
}

// rates draws the true rate of each section, in logarithms: about the usual time of the
// directions, slower for tight curls. The spread is split as the engine assumes it: a part
// that the head shares, one of each section, and one of the day.
func (c *inventedClient) rates(random *rand.Rand, sections []*pb.PlannedSection) map[string]float64 {
	rates := map[string]float64{}
	usual := math.Log(math.Log(1/(1-usualTarget)) / (usualMinutesOfAll - trueLag))
	for _, s := range sections {
		slower := trueCurlStep * float64(max(0, c.curl-pb.CurlType_CURL_TYPE_IV))
		rates[s.GetSectionId()] = usual - slower + trueHeadSpread*c.headRate + trueSectionSpread*random.NormFloat64() + trueVisitSpread*random.NormFloat64()
	}
	return rates
}

// usualMinutesOfAll is the usual time in the directions of every product here.
const usualMinutesOfAll = 13

// straightenedShare is how much of the curl is gone after minutes of exposure. It is the
// model of service/timing: what is tested here is the guidance, not the chemistry.
func straightenedShare(minutes, lnRate float64) float64 {
	return 1 - math.Exp(-math.Exp(lnRate)*max(0, minutes-trueLag))
}

// consultationOf is the complete and true consultation of a client for a service. Nothing
// that could be asked is left out; findings and dangers change single answers of it.
func (c *inventedClient) consultationOf(kind pb.ServiceKind, product, salon string, by person, now time.Time) *pb.Consultation {
	card := healthyConsultation(salon, by, now)
	card.Wishes.ServiceKind = kind
	card.Wishes.Words = ""
	card.Hair.Texture, card.Hair.CurlType, card.Hair.Density = c.texture, c.curl, c.density
	card.Hair.CurlIndex, card.Hair.Sections = nil, nil // the usual five sections
	card.Tests.StrandProduct, card.Tests.WetStretchPercent = product, nil
	card.Consent.AgeYears = proto.Int32(int32(c.age))
	card.History.Shampoo = &pb.PastEvent{Happened: yes, LastTime: timestamppb.New(c.washed)}
	switch kind {
	case pb.ServiceKind_SERVICE_KIND_RETOUCH, pb.ServiceKind_SERVICE_KIND_CORRECTIVE:
		c.describeRelaxed(card)
	case pb.ServiceKind_SERVICE_KIND_TEXTURIZING:
		card.Wishes.StraighteningPercent = proto.Float64(40)
	case pb.ServiceKind_SERVICE_KIND_WAVE:
		card.Wishes.StraighteningPercent = nil
	}
	if c.coloured {
		card.Hair.Zones[2].PermanentColour = happenedDaysAgo(now, 365)
	}
	return card
}

// describeRelaxed answers for hair that was relaxed before: everything but the new
// growth. The zones and the head must say the same, or the server asks which is
// right.
func (c *inventedClient) describeRelaxed(card *pb.Consultation) {
	then := &pb.PastEvent{Happened: yes, LastTime: timestamppb.New(c.relaxed)}
	card.History.Relaxer = then
	card.Hair.NewGrowthMm = proto.Float64(c.newHair)
	for _, zone := range card.Hair.Zones[1:] {
		zone.Hydroxide, zone.HydroxideKind = then, pb.HydroxideKind_HYDROXIDE_KIND_SODIUM
	}
}

// birthDate is the client's birth date on record at a time; "" when there is none.
// The birthday has passed in every month that is played, so the age is the
// difference of the years.
func (c *inventedClient) birthDate(now time.Time) string {
	if !c.dated {
		return ""
	}
	return fmt.Sprintf("%04d-01-15", now.Year()-c.age)
}
