package timing

// All figures of this package. Every constant states its basis: "Source", a published
// text that was read; "Common practice", a habit of the trade without a single source;
// "From memory", common advice whose source was not read; or "Assumption", our own
// choice, on the cautious side. No rate constant of hydroxide relaxing has been
// published, so the rates are assumptions centred on the manufacturer's directions. A
// test fails on a constant without a basis and on a figure outside this table.
const (
	// Common practice: the longest exposure where neither the directions nor the chain's
	// policy set a shorter one. Minutes, at the temperature of a salon.
	maximumMinutes = 20
	// Common practice: used where the directions give no usual time; the middle of 10
	// to 20, the range that strength and texture span. Minutes.
	usualMinutes = 15
	// Common practice: straightening is capped at 80 %; a chain may only lower it.
	capPercent = 80
	// Common practice: 65 to 80 % is aimed at; 75 % leaves room below the cap.
	targetPercent = 75
	// Assumption: a wish for less straightening than this is taken for a typing
	// error. Percent.
	leastWishPercent = 10
	// Common practice: a strand test every 2 to 3 minutes. Minutes.
	strandTestMinutes = 3
	// Common practice: at least three neutralizing shampoos.
	fewestShampoos = 3
	// Common practice: a normalizing lotion stays on for about 5 minutes. Minutes.
	normalizerMinutes = 5
	// Common practice: partings 6 to 13 mm wide; product is kept as far off the scalp
	// until the last pass. Millimetres.
	partingLowMM, partingHighMM = 6, 13
	// Common practice: an applied head is ready for a retouch after 56 days at the
	// earliest, and with 12 mm of new growth. Days, millimetres.
	retouchDays, retouchMM = 56, 12
	// Source: phenolphthalein is colourless below pH 8.2 (textbook table of acid-base
	// indicators); a paper or meter reading below it shows what the colour would.
	neutralPH = 8.2
	// Assumption: minutes from calling a section to water on it, where the salon
	// does not say.
	bowlMinutes = 1
	// Assumption: minutes to apply one section by one person, until the practitioner's
	// own pace was measured.
	paceMinutes = 3
	// Assumption: spread of the pace between practitioners, in logarithms: 90 % need 1.8
	// to 4.9 minutes a section.
	paceSpread = 0.3
	// Assumption: spread of one practitioner's pace from visit to visit, and from section
	// to section, in logarithms.
	paceVisitSpread, paceSectionSpread = 0.15, 0.3
	// Assumption: fewest measured sections from which a visit's pace is taken.
	paceFewest = 2
	// Assumption: the shortest and longest minutes that count as applying one section;
	// outside it was a pause, or a section that was recorded afterwards.
	paceShortest, paceLongest = 0.5, 10
	// Assumption: minutes from water on one stage to the first contact of the next: the
	// rinse, the normalizer and three lathers.
	betweenStagesMinutes = 15
	// Assumption: more people than this at one head are in each other's way.
	mostPeople = 4

	// Assumption: minutes from first contact before the curl begins to give.
	lagMinutes = 1
	// Assumption: spread of ln k between heads, beyond texture, porosity and curl.
	// With the two below it puts 90 % of sections within a factor of 1.9 in time, as
	// wide as the 10 to 20 minutes of the trade.
	headSpread = 0.3
	// Assumption: spread of ln k between the sections of one head.
	sectionSpread = 0.2
	// Assumption: spread of ln k of one section from visit to visit.
	visitSpread = 0.12
	// Assumption: how far a section's lasting ln k drifts between two visits, so
	// that old visits fade.
	driftSpread = 0.05
	// Assumption: spread added for each of texture, porosity and curl that nobody
	// answered.
	unansweredSpread = 0.1
	// Assumption: spread added when the directions give no usual time.
	noDirectionsSpread = 0.2
	// Assumption: spread of a preliminary strand test about a section's ln k; it is
	// one hidden strand.
	preliminarySpread = 0.25
	// Assumption: spread of a reading of remaining curl by eye, in logits; 5 to 6
	// percentage points near the target, 7 to 8 half way. Readings are taken as
	// independent, though one eye repeats its error: tests far apart say more than the
	// sums here can know, tests close together less, hence testGapMinutes.
	readingSpread = 0.3
	// Assumption: an eye cannot tell less than this share of curl from none, nor
	// this share of straightening from none.
	readingFloor = 0.025

	// Common practice in its direction, Assumption in its size: hair one class
	// coarser than the product is meant for takes e to the power 0.2 longer, and one
	// class finer as much less.
	textureStep = 0.2
	// Common practice in its direction, Assumption in its size: porous hair takes
	// product faster by this step of ln k, resistant hair slower, damaged hair faster
	// by two.
	porosityStep = 0.2
	// Common practice in its direction, Assumption in its size: tighter curl takes
	// longer, per curl type from IV.
	curlStep = 0.04
	// Common practice in its direction, Assumption in its size: a section that is
	// marked as resistant is slower by this much of ln k until it was measured.
	resistantStep = 0.2

	// Assumption: a reading in words: "springs back" has more than this share of the
	// curl left; "stays smooth" has less than the second, which is near the usual target.
	springsShare, smoothShare = 0.6, 0.3
	// Assumption: spread of the eye and of what people mean by these words, in logits.
	wordSpread = 0.5
	// Assumption: spread added when one strand test speaks for the whole head, in
	// logits; about what sectionSpread comes to near the target.
	wholeHeadSpread = 0.4
	// Assumption: least likelihood of a reading, so that one wrong tap cannot rule
	// out the truth.
	leastLikelihood = 1e-6

	// Assumption: the ends of every 90 % interval.
	lowTail, highTail = 0.05, 0.95
	// Assumption: the chance of having passed the cap at which water must be on, for
	// the plan. Decisions are replayed to the byte, so a change of it needs a new
	// revision of the plan.
	capChance = 0.05
	// Assumption: the same for the guidance of a session, where hands take their time;
	// TestGoodHands shows what it comes to.
	guidedCapChance = 0.025
	// Assumption: the same for sessions whose plan has stages; one person looks after
	// several sections, so there is less of a margin to use up. Sessions of before keep
	// guidedCapChance, so that their guidance stays what it was.
	stagedCapChance = 0.02
	// Assumption: from guidance revision 1, the chance that any section of a head has
	// passed the cap when water is on, at the latest call; and after a strand test that
	// shows more than was expected. The sections share it evenly, which errs on the safe
	// side, and none gets more than it had before revision 1. The delays of hands are
	// figures of their own there (below). TestWholeHeads shows what they come to.
	headCapChance, headSurpriseChance = 0.05, 0.005
	// Assumption: sections of a head that has no plan; as many as the default head has.
	unplannedSections = 5
	// Assumption: from revision 1, the way to the bowl takes up to this many times the
	// salon's figure, and a hand is on the hair up to so many minutes after an alarm.
	slowWay, handMinutes = 1.5, 0.5
	// Assumption: from revision 1, minutes before the hard limit at which water should be
	// on; the delays of hands are counted apart from it.
	handsLeadMinutes = 0.5
	// Assumption: minutes before the hard limit at which water should be on, because
	// hands and the way to the bowl take longer than was said.
	limitLeadMinutes = 1
	// Assumption: the chance of having passed the target at which a test is due.
	testChance = 0.025
	// Assumption: a strand test comes while the chance of having passed the cap by the
	// time water is on after it is still this small, so that a reading that comes as
	// a surprise does not come too late.
	surpriseChance = 0.0025
	// Assumption: the first strand test comes at the latest at this share of the
	// hard limit.
	firstTestShare = 0.5
	// Assumption: fewest minutes between two strand tests of a section.
	testGapMinutes = 1
	// Assumption: minutes one strand test takes; none is begun later than that before
	// the call to the bowl.
	testMinutes = 0.5
	// Assumption: minutes after which a strand test that was due is overdue.
	testGraceMinutes = 1
	// Assumption: minutes after the advised time at which water counts as late.
	rinseGraceMinutes = 0.5
	// Common practice in its direction, Assumption in its size: "it burns" means rinse
	// at once, so more than a minute until water is a deviation. Minutes.
	discomfortMinutes = 1
	// Assumption: minutes after the estimate's upper bound has reached the cap, or
	// after the last strand test if that is later, until the call to the bowl becomes
	// one to rinse now.
	dueGraceMinutes = 1
	// From memory: at least 15 minutes of running water on eye or skin are common
	// first-aid advice for alkali; the product's safety data sheet comes first.
	flushMinutes = 15
	// Assumption: minutes without water that interrupt a flush without counting as a
	// deviation.
	flushGraceMinutes = 1
	// Source: the contract, Incident.flush_minutes: the largest figure that it holds.
	maxFlushMinutes = 600
	// Assumption: a rinse of fewer minutes has not taken the product out.
	briefRinseMinutes = 2
	// Common practice: colour after this many lathers means that alkali is still in
	// the hair: rinse again and normalize before the next.
	manyLathers = 4
	// From memory: an oxidising neutralizer stays on for about 5 minutes, where the
	// directions do not say. Minutes.
	oxidiserMinutes = 5
	// Assumption: texturizing aims at less than half of straightening; directions and
	// wishes can ask for less. Percent.
	texturizingPercent = 40
	// Assumption: a till's clock may run ahead of ours by this much. Minutes.
	aheadMinutes = 5
	// Assumption: a till's clock that is off by no more than this is not corrected; a
	// call over a slow network takes about as long. Seconds.
	clockSlackSeconds = 2
	// Assumption: a till's clock that is off by more than this is a deviation. Seconds.
	clockOffSeconds = 60
	// Assumption: an echo of an older time than this tells nothing; the contract lets
	// 31 days pass. Hours.
	echoHours = 745
	// Assumption: most readings of a till's clock that a session keeps; the oldest go
	// first. A clock that nobody changes needs two.
	mostReadings = 100
	// Assumption: a fact this long before the session's start cannot belong to it.
	// Minutes.
	earliestBeforeMinutes = 60
	// Assumption: a section stands out as resistant when it takes this much longer,
	// in ln k, than the others on average.
	resistantMargin = 0.05

	// Assumption: points of the posterior's grid and half its width in standard
	// deviations; a quantile is then off by less than 0.001 of ln k, which a test
	// shows against an adaptive integration.
	gridPoints, gridWidth = 129, 6
	// Assumption: points of the coarse grid on which the posterior is looked for.
	coarsePoints = 33
	// Assumption: most steps of the search for the posterior; one is usual.
	gridSteps = 20

	// Source: Loussouarn, Br J Dermatol 2001;145:294-297, the curliest hair measured
	// grew 256 micrometres a day; taken here for curl type VIII.
	growthTightest = 256
	// Source: Loussouarn et al., Int J Dermatol 2005;44 (suppl 1):6-9, the straightest
	// hair measured grew 411 micrometres a day; taken here for curl type I. Between
	// the two the rate is put on a line: "slower the curlier" (Loussouarn et al., Eur
	// J Dermatol 2016;26:144-154).
	growthStraightest = 411
	// Source: standard deviations of 44 to 56 micrometres a day in both papers.
	growthSpread = 50
	// Assumption: spread added when the curl type was not answered.
	growthUnansweredSpread = 50
	// Assumption: spread of a measurement of new growth by ruler. Millimetres.
	growthReadingSpread = 2
	// Assumption: spread of one head's growth from season to season, micrometres a
	// day.
	growthSeasonSpread = 20
)
