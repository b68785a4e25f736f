package storage

import (
	"slices"

	"google.golang.org/protobuf/types/known/wrapperspb"

	pb "alkalog/proto/alkalogv1"
)

// Decisions are never changed, and are listed newest first. They are stored without
// their overrides, which come later and are records of their own. The columns verdict
// and overridable feed the counters, the others lists and filters.
var Decisions = Kind[*pb.Decision]{newestFirst: true, table: newSealed("decisions", "parent",
	column[*pb.Decision]{"verdict", "text", func(d *pb.Decision) any { return d.GetVerdict().String() }},
	column[*pb.Decision]{"create_time", "timestamptz", func(d *pb.Decision) any { return d.GetCreateTime() }},
	column[*pb.Decision]{"salon", "text", func(d *pb.Decision) any { return d.GetInputs().GetSalon().GetName() }},
	column[*pb.Decision]{"practitioner", "text", func(d *pb.Decision) any { return d.GetInputs().GetPractitioner().GetName() }},
	column[*pb.Decision]{"actor", "text", func(d *pb.Decision) any { return d.GetActor() }},
	column[*pb.Decision]{"overridable", "boolean", func(d *pb.Decision) any { return isOverridable(d) }},
)}

// overrides are the attempts to override findings of decisions, accepted or denied.
// Their parent is the decision; the client, whose key seals them, is not part of the
// key ("?").
var overrides = newSealed[*pb.Override]("overrides", "?")

// InsertOverride makes the record of an attempt to override a finding of a decision,
// given by its resource name. The override needs an ID.
func InsertOverride(decision string, o *pb.Override) Record {
	at, err := childKey(decision, o.GetOverrideId())
	return overrides.ofClient(decision, at, err, o)
}

// Overrides reads the attempts on a decision in the order in which they were made.
func Overrides(s *Snapshot, decision string) ([]*pb.Override, error) {
	at, err := parseName(decision)
	if err != nil {
		return nil, err
	}
	rows, planned, err := s.list(overridesID(at.id))
	if !planned {
		err = s.all(&rows, "select "+sealedColumns+" from overrides"+ofClient+" where chain = $1 and parent = $2 and client = $3 order by id",
			s.chain, at.id, at.parent)
	}
	if err != nil {
		return nil, err
	}
	return openRows[*pb.Override](s, overrides.name, at.parent, rows)
}

// overridesID identifies the overrides of a decision among the lists of a plan.
func overridesID(decision string) string { return "overrides of " + decision }

// LatestDecisions reads the newest decisions of the chain over all clients, newest
// first.
func LatestDecisions(s *Snapshot, limit int) ([]*pb.Decision, error) {
	var rows []sealedRow
	err := s.all(&rows, "select "+sealedColumns+" from decisions"+ofClient+" where chain = $1 and client = parent order by id desc limit $2", s.chain, limit)
	if err != nil {
		return nil, err
	}
	return openRows[*pb.Decision](s, Decisions.name, "", rows)
}

// policyTexts holds the policies under which decisions were made, so that a decision
// can be replayed after the policy has changed.
var policyTexts = newTable[*wrapperspb.BytesValue]("policy_texts")

// InsertPolicyText makes the record that keeps a policy text for ever, under its
// digest, in the chain with the given resource name. Inserting a second text under one
// digest is ErrExists; check HasPolicyText first.
func InsertPolicyText(chain, digest string, body []byte) Record {
	at, err := parseName(chain)
	return policyTexts.record(key{chain: at.chain, id: digest}, err, wrapperspb.Bytes(body))
}

// PolicyText reads the text with a digest; ErrNotFound if there is none.
func PolicyText(s *Snapshot, digest string) ([]byte, error) {
	var body []byte
	if err := s.one(&body, policyTexts.get, s.chain, "", digest); err != nil {
		return nil, err
	}
	text, err := parse[*wrapperspb.BytesValue](body)
	return text.GetValue(), err
}

// policyTextsID identifies the digests of policy texts among the lists of a plan.
const policyTextsID = "policy texts"

// HasPolicyText reports whether a text with a digest is stored.
func HasPolicyText(s *Snapshot, digest string) (bool, error) {
	if texts, planned, err := s.list(policyTextsID); planned {
		has := slices.ContainsFunc(texts, func(r sealedRow) bool { return r.ID == digest })
		if err == nil && !has && len(texts) == mostPolicyTexts {
			err = s.miss()
		}
		return has, err
	}
	var has bool
	err := s.one(&has, "select exists (select from policy_texts where chain = $1 and parent = '' and id = $2)", s.chain, digest)
	return has, err
}

// decisionsAtATime is how many decisions EachDecision reads per query; it bounds the
// memory. Our own choice.
const decisionsAtATime = 100

// EachDecision calls visit for every decision of the chain, oldest first. A decision
// that cannot be opened is visited too, with nothing but its name and with the error,
// so that a replay can report it. Decisions of erased clients are left out. An error of
// visit ends the iteration and is returned.
func EachDecision(s *Snapshot, visit func(*pb.Decision, error) error) error {
	for after := ""; ; {
		var rows []sealedRow
		err := s.all(&rows, "select "+sealedColumns+" from decisions"+ofClient+" where chain = $1 and client = parent and id > $2 order by id limit $3",
			s.chain, after, decisionsAtATime)
		if err != nil || len(rows) == 0 {
			return err
		}
		for _, r := range rows {
			after = r.ID
			d := &pb.Decision{Name: "chains/" + s.chain + "/clients/" + r.Parent + "/decisions/" + r.ID}
			opened, unreadable := openRows[*pb.Decision](s, Decisions.name, "", []sealedRow{r})
			if unreadable == nil && len(opened) == 0 {
				continue // of an erased client, whose key was put back
			}
			if unreadable == nil {
				d = opened[0]
			}
			if err := visit(d, unreadable); err != nil {
				return err
			}
		}
	}
}
