package sequencer

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

const (
	// inspectEvery is how often a server compares all logs with the database; our own
	// choice.
	inspectEvery = time.Hour
	// inspectRecordsEvery is how often all records are compared with the digests that
	// coverage entries hold; our own choice.
	inspectRecordsEvery = 24 * time.Hour
	// inspectWindow is how many entries are read per query.
	inspectWindow = 1000
	// maxExamples is the maximum number of IDs, indexes or columns that are named per
	// kind of finding.
	maxExamples = 20
)

// Inspect compares the database with all logs, index by index: at startup and then
// every hour. It reports findings and repairs nothing. It does not halt a log
// either, because later entries are safer on the log than off it. Every server
// inspects, so that each can report on the data that it serves.
//
// Signatures alone do not find a change in the database: the tree is signed, and
// the entries beside it are ordinary rows. The inspection closes that gap within an
// hour for entries and within a day for records. The periods bound how long a
// change can stay unseen; the cost is one sequential read of all entries.
func (q *Sequencer) Inspect(ctx context.Context) {
	var last, records time.Time
	for ctx.Err() == nil {
		if time.Since(last) > inspectEvery {
			due := time.Since(records) > inspectRecordsEvery
			q.logChange(ctx, "comparing the records with the log", q.inspect(ctx, due))
			if last = time.Now(); due {
				records = last
			}
		}
		pause(ctx, checkEvery)
	}
}

// inspect inspects the logs of all chains, and with records also their records.
// Every entry before the leader's position is on its log, even in a chain whose
// log ends earlier; a halted log does not advance. An error in one log does not
// prevent the inspection of the others.
//
// The heads are read in pages, in the order of their revisions, so that memory does
// not grow with the number of chains.
func (q *Sequencer) inspect(ctx context.Context, records bool) error {
	reached, err := storage.LogProgress(ctx, q.cfg.DB)
	if err != nil {
		return err
	}
	var failed []error
	for after := int64(0); ; {
		heads, err := storage.ChangedHeads(ctx, q.cfg.DB, after, headsPage)
		if err != nil || len(heads) == 0 {
			return errors.Join(append(failed, err)...)
		}
		for _, h := range heads {
			if h.Halted == "" {
				h.Position = max(h.Position, reached)
			}
			if err := q.inspectChain(ctx, h, records); err != nil {
				failed = append(failed, fmt.Errorf("chain %s: %w", h.Chain, err))
			}
			after = h.Revision
		}
	}
}

// inspection is the result for one chain: complete counts, and the first examples
// of each kind by name. The examples are limited to maxExamples, because a log
// message that lists a million IDs helps nobody.
type inspection struct {
	Findings
	unlogged, causeless, missingIDs, changed []string // IDs of entries
	missing                                  []span   // indexes without an entry
	mismatched                               []string // entries, with the columns that differ
	uncovered                                []string // IDs of coverage entries
	records                                  []string // records, with what is wrong

	damaged error // the tiles are not what was signed
}

// span is a range of consecutive indexes of a log.
type span struct{ first, last int64 }

// String formats the span, "7" or "7-12".
func (s span) String() string {
	if s.first == s.last {
		return strconv.FormatInt(s.first, 10)
	}
	return fmt.Sprintf("%d-%d", s.first, s.last)
}

// inspectChain inspects one chain, a window at a time, and logs the findings.
//
// The result replaces the previous one, so a finding disappears from health when
// its cause is repaired. An inspection without records keeps the last count of
// records; zero would look like a repair.
func (q *Sequencer) inspectChain(ctx context.Context, h storage.LogHead, records bool) error {
	set, err := keysFor(q.keys(), h.Chain)
	if err != nil {
		return err
	}
	found, err := compareLog(ctx, q.cfg.DB, set, h)
	if err == nil && records {
		err = compareRecords(ctx, q.cfg.DB, h.Chain, func(m storage.Mismatch) {
			found.Records++
			found.records = appendLimited(found.records, m.String())
		})
	}
	if err != nil {
		return err
	}
	found.CheckTime, found.Compared = time.Now(), h.Size
	q.mu.Lock()
	if !records {
		found.Records = q.findings[h.Chain].Records
	}
	q.findings[h.Chain] = found.Findings
	if found.damaged == nil {
		delete(q.checkpoints.damaged, h.Chain)
	} else {
		q.checkpoints.damaged[h.Chain] = found.damaged
	}
	q.mu.Unlock()
	found.report(func(what string, count int64, attrs ...any) {
		q.cfg.Logger.Error("the database does not match the log", append([]any{"chain", h.Chain, "found", what, "count", count}, attrs...)...)
	})
	return nil
}

