package timing

import (
	pb "alkalog/proto/alkalogv1"
)

// state is the session as the contract shows it.
func (f *folding) state() *pb.SessionState {
	proof := f.neutralProof()
	s := &pb.SessionState{
		Time:               stamp(f.at),
		Sequence:           f.factCount,
		Clock:              f.clockState(),
		Phase:              f.phase(),
		Alarms:             f.alarms(),
		Deviations:         f.sortedDeviations(),
		BaseApplied:        f.preparation.hasBase(),
		Shampoos:           latherCount(f.lathers),
		Neutral:            provesNeutral(proof),
		NeutralProof:       proof,
		DiscomfortTime:     stamp(f.discomfort),
		FirstRinseTime:     stamp(f.firstRinse),
		ScalpChecked:       f.scalpLookedAt,
		ProductsUsed:       f.productsUsed,
		ProductConfirmed:   f.preparation.confirmed,
		Flushes:            f.flushStates(),
		Conditions:         f.conditions(),
		FactsNotUnderstood: f.notUnderstood,
	}
	if f.normalizer.since.IsZero() {
		s.NormalizerMinutes = f.normalizer.minutes
	}
	if n := len(f.lathers); n > 0 {
		s.LastIndicator = f.lathers[n-1].Indicator
	}
	for _, c := range f.sections {
		s.Sections = append(s.Sections, c.state(f.at))
	}
	return s
}

// phase is the phase of the service. A closed or stopped session stays so whatever facts
// arrive later.
// Of the other phases the furthest one that the facts show is taken.
func (f *folding) phase() pb.SessionPhase {
	switch {
	case f.session.GetOutcome() != "" || f.session.GetClosing() != nil:
		return pb.SessionPhase_SESSION_PHASE_CLOSED
	case f.stopped != nil:
		return pb.SessionPhase_SESSION_PHASE_STOPPED
	case provesNeutral(f.neutralProof()):
		return pb.SessionPhase_SESSION_PHASE_NEUTRAL
	case !f.rinsedOut.IsZero():
		return pb.SessionPhase_SESSION_PHASE_NEUTRALIZING
	case f.rinsingNow:
		return pb.SessionPhase_SESSION_PHASE_RINSING
	case f.productTouchedHair():
		return pb.SessionPhase_SESSION_PHASE_PROCESSING
	}
	return pb.SessionPhase_SESSION_PHASE_PREPARING
}
