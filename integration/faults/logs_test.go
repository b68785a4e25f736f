package faults

import (
	"bytes"
	"cmp"
	"encoding/base64"
	"slices"
	"strings"
	"time"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/rfc6962"

	pb "alkalog/proto/alkalogv1"
)

// checkLogs rebuilds the tree of each log from the stored entries and compares every
// checkpoint ever returned with it, and the log with what the API lists and the copy
// has.
func checkLogs(h history, f found, r *report) {
	for _, id := range h.Chains {
		chain := "chains/" + id
		roots, names := rebuild(id, f, r)
		stored := f.Heads[id]
		if stored.Halted != "" {
			r.add("I5", "the log of %s is halted: %s", chain, stored.Halted)
		}
		if stored.Size >= int64(len(roots)) || !bytes.Equal(roots[stored.Size], stored.Root) {
			r.add("I5", "the head of %s has %d entries and another root than the stored entries", chain, stored.Size)
		}
		for _, o := range h.Ops {
			if o.Chain != chain || o.Root == "" {
				continue
			}
			switch {
			case o.Size >= int64(len(roots)) || o.Size > stored.Size:
				r.add("I5", "%s at %v by %s had a checkpoint of %d entries; the log has %d", o.Method, o.Return, o.Target, o.Size, stored.Size)
			case base64.StdEncoding.EncodeToString(roots[o.Size]) != o.Root:
				r.add("I5", "the checkpoint of %d entries returned at %v by %s is of another history", o.Size, o.Return, o.Target)
			case o.Receipt != "" && names[o.Place] != o.Receipt:
				r.add("I5", "%s was proven to be at place %d, where %s is", o.Receipt, o.Place, names[o.Place])
			}
		}
		sameEntries(chain, "the list", withoutCoverage(f, id), f.Listed[chain], r)
		sameEntries(chain, "the copy", names, f.Exported[chain], r)
		checkGrowth(chain, h, r)
	}
}

// isCoverage reports whether an entry only covers records by digest. The leader makes
// such entries of its own accord, also after the load has ended.
func isCoverage(e storedEntry) bool {
	entry, err := e.entryOf()
	return err == nil && (entry.Kind == pb.EntryKind_ENTRY_KIND_COVERAGE || entry.Kind == pb.EntryKind_ENTRY_KIND_BASELINE)
}

// rebuild returns the roots of a log at every size, and the names of its entries by
// place.
func rebuild(id string, f found, r *report) (roots [][]byte, names []string) {
	tree := (&compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}).NewEmptyRange(0)
	roots = [][]byte{rfc6962.DefaultHasher.EmptyRoot()}
	for _, e := range f.Entries { // in the order of places, those without one first
		if e.Chain != id {
			continue
		}
		if e.Place < 0 {
			r.add("I3", "entry %s of %s is not on its log", e.ID, id)
			continue
		}
		if e.Place != int64(len(names)) {
			r.add("I5", "entry %s of %s is at place %d, want %d", e.ID, id, e.Place, len(names))
			return roots, names
		}
		names = append(names, "chains/"+id+"/entries/"+e.ID)
		if err := tree.Append(rfc6962.DefaultHasher.HashLeaf(e.Body), nil); err != nil {
			r.add("I5", "rebuilding the tree of %s: %v", id, err)
			return roots, names
		}
		root, err := tree.GetRootHash(nil)
		if err != nil {
			r.add("I5", "the root of %s: %v", id, err)
			return roots, names
		}
		roots = append(roots, root)
	}
	return roots, names
}

// withoutCoverage are the names of the entries of a chain that a list without a filter
// shows: those of coverage are left out.
func withoutCoverage(f found, id string) []string {
	var names []string
	for _, e := range f.Entries {
		entry, err := e.entryOf()
		if err == nil && e.Chain == id && !isCoverage(e) {
			names = append(names, entry.Name)
		}
	}
	return names
}

// sameEntries compares the entries of a log with a list of them as sets. Entries that
// were made after the tables were read are in later lists only: those of coverage and of
// the auditor's reads.
func sameEntries(chain, where string, stored, listed []string, r *report) {
	there := map[string]bool{}
	for _, name := range listed {
		if there[name] {
			r.add("I8", "%s of %s has %s twice", where, chain, name)
		}
		there[name] = true
	}
	for _, name := range stored {
		if !there[name] {
			r.add("I3", "%s of %s lacks entry %s", where, chain, name)
		}
	}
}

// checkGrowth checks that nobody sees a log shrink: a checkpoint that was asked for
// after another one had been returned is not smaller, whichever servers have answered.
func checkGrowth(chain string, h history, r *report) {
	var seen []op
	for _, o := range h.Ops {
		if o.Chain == chain && o.Root != "" && o.Outcome == acknowledged {
			seen = append(seen, o)
		}
	}
	lower(seen, func(o op) int64 { return o.Size }, func(before, o op) {
		r.add("I5", "%s at %v by %s had %d entries of %s, after %d were returned at %v by %s", o.Method, o.Call, o.Target, o.Size, chain, before.Size, before.Return, before.Target)
	})
}

// lower finds each op that has a lower figure than one that had ended before it began.
func lower(ops []op, figure func(op) int64, report func(before, o op)) {
	byCall := slices.Clone(ops)
	byReturn := slices.Clone(ops)
	slices.SortFunc(byCall, func(a, b op) int { return cmp.Compare(a.Call, b.Call) })
	slices.SortFunc(byReturn, func(a, b op) int { return cmp.Compare(a.Return, b.Return) })
	var highest *op
	next := 0
	for _, o := range byCall {
		for ; next < len(byReturn) && byReturn[next].Return < o.Call; next++ {
			if highest == nil || figure(byReturn[next]) > figure(*highest) {
				highest = &byReturn[next]
			}
		}
		if highest != nil && figure(o) < figure(*highest) {
			report(*highest, o)
		}
	}
}

// checkStreams checks what clients have read from streams: copies of a log go on
// without gap or repetition, and a session's states only become newer.
func checkStreams(h history, r *report) {
	for _, o := range h.Ops {
		last := o.After
		for i, n := range o.Stream {
			switch {
			case o.Method == "ExportEntries" && n != last+1:
				r.add("I8", "the copy from %s at %v goes on with index %d after %d", o.Target, o.Return, n, last)
			case o.Method == "WatchSession" && n < last:
				r.add("I8", "the stream of %s from %s at %v has message %d of sequence %d after %d", o.Key, o.Target, o.Return, i, n, last)
			}
			last = n
		}
	}
}

// checkCalls checks what holds for every attempt.
func checkCalls(h history, r *report) {
	for _, o := range h.Ops {
		if o.Complaint != "" {
			invariant := "I5"
			if strings.HasPrefix(o.Complaint, "the answer names") {
				invariant = "I10"
			}
			r.add(invariant, "%s %s from %s at %v: %s", o.Method, o.Request, o.Target, o.Return, o.Complaint)
		}
		if o.Return > 0 && o.Return-o.Call > o.Limit+time.Second {
			r.add("I9", "%s took %v, with a deadline of %v", o.Method, o.Return-o.Call, o.Limit)
		}
		if o.Code == "Internal" || o.Code == "DataLoss" || o.Code == "Unknown" {
			invariant := "I9"
			if o.Reason == "LOG_DAMAGED" {
				invariant = "I5"
			}
			r.add(invariant, "%s %s from %s at %v: %s %s %s", o.Method, o.Request, o.Target, o.Return, o.Code, o.Reason, o.Message)
		}
	}
}
