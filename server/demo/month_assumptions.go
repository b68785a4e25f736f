package demo

import (
	"time"

	pb "alkalog/proto/alkalogv1"
)

// All distributions of the invented month (RunMonth). They are assumptions, not
// measurements, and they were fixed before any threshold of the rules or of the
// guidance was looked at with them. Each states its basis: "Source", a text that is
// cited where the engines use the same figure; "Common practice", a habit of the
// trade without a single source; or "Own choice".
const (
	// Own choice: a chain of 20 salons with three chairs each, and 3,000 visits in a
	// month of 20 working days, so that a practitioner has two to three a day.
	monthVisits, monthSalons, monthStaff, monthDays = 3000, 20, 3, 20
	// Own choice: four appointments a day, two hours apart, from the time at which
	// the salons open.
	monthSlots, monthSlotTime, monthOpensHour = 4, 2 * time.Hour, 9
	// Own choice: the third chair of every second salon is a student's.
	studentSalons = 2
	// Own choice: minutes to the bowl that a salon states.
	minutesToBowl = 1
	// Own choice: the day of the month on which a lot is recalled.
	recallDay = 9
	// Own choice: visits before that day that use the lot.
	recalledLotShare = 0.1

	// Own choice: every third client has a birth date on record.
	birthDateShare = 0.33
	// Own choice: seven of ten clients who return had their last visit on this
	// server. The others were relaxed elsewhere, and say when.
	recordedShare = 0.7
	// Common practice: a client comes back with 12 to 25 mm of new growth. Careful
	// salons book with a reserve of 2 mm (own choice). Millimetres.
	growthAtVisitLow, growthAtVisitHigh = 14, 25
	// Common practice: never earlier than eight weeks. Days.
	shortestInterval = 56
	// Source: growth by curl type as in service/timing (Loussouarn 2001 and 2005): on
	// a line from 411 micrometres a day for curl type I to 256 for VIII, and its
	// spread. Micrometres a day.
	growthCurlI, growthCurlVIII, growthDeviation = 411, 256, 50
	// Own choice: error of a ruler on new growth. Millimetres.
	rulerError = 1
	// Common practice: clients are told not to wash within 48 hours. They washed
	// between then and nine days ago (own choice). Hours.
	washedLatest, washedEarliest = 49, 9 * 24
	// Own choice: clients who washed 20 to 40 hours ago all the same.
	washedAnywayShare = 0.02
	// Own choice: careful visits in which something is found that speaks against the
	// service, or asks for more care. The others are ordinary.
	findingShare = 0.12
	// Own choice: careful practitioners who skip an answer by mistake.
	skippedShare = 0.05
	// Own choice: clients whose ends were coloured a year ago.
	colouredShare = 0.15

	// Own choice, as in the tests of service/timing: spread of the true rate between
	// heads, between the sections of a head and between visits, in logarithms, about
	// the usual time of the directions; and how much longer each tighter curl type
	// takes than type IV.
	trueHeadSpread, trueSectionSpread, trueVisitSpread, trueCurlStep = 0.3, 0.2, 0.12, 0.04
	// Own choice, as there: minutes before the curl begins to give; the target of the
	// directions' usual time, as a share; and the error of an eye at a strand test,
	// in logits.
	trueLag, usualTarget, eyeError = 1, 0.75, 0.3
	// Own choice, as there: what an eye calls "springs back" (more curl left than
	// this) and "stays smooth" (less), as shares of the curl.
	eyeSpringsShare, eyeSmoothShare = 0.6, 0.3
	// Own choice, as there: minutes a section, their spread between practitioners
	// and between sections, in logarithms, and the minutes of a strand test.
	truePace, truePaceSpread, trueSectionPaceSpread, testTakes = 3, 0.3, 0.15, 0.5
	// Own choice, as there: the way to the bowl takes half to one and a half times
	// what the salon states.
	shortestWay, longestWay = 0.5, 1.5
	// Own choice: minutes from an alarm to the hand on the hair, uniform from 0.
	// Careless hands take up to three minutes, and skip half of the strand tests.
	carefulDelay, carelessDelay, carelessSkips = 0.5, 3, 0.5
	// Own choice: minutes between two looks at the till while nothing is due.
	glance = 2

	// Own choice: careful visits during which the till loses the server, from a minute of the
	// processing on, for 5 to 60 minutes.
	offlineShare, offlineFrom, offlineShortest, offlineLongest = 0.08, 10, 5, 60
	// Own choice: stylists who tap once for a stage, once for a strand test of the whole
	// head, and once for the lathers; the others tap each section and each lather.
	// Students tap everything.
	fewTapsShare = 0.8
	// Own choice: one till in ten has a clock that is off by up to 20 minutes; the
	// others by a few seconds (standard deviation). One in ten returns no echo.
	wrongClockShare, wrongClockMinutes, clockErrorSeconds, noEchoShare = 0.1, 20, 1.5, 0.1

	// Own choice: where the terms allow it, careful supervisors set half of the
	// refusals aside and rebook the others. Careless ones always try.
	overrideShare = 0.5
)

