package demo

import (
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// danger is one thing that a careless visit gets wrong. Everything else in that visit
// is as in a careful one, so that a danger is not found by the way.
type danger struct {
	name string
	// Where it can be seen: "asked" (a question of its own, answered truthfully or
	// not at all), "record", "scan", "test", "clock"; "" when nowhere.
	where string
	// Kinds of client with which it can be planted; nil: any.
	kinds []visitKind
	// Laws under which it is a danger; nil: all.
	laws func(pb.Jurisdiction) bool
	// The day of the month from which it is one.
	from int
	// Changes the answers.
	answer func(v *visit, card *pb.Consultation)
	// Changes what is asked for.
	ask func(v *visit, q *pb.CheckEligibilityRequest)
	// The visit before, when it must be on record.
	before func(c *inventedClient, at time.Time) earlier
	// The client is thirteen.
	young bool
	// What the hands do.
	slip slip
	// The signs of which one must show (see visit.sign). Where rules overlap, each of
	// them is enough.
	caught []string
	// Why nothing can see it, for those that are nowhere.
	unseen string
}

// slip is what careless hands do.
type slip int

// The slips.
const (
	noSlip slip = iota
	// The jar goes on without being scanned.
	jarNotScanned
	// Another relaxer than the one decided on is scanned, and goes on all the same.
	otherJar
	// No strand is tested.
	testsSkipped
	// No strand is tested, and the first calls to the bowl are ignored.
	staysTooLong
	// The service is closed after two lathers.
	fewLathers
	// A student begins before the supervisor has signed.
	notSigned
)

// earlier is the visit before, when it is on record.
type earlier struct {
	// Zero: not on record.
	at time.Time
	// Product came into an eye.
	splash bool
}

// retouchesOnly are the kinds with an earlier relaxer, hydroxideOnly those that are
// relaxed now.
var (
	retouchesOnly = []visitKind{retouchVisit, studentVisit}
	hydroxideOnly = []visitKind{retouchVisit, virginVisit, studentVisit, texturizingVisit}
)

// licences reports whether a law knows licences of practitioners: those of the
// United States do. Elsewhere a qualification is optional, so an expired one is no
// danger.
func licences(law pb.Jurisdiction) bool {
	return law != pb.Jurisdiction_JURISDICTION_UK && law != pb.Jurisdiction_JURISDICTION_EU
}

// fits reports whether a danger can be planted in a visit. A danger that cannot
// come about must not count as one that was missed.
func (d *danger) fits(v *visit) bool {
	return (d.kinds == nil || slices.Contains(d.kinds, v.kind)) && (d.laws == nil || d.laws(v.by.salon.law)) &&
		!v.at.Before(v.opens.AddDate(0, 0, d.from))
}

// dangers take turns in careless visits. Those of the first groups can be seen where their
// field "where" says, and all of them must be found. Those that are nowhere to be seen are lies that
// no software can find; the report lists them.
var dangers = []*danger{
	// Caustic product on broken skin burns at once; nobody may set it aside.
	{name: "broken skin, answered in passing", where: "asked",
		answer: func(_ *visit, c *pb.Consultation) { c.Scalp.BrokenSkin = yes }, caught: []string{"rule scalp.broken-skin"}},
	// The scalp's own oil is gone, and it burns sooner.
	{name: "washed last night", where: "asked", kinds: hydroxideOnly,
		answer: func(v *visit, c *pb.Consultation) {
			c.History.Shampoo.LastTime = timestamppb.New(v.clock.Now().Add(-14 * time.Hour))
		}, caught: []string{"rule wait.shampoo"}},
	// A doctor decides, not a stylist.
	{name: "allergy", where: "asked",
		answer: func(_ *visit, c *pb.Consultation) { c.History.Allergy = yes }, caught: []string{"rule medical.allergy"}},
	// It is likely to come again, and to be worse.
	{name: "earlier reaction", where: "asked",
		answer: func(_ *visit, c *pb.Consultation) { c.History.BadReaction = yes }, caught: []string{"rule medical.bad-reaction"}},
	// The record cannot know; only the question about all work since the last visit can.
	{name: "relaxed elsewhere three weeks ago", where: "asked", kinds: retouchesOnly,
		answer: func(v *visit, c *pb.Consultation) { c.History.Relaxer = happenedDaysAgo(v.clock.Now(), 21) },
		caught: []string{"rule wait.relaxer", "rule history.contradiction"}},
	// What was not answered is unknown, never "no".
	{name: "scalp and tests left empty", where: "asked",
		answer: func(_ *visit, c *pb.Consultation) {
			c.Scalp.Sores, c.Scalp.Burns = pb.Answer_ANSWER_UNSPECIFIED, pb.Answer_ANSWER_UNSPECIFIED
			c.Tests.Elasticity = pb.ElasticityReading_ELASTICITY_READING_UNSPECIFIED
		}, caught: []string{"question consultation.scalp.sores", "question consultation.tests.elasticity"}},
	// Without it the service is an assault, whatever the hair is like.
	{name: "consent not asked for", where: "asked",
		answer: func(_ *visit, c *pb.Consultation) { c.Consent.Agreed = pb.Answer_ANSWER_UNSPECIFIED },
		caught: []string{"question consultation.consent.agreed"}},

	// Overlap of two relaxers is the main cause of breakage.
	{name: "relaxed here 25 days ago, said to be ten weeks", where: "record", kinds: retouchesOnly,
		before: func(_ *inventedClient, at time.Time) earlier { return earlier{at: at.AddDate(0, 0, -25)} },
		caught: []string{"rule wait.relaxer", "rule retouch.too-early-on-record", "rule history.contradiction"}},
	// The strictest source counts until the contradiction is settled.
	{name: "relaxed here, said to be virgin hair", where: "record", kinds: []visitKind{virginVisit},
		before: func(_ *inventedClient, at time.Time) earlier { return earlier{at: at.AddDate(0, 0, -150)} },
		caught: []string{"rule zone.already-relaxed", "rule history.contradiction"}},
	// Only a doctor's dated word about that incident clears it.
	{name: "product in an eye at the visit before", where: "record", kinds: retouchesOnly,
		before: func(c *inventedClient, _ time.Time) earlier { return earlier{at: c.relaxed, splash: true} },
		caught: []string{"rule incident.doctors-word-missing"}},
	// The lower age counts until a document was seen.
	{name: "thirteen by the birth date, said to be seventeen", where: "record", young: true,
		answer: func(_ *visit, c *pb.Consultation) {
			c.Consent.AgeYears, c.Consent.GuardianAgreed = proto.Int32(17), yes
		}, caught: []string{"rule age.disputed", "rule age.minimum", "rule directions.minimum-age"}},
	// A decision looks at the date, and not at who is asking.
	{name: "licence expired", where: "record", laws: licences,
		ask:    func(v *visit, q *pb.CheckEligibilityRequest) { q.Practitioner = v.by.salon.expired.name },
		caught: []string{"rule practitioner.licence-expired"}},
	// The signature is under the decision, so its absence is on record.
	{name: "student begins without a signature", where: "record", kinds: []visitKind{studentVisit}, slip: notSigned,
		caught: []string{"error NOT_COUNTERSIGNED"}},

	// The recall comes in the middle of the month, while jars stand on trolleys.
	{name: "recalled lot", where: "scan", from: recallDay + 1,
		ask:    func(_ *visit, q *pb.CheckEligibilityRequest) { q.LotCode = recalledLot },
		caught: []string{"rule product.lot-recalled"}},
	// Old product is stronger or weaker than its directions say.
	{name: "expired lot", where: "scan",
		ask:    func(_ *visit, q *pb.CheckEligibilityRequest) { q.LotCode = expiredLot },
		caught: []string{"rule product.lot-expired"}},
	// It is found at the first contact, when the jar is scanned before it.
	{name: "another jar than decided on", where: "scan", kinds: hydroxideOnly, slip: otherJar,
		caught: []string{"alarm RINSE_NOW WRONG_PRODUCT"}},
	// A jar that nobody scanned may be any jar.
	{name: "jar not scanned", where: "scan", slip: jarNotScanned, caught: []string{"alarm CONFIRM_PRODUCT"}},

	// Such hair breaks in a relaxer.
	{name: "elasticity failed", where: "test",
		answer: func(_ *visit, c *pb.Consultation) {
			c.Tests.Elasticity = pb.ElasticityReading_ELASTICITY_READING_FAILED
		}, caught: []string{"rule tests.elasticity-failed"}},
	// Metal salts react with what comes after, with heat.
	{name: "metal found", where: "test",
		answer: func(_ *visit, c *pb.Consultation) {
			c.Tests.Incompatibility = pb.IncompatibilityReading_INCOMPATIBILITY_READING_POSITIVE
		}, caught: []string{"rule tests.metal-found"}},
	// The rest of the hair would, too.
	{name: "test strand broke", where: "test",
		answer: func(_ *visit, c *pb.Consultation) { c.Tests.Strand = pb.StrandReading_STRAND_READING_BREAKAGE },
		caught: []string{"rule tests.strand-broke"}},
	// It cannot be relaxed without overlap.
	{name: "little new growth", where: "test", kinds: retouchesOnly,
		answer: func(_ *visit, c *pb.Consultation) { c.Hair.NewGrowthMm = proto.Float64(6) },
		caught: []string{"rule retouch.little-growth"}},

	// The estimate alone is too wide to go by.
	{name: "strand tests not made", where: "clock", kinds: hydroxideOnly, slip: testsSkipped, caught: []string{"alarm STRAND_TEST_DUE"}},
	// The hard limit is the last thing between a distracted stylist and a burn.
	{name: "left on too long", where: "clock", kinds: hydroxideOnly, slip: staysTooLong, caught: []string{"alarm RINSE_NOW", "alarm RINSE_DUE"}},
	// Alkali that is left in the hair goes on working at home.
	{name: "closed after two lathers", where: "clock", kinds: hydroxideOnly, slip: fewLathers, caught: []string{"error NOT_NEUTRALIZED"}},

	// From here on: nothing of it reaches a till. They are planted all the same, so that the
	// report says how many visits of a month nobody could have stopped.
	{name: "broken skin seen and denied", unseen: "the answer to a question asked singly is a lie"},
	{name: "medicine not mentioned", unseen: "the client says no"},
	{name: "statement read out without waiting for an answer", unseen: "all of its items are answered by one tap"},
	{name: "base noted, not put on", unseen: "a tap is all that shows it"},
	{name: "consent ticked, nothing explained", unseen: "a tap is all that shows it"},
	{name: "jar refilled with another cream", unseen: "the scan is right"},
}

// accident is what goes wrong in an unlucky visit although everything was done right.
type accident struct {
	name string
	// What happens, from the minute on in which it happens; nil: nothing until the day
	// after.
	happen func(v *visit)
	// The signs of which one must show.
	caught []string
}

// accidents take turns in unlucky visits.
var accidents = []*accident{
	{"burning at the scalp", (*visit).burns, []string{"alarm RINSE_NOW DISCOMFORT"}},
	{"tingling", (*visit).tingles, []string{"alarm RINSE_NOW DISCOMFORT"}},
	{"product in an eye", (*visit).splashes, []string{"alarm RINSE_NOW SPLASH"}},
	{"hair in distress at a strand test", (*visit).distress, []string{"alarm RINSE_NOW DISTRESSED_HAIR"}},
	{"water fails while rinsing a burn", (*visit).waterFails, []string{"alarm WATER_OFF_TOO_SOON"}},
	{"broken off with product on", (*visit).brokenOff, []string{"alarm RINSE_NOW BROKEN_OFF"}},
	{"soreness reported the day after", nil, []string{"alarm RINSE_NOW DISCOMFORT", "incident"}},
}

// finding is what a careful practitioner finds and answers truthfully.
type finding func(v *visit, c *pb.Consultation)

// findings take turns in careful visits that are not ordinary. Some of them stop the
// service and some only bring a condition; they keep the ordinary visits from being the
// only ones, and have no goal of their own.
var findings = []finding{
	func(_ *visit, c *pb.Consultation) { c.History.Medication = yes },
	func(_ *visit, c *pb.Consultation) { c.History.ThinningEdges = yes },
	func(_ *visit, c *pb.Consultation) { c.History.ContactLenses = yes },
	func(_ *visit, c *pb.Consultation) { c.Scalp.Flaking = yes },
	func(v *visit, c *pb.Consultation) { c.History.ExtensionsRemoved = happenedDaysAgo(v.clock.Now(), 6) },
	func(_ *visit, c *pb.Consultation) { c.Hair.Zones[2].Porosity = pb.Porosity_POROSITY_POROUS },
	func(v *visit, c *pb.Consultation) { c.Hair.Zones[2].Lightened = happenedDaysAgo(v.clock.Now(), 700) },
	func(_ *visit, c *pb.Consultation) { c.History.UndescribedWork = pb.Answer_ANSWER_UNSURE },
	func(_ *visit, c *pb.Consultation) { c.Scalp.Tender = pb.Answer_ANSWER_UNSURE },
	func(v *visit, c *pb.Consultation) {
		c.Hair.Zones[1].SemiPermanentColour = happenedDaysAgo(v.clock.Now(), 8)
	},
}