// compareLog compares the entries of a chain with its log.
//
// Each window is a short read of its own. One long snapshot would prevent
// PostgreSQL from removing old row versions during the whole inspection. A log
// signed by an unknown key is not damaged: the key file may be the one that is
// wrong.
func compareLog(ctx context.Context, db *storage.DB, set keyset, h storage.LogHead) (inspection, error) {
	var found inspection
	if why := signedHead(h, set); why != nil && !errors.Is(why, ledger.ErrStranger) {
		found.damaged = why
	}
	for _, look := range []func(*storage.Snapshot, storage.LogHead, int64) (int64, error){found.inspectEntries, found.inspectPlaces} {
		for at, more := int64(0), true; more; more = at != 0 {
			err := storage.Read(ctx, db, h.Chain, func(s *storage.Snapshot) (err error) {
				at, err = look(s, h, at)
				return err
			})
			if err != nil {
				return found, err
			}
		}
	}
	return found, nil
}

// report passes each kind of finding, with its count and examples, to say.
func (f inspection) report(say func(what string, count int64, attrs ...any)) {
	tell := func(what string, count int64, attrs ...any) {
		if count > 0 {
			say(what, count, attrs...)
		}
	}
	tell("entries were inserted into the database: the log has passed their positions and does not have them", f.Unlogged, "entries", f.unlogged)
	tell("causes of entries were changed or deleted: a decision or an override is not what its entry says", f.Causeless, "entries", f.causeless)
	tell("entries were deleted: they are on the log and not in the database", f.Missing, "places", f.missing, "entries", f.missingIDs)
	tell("entries were changed: they are not what was signed", f.Changed, "entries", f.changed)
	tell("search columns were changed: they differ from the signed entries, so filters may not find these entries", f.Mismatched, "entries", f.mismatched)
	tell("digests were changed: what coverage entries cover is not what was signed", f.Uncovered, "entries", f.uncovered)
	tell("records are not what was stored: they were changed, deleted, restored or inserted", f.Records, "records", f.records)
	if f.damaged != nil {
		tell(f.damaged.Error(), 1)
	}
}

// inspectEntries inspects a window of the stored entries and returns where the
// next begins; 0: there is none.
func (f *inspection) inspectEntries(s *storage.Snapshot, h storage.LogHead, after int64) (int64, error) {
	part, reached, err := storage.InspectRecord(s, h, after, inspectWindow)
	f.Unlogged, f.Causeless = f.Unlogged+int64(len(part.Unlogged)), f.Causeless+int64(len(part.Causeless))
	f.unlogged, f.causeless = appendLimited(f.unlogged, part.Unlogged...), appendLimited(f.causeless, part.Causeless...)
	return reached, err
}

// inspectPlaces compares a window of the log with the signed hashes and returns
// where the next begins; 0: there is none. It iterates over indexes and not over
// rows, because a deleted entry leaves no row.
//
// An index is reported once, by the most serious difference: no entry, another
// entry, other search columns. Coverage digests are checked only for entries that
// are as signed, because the digest in a changed entry proves nothing. If the tiles
// do not lead to the signed root, there is no hash to compare with; the missing
// entries are still found.
func (f *inspection) inspectPlaces(s *storage.Snapshot, h storage.LogHead, from int64) (int64, error) {
	logged, err := storage.ReadLogged(s, from, min(h.Size, from+inspectWindow))
	if err != nil || len(logged) == 0 {
		return 0, err
	}
	leaves, err := record.LogHead(h).Leaves(from, int64(len(logged)), record.LogTiles(s))
	if errors.Is(err, ledger.ErrTiles) {
		f.damaged, leaves, err = cmp.Or(f.damaged, err), nil, nil
	}
	for i, l := range logged {
		switch {
		case l.Body == nil:
			f.addMissing(l)
		case leaves != nil && leaves[i] != ledger.LeafHash(l.Body):
			f.Changed++
			f.changed = appendLimited(f.changed, l.ID)
		case len(l.Mismatched) > 0:
			f.Mismatched++
			f.mismatched = appendLimited(f.mismatched, l.ID+": "+strings.Join(l.Mismatched, ", "))
		default:
			if err := f.inspectCoverage(s, l.Body); err != nil {
				return 0, err
			}
			continue
		}
		if len(f.Places) < maxExamples {
			f.Places = append(f.Places, l.Place)
		}
	}
	if next := from + int64(len(logged)); next < h.Size {
		return next, err
	}
	return 0, err
}

// addMissing records an index without a stored entry. Consecutive indexes become
// one span, since a deletion usually takes a range.
func (f *inspection) addMissing(l storage.Logged) {
	f.Missing++
	if l.ID != "" {
		f.missingIDs = appendLimited(f.missingIDs, l.ID)
	}
	switch n := len(f.missing); {
	case n > 0 && f.missing[n-1].last == l.Place-1:
		f.missing[n-1].last = l.Place
	case n < maxExamples:
		f.missing = append(f.missing, span{l.Place, l.Place})
	}
}

// appendLimited appends names up to maxExamples.
func appendLimited(names []string, more ...string) []string {
	return append(names, more[:min(len(more), maxExamples-min(len(names), maxExamples))]...)
}
