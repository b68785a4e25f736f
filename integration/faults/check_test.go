package faults

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// violation is something that must not be: the invariant that it breaks, and what was
// seen. The invariants are
//
//	I1 every acknowledged change is there
//	I2 one effect and one answer for each request ID; another body is refused
//	I3 every refusal, referral, override and change has exactly one entry, made in its transaction
//	I4 every entry has its cause, as it was when the entry was made
//	I5 every checkpoint ever returned is a state of the one log, and logs only grow
//	I6 no session without a decision that lets it go ahead, or a complete override
//	I7 contended records are linearizable, and sessions are read as new as they are
//	I8 streams are in order, without gap or repetition after a resume token
//	I9 no call outlives its deadline by more than a second, and all become known
//	I10 nothing of another chain is shown
//	I11 the commands of auditors find nothing: every decision replays, logs and records verify
type violation struct {
	Invariant, What string
}

// String is the violation as a line.
func (v violation) String() string { return v.Invariant + " " + v.What }

// report is the verdict on a run.
type report struct {
	Seed uint64
	// Attempts counts calls with reads and retries; Acknowledged changes that were
	// acknowledged; Unknown changes whose outcome was unknown for a while.
	Attempts, Acknowledged, Unknown int
	// Lost counts acknowledged records that are not there, and Doubled records that
	// nobody has asked for, or asked for once and got twice.
	Lost, Doubled int
	Violations    []violation
	// FirstAck is the time from healing to the first acknowledged change that was sent
	// after it; 0 if nothing was broken.
	FirstAck time.Duration
	// Rate is the number of calls a second, Linear the time to check linearizability.
	Rate   float64
	Linear time.Duration
}

// add records a violation.
func (r *report) add(invariant, format string, args ...any) {
	r.Violations = append(r.Violations, violation{invariant, fmt.Sprintf(format, args...)})
}

// String is the report as a text: figures, then the first violations of each invariant.
func (r report) String() string {
	var text strings.Builder
	fmt.Fprintf(&text, "seed %d: %d calls (%.0f/s), %d changes acknowledged, %d unknown for a while, %d lost, %d doubled, %d violations, first acknowledged %v after healing, linearizability in %v",
		r.Seed, r.Attempts, r.Rate, r.Acknowledged, r.Unknown, r.Lost, r.Doubled, len(r.Violations), r.FirstAck.Round(time.Millisecond), r.Linear.Round(time.Millisecond))
	shown := map[string]int{}
	for _, v := range r.Violations {
		if shown[v.Invariant]++; shown[v.Invariant] <= 5 {
			text.WriteString("\n  " + shortened(v.String()))
		}
	}
	return text.String()
}

// shortened is a text without what comes after its first ten lines.
func shortened(text string) string {
	lines := strings.Split(text, "\n")
	return strings.Join(lines[:min(len(lines), 10)], "\n")
}

// invariants are those that were broken.
func (r report) invariants() []string {
	var broken []string
	for _, v := range r.Violations {
		broken = append(broken, v.Invariant)
	}
	slices.Sort(broken)
	return slices.Compact(broken)
}

// require fails the test if anything was violated, and logs the figures.
func (r report) require(t testing.TB) {
	t.Helper()
	if len(r.Violations) > 0 {
		t.Error(r)
		return
	}
	t.Log(r)
}

// check settles what is unknown, reads what is there and judges both. Everything must
// work again.
func check(t testing.TB, h history, at place) report {
	t.Helper()
	h = settle(t, h, at.targets)
	return judge(h, gather(t, h.Dir, h.Chains, at))
}

// judge compares a history with what was found after it. It only computes, so that a
// stored history is judged in the same way.
func judge(h history, f found) report {
	r := report{Seed: h.Seed, Attempts: len(h.Ops)}
	if h.Ended > 0 {
		r.Rate = float64(len(h.Ops)) / h.Ended.Seconds()
	}
	r.count(h)
	facts := newFacts(h, f)
	facts.checkChanges(&r)
	facts.checkRecords(&r)
	facts.checkEntries(&r)
	facts.checkSessions(&r)
	checkLogs(h, f, &r)
	checkStreams(h, &r)
	checkCalls(h, &r)
	checkRegisters(h, &r)
	checkSequences(h, &r)
	for command, text := range f.Commands {
		r.add("I11", "%s: %s", command, strings.TrimSpace(text))
	}
	for _, wall := range f.Walls {
		r.add("I10", "%s", wall)
	}
	return r
}

// count fills in the figures.
func (r *report) count(h history) {
	for _, c := range calls(h) {
		if c.done() {
			r.Acknowledged++
		}
		if c.has(unknown) {
			r.Unknown++
		}
	}
	for _, o := range h.Ops {
		if h.Healed > 0 && o.Request != "" && o.Outcome == acknowledged && o.Call > h.Healed {
			if took := o.Return - h.Healed; r.FirstAck == 0 || took < r.FirstAck {
				r.FirstAck = took
			}
		}
	}
}

// judgeStored judges a history that a run has kept in a directory.
func judgeStored(t testing.TB, dir string) report {
	t.Helper()
	var f found
	h, err := readHistory(dir)
	if err == nil {
		err = readJSON(filepath.Join(dir, "found.json"), &f)
	}
	if err != nil {
		t.Fatal(err)
	}
	return judge(h, f)
}

// TestStoredHistory judges the history of an earlier run again. TestHealthy does so with
// its own.
func TestStoredHistory(t *testing.T) {
	if dir := os.Getenv(historyVariable); dir != "" {
		judgeStored(t, dir).require(t)
	}
}
