// Package timing computes the clock of a chemical service: the plan before it, the
// guidance during it, and what the next visit learns from it. The package is pure: it
// reads no clock, no database and no configuration. Facts and an instant go in, a
// state comes out, so a session replays to the same state years later.
//
// # Model
//
// The model is statistical, not chemical, because no rate constant of hydroxide
// relaxing has been published. After t minutes of exposure the share of curl that
// remains in a section is
//
//	r = exp(-k * max(0, t - lag))
//
// with the rate k per minute. A strand test is a reading of r by eye: the logit of the
// reading is normally distributed about the logit of r. A reading in words (springs
// back, partly, stays smooth) is a range of logits instead of a point, and a test that
// stands for the whole head has a larger error for each section.
//
// # Prior
//
// Before any strand test, ln k is normally distributed. The mean is the rate that
// reaches the usual target in the usual minutes of the manufacturer's directions,
// shifted by texture, porosity and curl. The variance adds up the spread between heads,
// between the sections of a head and between visits, plus a share for each answer that
// is missing. Rates that were learned at earlier visits, and a preliminary strand test,
// narrow the prior. The plan stores the prior of each section as expected minutes with
// a 90 % interval, and the session reads it back from there: the guidance of a session
// depends on its plan and its facts, and on nothing else.
//
// Each strand test updates the prior. The posterior has no closed form (readings in
// words, readings near 0 and 100 %), so it is integrated on a grid.
//
// # Fold of facts
//
// A session is its facts. Fold sorts them by the time at which they happened, applies
// one after the other to a zero state, and then checks what the passing of time alone
// has brought about, such as a limit that was passed. Duplicates, delays and the order
// of arrival make no difference. A fact that arrives late corrects the state, and a
// deviation that it disproves disappears from the state; the caller compares states and
// records the withdrawal.
//
// Exposure of a section is counted from first contact to water and added up over all
// applications. Every fact is accepted, because what happened must be recorded. Values
// that this program does not know are taken at their most severe meaning.
//
// # Alarms and deviations
//
// An alarm asks for an action now, and ends when the action is taken. A deviation is
// something that was done against the rules, and stays. RINSE_NOW means that water must
// come at once: discomfort, a splash, hair in distress, a strand test at the cap, the
// wrong product, a mixture past its time, the hard limit, or a service that was broken
// off with product on the hair. RINSE_DUE means that the estimate's latest advised time
// has come. It becomes RINSE_NOW when the upper end of the estimate has reached the cap
// and a further minute has passed without action. Discomfort overrides every estimate.
//
// The call to the bowl weighs two risks: product left on beyond the cap, which is
// bounded by the chance of having passed the cap when water is on; and noticing too
// late, which is bounded by the times of the strand tests. Both bounds are constants of
// our own choice; simulated stylists in the tests show what they come to. Their hands
// take up to half a minute to follow an alarm and up to one and a half times the salon's
// figure to reach the bowl, so the guidance counts with these slower figures. The bounds
// are for the whole head, and its sections share them.
//
// A reading in percent is off by 5 to 8 points, so on a head of five sections some strand
// test will read at the cap too early. One such reading calls to the bowl; it calls for
// water at once when a second reading, a word or the estimate agrees, or when water has
// not come after the time that slow hands need. What is doubted is the word "now", never
// the walk to the bowl.
//
// # Revisions
//
// A session stores the revision of the guidance that it began with (Revision), and is
// folded by that revision for ever. Its alarms, and the deviations on the audit log, stay
// what they were when the figures of the guidance change. The plan belongs to the decision
// and has the revision of the rules' engine.
//
// # Clocks
//
// A till's clock may be wrong by hours, drift, and be changed during a service. The
// offset is measured by echoes of the server's time, which neither a queue nor a retry
// can disturb, and a session keeps the measurements of each till. An event between two
// measurements has the offset of one of them. Where both fit, the event has a range of
// times, and the range is used in two ways: guidance takes the longest exposure in it,
// because a burn is worse than an early rinse; the log takes the shortest, because a
// deviation must not be based on a time that may be wrong. A till whose clock was never
// measured is treated likewise, within what its sending times allow.
//
// # Learning
//
// What lasts from visit to visit is the difference between a section's ln k and what
// directions and analysis predict: a part shared by the head, and a part of the section.
// Each visit measures it, with the error of the readings and the spread between visits.
// Each section keeps its own normal distribution. That sections of one head are related
// is used only for sections that were never read: this loses a little precision and
// keeps the computation simple.
//
// # Thio services
//
// A thio service breaks bonds by reduction and closes them by oxidation: process, rinse,
// blot, oxidising neutralizer, rinse. It needs no indicator shampoo. The model is made
// for hydroxide relaxers and is not used: the directions' times and strand tests alone
// guide a thio service, and its state has no estimates.
//
// # Figures
//
// Every figure is in constants.go with its basis. The manufacturer's directions come
// before all of them.
package timing
