package rules

import (
	"fmt"
	"slices"
	"time"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"

	pb "alkalog/proto/alkalogv1"
)

// What the client's incidents mean for the next decision. A time below is that of
// the newest incident concerned, null when there is none:
//
//	incidents.look_time      after it the scalp must be seen in the salon
//	incidents.break_time     after it a strand test must be sound
//	incidents.cleared        a doctor's word names each incident that needs one
//	incidents.recorded       there is an incident on record
//
// Follow-ups are not read: whatever was said by telephone clears nothing. Incidents
// are facts, not questions; what is asked is when the scalp was seen, what it looks
// like, what the strand shows, and what a doctor said.

// incidentFields are the fields of incidents. The newest incident of each kind decides,
// since what clears it, a look or a test afterwards, clears the older ones too. Doctors'
// words are the exception: each incident that needs one is named by its own.
func incidentFields(v enumTable) []field {
	newest := func(concerned func(*pb.Incident) bool) func(*state) ref.Val {
		return func(s *state) ref.Val { return s.newestIncident(concerned) }
	}
	timestamp := cel.NullableType(cel.TimestampType)
	return []field{
		derive("incidents.look_time", timestamp, newest(needsLook), evidenceOfIncidents(needsLook)),
		derive("incidents.break_time", timestamp, newest(brokeHair), evidenceOfIncidents(brokeHair)),
		derive("incidents.cleared", answerType(v), (*state).incidentsCleared, evidenceOfIncidents(needsDoctor)),
		{path: "incidents.recorded", celType: answerType(v), get: func(s *state) ref.Val {
			if len(s.in.GetIncidents()) > 0 {
				return s.lang.answer(pb.Answer_ANSWER_YES)
			}
			return s.lang.answer(pb.Answer_ANSWER_NO)
		}},
	}
}

// needsLook tells whether the scalp must be seen after an incident: after all but
// those of an eye.
func needsLook(i *pb.Incident) bool { return i.GetKind() != pb.IncidentKind_INCIDENT_KIND_EYE }

// brokeHair tells whether hair broke, after which a strand test must be sound again.
func brokeHair(i *pb.Incident) bool { return i.GetKind() == pb.IncidentKind_INCIDENT_KIND_BREAKAGE }

// needsDoctor tells whether only a doctor's word that names the incident clears
// it: an eye, a blister or sore or a doubt about one, loss of hair; and a reaction,
// which is our own choice.
func needsDoctor(i *pb.Incident) bool {
	switch i.GetKind() {
	case pb.IncidentKind_INCIDENT_KIND_EYE, pb.IncidentKind_INCIDENT_KIND_HAIR_LOSS, pb.IncidentKind_INCIDENT_KIND_REACTION:
		return true
	}
	return i.GetBlister() == pb.Answer_ANSWER_YES || i.GetBlister() == pb.Answer_ANSWER_UNSURE
}

// occurred is when an incident happened: when it was recorded, if that was not
// said; if neither is known, now, so that nothing lies after it.
func (s *state) occurred(i *pb.Incident) time.Time {
	for _, at := range []ref.Val{moment(i.GetOccurTime()), moment(i.GetCreateTime())} {
		if t, ok := at.(types.Timestamp); ok {
			return t.Time
		}
	}
	return s.now()
}

// newestIncident is the time of the newest incident concerned; nil is none.
// None is null and not unknown: incidents are records, and there is no question that
// asks for one.
func (s *state) newestIncident(concerned func(*pb.Incident) bool) ref.Val {
	var newest time.Time
	for _, i := range s.in.GetIncidents() {
		if at := s.occurred(i); concerned(i) && at.After(newest) {
			newest = at
		}
	}
	if newest.IsZero() {
		return nil
	}
	return types.Timestamp{Time: newest}
}

// incidentsCleared tells whether a doctor's word clears every incident that needs
// one; unknown when a word lacks its date or its reference. A "no" wins, so that
// answering about one incident cannot hide another.
func (s *state) incidentsCleared() ref.Val {
	worst := ref.Val(s.lang.answer(pb.Answer_ANSWER_YES))
	for _, i := range s.in.GetIncidents() {
		if !needsDoctor(i) {
			continue
		}
		switch cleared := s.clearedIncident(i); {
		case cleared == ref.Val(s.lang.answer(pb.Answer_ANSWER_NO)):
			return cleared
		case types.IsUnknown(cleared):
			worst = cleared
		}
	}
	return worst
}

// clearedIncident is what a doctor's word says of one incident. Nobody needs to be
// asked whether there is a word at all: without one the incident is not cleared.
// A word that was given before the incident does not cover it.
func (s *state) clearedIncident(i *pb.Incident) ref.Val {
	named := slices.ContainsFunc(s.doctorsWords(), func(w *pb.DoctorsWord) bool {
		return w.GetCause() == pb.ClearanceCause_CLEARANCE_CAUSE_INCIDENT && w.GetIncident() == i.GetName()
	})
	if i.GetName() == "" || !named {
		return s.lang.answer(pb.Answer_ANSWER_NO)
	}
	return s.cleared(pb.ClearanceCause_CLEARANCE_CAUSE_INCIDENT, i.GetName(), s.occurred(i))
}

// evidenceOfIncidents shows the kind and the day of the incidents behind a field, never
// what was written about them.
func evidenceOfIncidents(concerned func(*pb.Incident) bool) func(*state) []*pb.SeenAnswer {
	return func(s *state) []*pb.SeenAnswer {
		var answers []*pb.SeenAnswer
		for n, i := range s.in.GetIncidents() {
			if concerned(i) {
				kind := enumValueOf(s.lang.enums[i.GetKind().Descriptor().FullName()], i.GetKind())
				value := kind.text() + ", " + s.occurred(i).In(s.location()).Format(time.DateOnly)
				answers = append(answers, &pb.SeenAnswer{Field: fmt.Sprintf("incidents[%d]", n), Value: value})
			}
		}
		return answers
	}
}
