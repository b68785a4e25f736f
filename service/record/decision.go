package record

import (
	"errors"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/rules"
	"alkalog/storage"
)

// Decision returns a decision with its overrides and its signature, if the caller
// may see it. NOT_FOUND otherwise.
func Decision(r *storage.Snapshot, caller actor.Actor, name string) (*pb.Decision, error) {
	d, err := Get(r, caller, storage.Decisions, name)
	if err == nil {
		err = Complete(r, d)
	}
	return d, err
}

// DecisionUnchecked returns a decision with its overrides and its signature to any
// caller. It is for the decision behind a session that the caller may see.
func DecisionUnchecked(r *storage.Snapshot, name string) (*pb.Decision, error) {
	d, err := GetUnchecked(r, storage.Decisions, name)
	if err == nil {
		err = Complete(r, d)
	}
	return d, err
}

// Complete fills in what a stored decision was given later: its overrides, what
// is left of its verdict with them, and the signature under it. What still holds
// of the decision that it replaces is among them. What remains of a verdict is
// computed here at each read and not stored, so that it cannot contradict the
// overrides. A decision can replace one that replaced another; the chain of them
// ends at a decision that replaced none.
func Complete(r *storage.Snapshot, d *pb.Decision) (err error) {
	if d.Overrides, err = storage.Overrides(r, d.Name); err != nil {
		return err
	}
	if rules.NeedsSignature(d) {
		if d.Countersignature, err = storage.CountersignatureOf(r, d.Name); err != nil {
			return err
		}
	}
	if d.Replaces != "" {
		earlier, err := DecisionUnchecked(r, d.Replaces)
		if err != nil {
			return err
		}
		d.Overrides = append(rules.Carried(earlier, d), d.Overrides...)
		if d.Countersignature == nil && rules.NeedsSignature(d) {
			d.Countersignature = rules.CarriedSignature(earlier, d)
		}
	}
	d.StandingVerdict = rules.Standing(d)
	return nil
}

// ActivePolicy returns the chain's house policy in force; nil when there is none.
// A chain without one decides by the built-in policy alone.
func ActivePolicy(r *storage.Snapshot) (*pb.HousePolicy, error) {
	p, err := storage.ActiveHousePolicy(r)
	if errors.Is(err, storage.ErrNotFound) {
		return nil, nil
	}
	return p, err
}
