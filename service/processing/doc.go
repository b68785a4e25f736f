// Package processing is the ProcessingService: the clock of a service. It begins
// sessions, records facts, answers with guidance, and writes what time alone brings
// about to the audit log.
//
// # Facts and intentions
//
// What happened in the salon is always recorded, even when it broke a rule, came
// late or came twice: product is on the hair whether or not a rule forbids it, and
// a till that is refused sends nothing afterwards. A fact that broke a rule is a
// deviation. Only an intention is refused: to begin a service that no decision
// allows, or to close a session that is closed. A service that is under way is not
// an intention any more; it is recorded with the deviation that it was begun anyway.
//
// A malformed event is rejected by itself, with its field and what would be right,
// and costs the others of its batch nothing. An event that a newer till sends and
// this server does not understand is stored as it came, answered with
// NOT_UNDERSTOOD, and taken at its most severe meaning.
//
// # State is computed
//
// A stored session holds what was fixed when it began: plan, limits, conditions,
// the revision of the guidance. Its state is not stored. It is folded from the
// facts at each read (package timing), so a fact that arrives late corrects
// everything that follows from it, and servers cannot disagree. Two results are
// stored besides the facts, because others rest on them: the guidance that a batch
// was answered with, kept with its last event, and the deviations that are on the
// audit log, kept with the session.
//
// # Deviations and withdrawals
//
// RecordEvents folds the session twice: with the new facts, and without them at the
// same instant. What is only in the first was shown by the batch and is logged;
// what is only in the second is disproved by it, and a WITHDRAWN entry names what
// it withdraws. Folding both at the same instant keeps what time brought about
// meanwhile out of the comparison. Entries commit with the facts, or neither does.
//
// # Beginning
//
// A decision is a snapshot, and the records move on. StartSession therefore decides
// again on the records of now, in the same write. If that is stricter, the new
// decision and its entry are committed and the request is refused with
// DECISION_OUTDATED: an error that rolled back would erase the refusal. If it is the
// same or milder, the service begins on the earlier decision, and the write is
// guarded by the versions of the records that were read, so that no recall and no
// new consultation can slip in between. One head has one open session; the check is
// in the same write, too.
//
// # Clocks
//
// Now is the reference clock, the database's. A till's clock is measured by the echo
// of the server's time in each request; events keep the till's own time, and the
// corrected time stands beside it. The answer says when this server's own clock is
// off or could not be compared, because a watcher sleeps by it.
//
// # Watching
//
// A watcher gets the whole state, and then the newest state whenever its guidance
// changed. Nothing is queued: a slow watcher skips states and misses none that still
// holds. Three things wake it: an event recorded on this server; a hint of another
// server (NOTIFY), which carries a topic and no personal data; and a look at the
// sequences every second, for hints that were lost. Between them it sleeps until
// the next instant at which the guidance can change by itself.
//
// # Sweeping
//
// Every server looks at the recent sessions every 5 seconds. A call to rinse that
// stood for a minute is logged as missed, and a deviation that time brought about is
// logged when it is a minute old, so that a till has that minute to send what
// disproves it. The silence of a till is no excuse: a limit that was passed reaches
// the log without it. Requests of the server's own have ids made from what they
// record, or are guarded by the session's version, so that of several servers one
// writes. Sessions without facts for 24 hours are closed as left open.
//
// # Revisions of the contract
//
// A till says by which revision of the contract it was built. What is stored and
// logged does not depend on it; only the answer is put in terms that the till knows,
// and always in the more severe one.
package processing
