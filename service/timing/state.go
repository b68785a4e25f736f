package timing

import (
	pb "alkalog/proto/alkalogv1"
)

// state is the session as the contract shows it.
func (f *service) state() *pb.SessionState {
	proof := f.neutralProof()
	s := &pb.SessionState{
		Time:               stamp(f.at),
		Sequence:           f.count,
		Clock:              f.clockState(),
		Phase:              f.phase(),
		Alarms:             f.alarms(),
		Deviations:         f.sortedDeviations(),
		BaseApplied:        f.before.hasBase(),
		Shampoos:           lathersDone(f.lathers),
		Neutral:            shown(proof),
		NeutralProof:       proof,
		DiscomfortTime:     stamp(f.discomfort),
		FirstRinseTime:     stamp(f.rinse),
		ScalpChecked:       f.checked,
		ProductsUsed:       f.used,
		ProductConfirmed:   f.before.confirmed,
		Flushes:            f.flushStates(),
		Conditions:         f.conditions(),
		FactsNotUnderstood: f.unknown,
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

func (f *service) phase() pb.SessionPhase {
	switch {
	case f.session.GetOutcome() != "" || f.session.GetClosing() != nil:
		return pb.SessionPhase_SESSION_PHASE_CLOSED
	case f.stopped != nil:
		return pb.SessionPhase_SESSION_PHASE_STOPPED
	case shown(f.neutralProof()):
		return pb.SessionPhase_SESSION_PHASE_NEUTRAL
	case !f.out.IsZero():
		return pb.SessionPhase_SESSION_PHASE_NEUTRALIZING
	case f.water:
		return pb.SessionPhase_SESSION_PHASE_RINSING
	case f.treated():
		return pb.SessionPhase_SESSION_PHASE_PROCESSING
	}
	return pb.SessionPhase_SESSION_PHASE_PREPARING
}
