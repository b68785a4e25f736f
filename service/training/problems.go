package training

import (
	"math/rand/v2"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// problems are what a generated head can have. The rules say what follows from each; a
// test checks that each changes the decision, and that each can stand beside every other.
// They are invented, as ordinary as possible, and each is one thing: a head that has two of
// them has two reasons. What the client tells is said as a client would say it, without the
// words of the trade, and never names the rule. A problem that the rules do not know has no
// place here, since nobody could mark it.
//
// The order is that of drawing and is part of what a seed means, so new ones come last.
//
// To add one, write what it changes of a head on which a service goes ahead, and run the
// tests of this package: they print which rules it adds.
var problems = []problem{
	// A wait since a shampoo that is not over.
	{"I washed it last night so that it is nice for you.", func(c *pb.Consultation, visit time.Time, _ *rand.Rand) {
		c.History.Shampoo = daysAgo(visit, 1)
	}},
	// A scalp that was scratched: the same wait, told differently.
	{"My head itched yesterday, I have been scratching.", func(c *pb.Consultation, visit time.Time, _ *rand.Rand) {
		c.Scalp.Scratched = daysAgo(visit, 1)
	}},
	// Skin that is not whole. What it is, nobody here may say.
	{"There is a sore spot behind my ear.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		c.Scalp.BrokenSkin = yes
	}},
	// Something to be looked at by a doctor first.
	{"My scalp is a bit red since the weekend.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		c.Scalp.Redness = yes
	}},
	// Work that excludes hydroxide on the same hair for good.
	{"I had a perm in the spring, it has grown out mostly.", func(c *pb.Consultation, visit time.Time, draw *rand.Rand) {
		zone(c, pb.Zone_ZONE_ENDS).Thio = daysAgo(visit, 120+draw.IntN(60))
	}},
	// Weakened ends, which not every maker allows.
	{"The tips were bleached for the summer.", func(c *pb.Consultation, visit time.Time, draw *rand.Rand) {
		zone(c, pb.Zone_ZONE_ENDS).Lightened = daysAgo(visit, 60+draw.IntN(60))
	}},
	// A wait since colour that is not over.
	{"I coloured it on Monday.", func(c *pb.Consultation, visit time.Time, draw *rand.Rand) {
		zone(c, pb.Zone_ZONE_MID_STRAND).PermanentColour = daysAgo(visit, 2+draw.IntN(6))
	}},
	// Hair that would not stand the service.
	{"My ends keep snapping off.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		zone(c, pb.Zone_ZONE_ENDS).Condition = pb.HairCondition_HAIR_CONDITION_EXTREME
	}},
	// A test that failed; it only shows when the result is asked for.
	{"When it is wet it feels like chewing gum.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		c.Tests.Elasticity = pb.ElasticityReading_ELASTICITY_READING_FAILED
	}},
	// Metal in the hair, and the test that found it.
	{"I use a colour restorer from the market, no idea what is in it.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		zone(c, pb.Zone_ZONE_MID_STRAND).MetallicDye = yes
		c.Tests.Incompatibility = pb.IncompatibilityReading_INCOMPATIBILITY_READING_POSITIVE
	}},
	// Something that only a doctor can clear.
	{"I take tablets every morning.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		c.History.Medication = yes
	}},
	// Slow thinning, which clients seldom tell unasked.
	{"The top is getting thinner, I think.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		c.History.ThinningCrown = yes
	}},
	// A medicine that goes on working after it was stopped.
	{"I was on strong tablets for my skin until two months ago.", func(c *pb.Consultation, visit time.Time, draw *rand.Rand) {
		c.History.Isotretinoin = daysAgo(visit, 40+draw.IntN(60))
	}},
	// A wait since extensions that is not over.
	{"My braids came out yesterday.", func(c *pb.Consultation, visit time.Time, draw *rand.Rand) {
		c.History.ExtensionsRemoved = daysAgo(visit, 1+draw.IntN(4))
	}},
	// A wait since smoothing that is not over.
	{"I had a smoothing treatment a month ago.", func(c *pb.Consultation, visit time.Time, draw *rand.Rand) {
		zone(c, pb.Zone_ZONE_MID_STRAND).Smoothing = daysAgo(visit, 20+draw.IntN(40))
	}},
	// A strand test that broke.
	{"The strand you tried last time broke.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		c.Tests.Strand = pb.StrandReading_STRAND_READING_BREAKAGE
	}},
	// Another thing for a doctor's word.
	{"I am expecting, if that matters.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		c.History.Pregnancy = yes
	}},
	// An earlier reaction, to be cleared before anything is tried again.
	{"Some lotion once burned my head badly.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		c.History.BadReaction = yes
	}},
	// Not a reason to refuse: something to do first.
	{"I wear contact lenses.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		c.History.ContactLenses = yes
	}},
	// A client who may not be served at all at this age.
	{"I am fourteen, but my mother knows.", func(c *pb.Consultation, _ time.Time, _ *rand.Rand) {
		c.Consent.AgeYears, c.Consent.GuardianAgreed = new(int32(14)), no
	}},
}
