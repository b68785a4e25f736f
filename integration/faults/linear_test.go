package faults

import (
	"math"
	"time"

	"github.com/anishathalye/porcupine"
)

// input is a step of a contended record: a read, or a change of the version that was
// read, which is known by its value. Every value is written by one call only.
type input struct {
	key             string
	write           bool
	expected, wrote string
}

// output is how the step ended.
type output struct {
	value    string // that was read
	mismatch bool   // the change was refused, because the version had changed
	unknown  bool
}

// register is the model of a contended record: it holds one value, and a change is made
// exactly if the caller has read that value.
//
// A change of unknown outcome is made if the value is the expected one. It has no end,
// so that a place after everything else, where nobody sees it, is always possible.
var register = porcupine.Model{
	Partition: func(all []porcupine.Operation) [][]porcupine.Operation {
		byKey := map[string][]porcupine.Operation{}
		for _, o := range all {
			byKey[o.Input.(input).key] = append(byKey[o.Input.(input).key], o)
		}
		var parts [][]porcupine.Operation
		for _, part := range byKey {
			parts = append(parts, part)
		}
		return parts
	},
	Init: func() any { return "first" },
	Step: func(state, in, out any) (bool, any) {
		i, o, value := in.(input), out.(output), state.(string)
		switch {
		case !i.write:
			return o.value == value, value
		case o.mismatch:
			return i.expected != value, value
		case i.expected == value:
			return true, i.wrote
		}
		return o.unknown, value
	},
}

// linearLimit bounds the search, so that a hopeless case does not hang a test. Our own
// choice; a run takes some milliseconds.
const linearLimit = time.Minute

// checkRegisters checks that the contended records are linearizable.
func checkRegisters(h history, r *report) {
	var steps []porcupine.Operation
	add := func(o op, call, end time.Duration, out output) {
		in := input{o.Key, o.Method == "UpdateProduct", o.Expected, o.Wrote}
		steps = append(steps, porcupine.Operation{ClientId: len(steps), Input: in, Call: int64(call), Output: out, Return: int64(end)})
	}
	for _, o := range h.Ops {
		if o.Method == "GetProduct" && o.Outcome == acknowledged {
			add(o, o.Call, o.Return, output{value: o.Read})
		}
	}
	for _, c := range calls(h) {
		if len(c.attempts) == 0 || c.attempts[0].Method != "UpdateProduct" {
			continue
		}
		first := c.attempts[0]
		if c.done() {
			end := time.Duration(math.MaxInt64)
			for _, o := range c.attempts {
				if o.Outcome == acknowledged {
					end = min(end, o.Return)
				}
			}
			add(first, first.Call, end, output{})
			continue
		}
		if c.open() {
			add(first, first.Call, math.MaxInt64, output{unknown: true})
		}
		for _, o := range c.attempts {
			if o.Reason == "ETAG_MISMATCH" {
				add(o, o.Call, o.Return, output{mismatch: true})
			}
		}
	}
	begin := time.Now()
	result, info := porcupine.CheckOperationsVerbose(register, steps, linearLimit)
	r.Linear = time.Since(begin)
	switch result {
	case porcupine.Illegal:
		longest := 0
		for _, part := range info.PartialLinearizations() {
			for _, linear := range part {
				longest = max(longest, len(linear))
			}
		}
		r.add("I7", "the contended records are not linearizable: at most %d of %d steps of a record fit (%d steps in all)", longest, len(steps), len(steps))
	case porcupine.Unknown:
		r.add("I7", "linearizability could not be decided in %v", linearLimit)
	}
}

// checkSequences checks that a session is read as new as it is: with all facts that
// were acknowledged before the read began.
func checkSequences(h history, r *report) {
	byKey := map[string][]op{}
	for _, o := range h.Ops {
		if o.Key == "" || o.Outcome != acknowledged {
			continue
		}
		switch {
		case o.Method == "WatchSession" && len(o.Stream) > 0:
			o.Sequence = o.Stream[0]
		case o.Method != "GetSession" && o.Method != "RecordEvents":
			continue
		}
		byKey[o.Key] = append(byKey[o.Key], o)
	}
	for _, ops := range byKey {
		lower(ops, func(o op) int64 { return o.Sequence }, func(before, o op) {
			if o.Method == "RecordEvents" {
				return // a retry is answered as the first attempt was
			}
			r.add("I7", "%s of %s at %v from %s has sequence %d, after %d was acknowledged at %v by %s",
				o.Method, o.Key, o.Call, o.Target, o.Sequence, before.Sequence, before.Return, before.Target)
		})
	}
}