// visitKind is a kind of client as the month counts them.
type visitKind string

// The kinds of client.
const (
	retouchVisit     visitKind = "retouch"
	virginVisit      visitKind = "virgin"
	texturizingVisit visitKind = "texturizing"
	correctiveVisit  visitKind = "corrective"
	waveVisit        visitKind = "wave"
	studentVisit     visitKind = "student's" // a retouch by a student
)

// behaviour is how a visit goes.
type behaviour string

// The behaviours.
const (
	careful  behaviour = "careful"  // asks, measures, follows the guidance
	careless behaviour = "careless" // as careful, but for one danger that is planted
	unlucky  behaviour = "unlucky"  // as careful, but for one accident
)

// weighted is a value and its share.
type weighted[T any] struct {
	value T
	share float64
}

// kindShares are the kinds of client. Own choice: retouches are most of the trade.
var kindShares = []weighted[visitKind]{
	{retouchVisit, 0.62}, {virginVisit, 0.12}, {texturizingVisit, 0.09},
	{studentVisit, 0.08}, {waveVisit, 0.05}, {correctiveVisit, 0.04},
}

// behaviourShares are the behaviours. Own choice: more careless and unlucky visits than
// there should be, so that each danger occurs several times in a month. The dangers and
// the accidents (month_dangers.go) take turns, so each is as frequent as the others.
var behaviourShares = []weighted[behaviour]{{careful, 0.8}, {careless, 0.13}, {unlucky, 0.07}}

// textureShares and curlShares describe the hair of clients. Own choice.
var (
	textureShares = []weighted[pb.Texture]{
		{pb.Texture_TEXTURE_FINE, 0.2}, {pb.Texture_TEXTURE_MEDIUM, 0.55}, {pb.Texture_TEXTURE_COARSE, 0.25},
	}
	curlShares = []weighted[pb.CurlType]{
		{pb.CurlType_CURL_TYPE_V, 0.2}, {pb.CurlType_CURL_TYPE_VI, 0.4},
		{pb.CurlType_CURL_TYPE_VII, 0.3}, {pb.CurlType_CURL_TYPE_VIII, 0.1},
	}
	densityShares = []weighted[pb.Density]{
		{pb.Density_DENSITY_LOW, 0.15}, {pb.Density_DENSITY_MEDIUM, 0.5}, {pb.Density_DENSITY_HIGH, 0.35},
	}
)

// salonLaws are the jurisdictions of the salons, in turn, with a time zone each. Own
// choice.
var salonLaws = []struct {
	law  pb.Jurisdiction
	zone string
}{
	{pb.Jurisdiction_JURISDICTION_UK, "Europe/London"},
	{pb.Jurisdiction_JURISDICTION_EU, "Europe/Dublin"},
	{pb.Jurisdiction_JURISDICTION_UK, "Europe/London"},
	{pb.Jurisdiction_JURISDICTION_US, "America/Chicago"},
	{pb.Jurisdiction_JURISDICTION_US_TEXAS, "America/Chicago"},
	{pb.Jurisdiction_JURISDICTION_UK, "Europe/London"},
	{pb.Jurisdiction_JURISDICTION_EU, "Europe/Paris"},
	{pb.Jurisdiction_JURISDICTION_US_CALIFORNIA, "America/Los_Angeles"},
	{pb.Jurisdiction_JURISDICTION_UK, "Europe/London"},
	{pb.Jurisdiction_JURISDICTION_US_MARYLAND, "America/New_York"},
}
