package faults

import (
	"encoding/base64"
	"slices"
	"testing"
	"time"

	"github.com/transparency-dev/merkle/rfc6962"
)

// TestJudge gives the checker histories of a few calls with one thing wrong each; the
// first has nothing wrong.
func TestJudge(t *testing.T) {
	const chain, product = "chains/ebb-1", "chains/ebb-1/products/contended-a"
	call := func(method string, from, to time.Duration, set func(*op)) op {
		o := op{ID: newID(), Chain: chain, Method: method, Call: from, Return: to, Limit: time.Second, Outcome: acknowledged}
		set(&o)
		return o
	}
	read := func(value string, from, to time.Duration) op {
		return call("GetProduct", from, to, func(o *op) { o.Key, o.Read = product, value })
	}
	change := func(expected, wrote string, from, to time.Duration, set func(*op)) op {
		return call("UpdateProduct", from, to, func(o *op) { o.Key, o.Expected, o.Wrote, o.Request = product, expected, wrote, newID(); set(o) })
	}
	empty := base64.StdEncoding.EncodeToString(rfc6962.DefaultHasher.EmptyRoot())
	checkpoint := func(size int64, root string, from time.Duration) op {
		return call("GetCheckpoint", from, from+1, func(o *op) { o.Size, o.Root = size, root })
	}
	nothing := func(*op) {}
	for what, c := range map[string]struct {
		ops  []op
		want []string
	}{
		"nothing": {[]op{read("first", 1, 2), checkpoint(0, empty, 3),
			call("ExportEntries", 5, 6, func(o *op) { o.After, o.Stream = 3, []int64{4, 5, 6} }),
			call("WatchSession", 5, 6, func(o *op) { o.After, o.Stream = 3, []int64{3, 3, 7} })}, nil},
		"a change that was seen and then was not": {[]op{
			change("first", "second", 1, 0, func(o *op) { o.Outcome = unknown }), read("second", 2, 3), read("first", 4, 5)}, []string{"I7", "I9"}},
		"two changes of one version":         {[]op{change("first", "a", 1, 2, nothing), change("first", "b", 1, 2, nothing)}, []string{"I1", "I3", "I7"}},
		"a checkpoint of another history":    {[]op{checkpoint(0, "AAAA", 3)}, []string{"I5"}},
		"a checkpoint of more than there is": {[]op{checkpoint(1, empty, 3)}, []string{"I5"}},
		"a gap in a copy":                    {[]op{call("ExportEntries", 5, 6, func(o *op) { o.After, o.Stream = 3, []int64{5} })}, []string{"I8"}},
		"an entry twice in a copy":           {[]op{call("ExportEntries", 5, 6, func(o *op) { o.After, o.Stream = 3, []int64{3} })}, []string{"I8"}},
		"a stream that goes back":            {[]op{call("WatchSession", 5, 6, func(o *op) { o.After, o.Stream = -1, []int64{4, 3} })}, []string{"I8"}},
		"a call that outlives its deadline":  {[]op{call("GetSalon", 1, 3*time.Second, nothing)}, []string{"I9"}},
		"an answer about another chain":      {[]op{call("GetSalon", 1, 2, func(o *op) { o.Complaint = "the answer names chains/ebb-2" })}, []string{"I10"}},
		"a defect of the server":             {[]op{call("GetSalon", 1, 2, func(o *op) { o.Outcome, o.Code = unknown, "Internal" })}, []string{"I9"}},
		"a change that is not stored":        {[]op{call("CloseSession", 1, 2, func(o *op) { o.Request = newID() })}, []string{"I1"}},
		"a session without a decision": {[]op{call("StartSession", 1, 2, func(o *op) {
			o.Request, o.Names, o.Decision = newID(), []string{chain + "/clients/a/sessions/b"}, "none"
		})}, []string{"I1", "I6"}},
		"a session that is older than it was":   {[]op{call("RecordEvents", 1, 2, func(o *op) { o.Key, o.Sequence = "s", 4 }), call("GetSession", 3, 4, func(o *op) { o.Key, o.Sequence = "s", 3 })}, []string{"I7"}},
		"another body under an acknowledged ID": {[]op{call("CreateClient", 1, 2, func(o *op) { o.Request, o.Altered = newID(), true })}, []string{"I2"}},
	} {
		h := history{trial: trial{Chains: []string{"ebb-1"}}, Ops: c.ops}
		f := found{Heads: map[string]storedHead{"ebb-1": {Root: rfc6962.DefaultHasher.EmptyRoot()}}}
		slices.Sort(c.want)
		if r := judge(h, f); !slices.Equal(r.invariants(), c.want) {
			t.Errorf("%s: broken are %v, want %v: %v", what, r.invariants(), c.want, r)
		}
	}
}
