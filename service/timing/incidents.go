package timing

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// Incidents are what the facts of a session say went wrong with the client, one for each
// kind and place, without names: burning (also when it was rinsed at once, because burns
// often show later), product in an eye or on the skin, hair in distress, a scalp that had
// changed. Tingling alone is no incident; the card lists it as a tender spot. The facts
// may come in any order and at any time.
func Incidents(session *pb.Session, events []*pb.StoredEvent, state *pb.SessionState) []*pb.Incident {
	var found incidentList
	for _, e := range events {
		switch fact := e.GetEvent().GetFact().(type) {
		case *pb.Event_ComfortCheck:
			if isBurn(fact.ComfortCheck.GetComfort()) {
				found.add(session, e, pb.IncidentKind_INCIDENT_KIND_BURN, pb.Place_PLACE_HEAD, fact.ComfortCheck.GetSectionId())
			}
		case *pb.Event_Splash:
			place := fact.Splash.GetPlace()
			kind := pb.IncidentKind_INCIDENT_KIND_EYE // a place that is not stated or not known counts as an eye
			if place == pb.Place_PLACE_SKIN || place == pb.Place_PLACE_HEAD {
				kind = pb.IncidentKind_INCIDENT_KIND_SKIN
			}
			found.add(session, e, kind, place, "")
		case *pb.Event_StrandTest:
			if fact.StrandTest.GetDistressed() {
				found.add(session, e, pb.IncidentKind_INCIDENT_KIND_BREAKAGE, pb.Place_PLACE_HEAD, fact.StrandTest.GetSectionId())
			}
		case *pb.Event_ScalpChecked:
			if fact.ScalpChecked.GetChanged() {
				found.add(session, e, pb.IncidentKind_INCIDENT_KIND_BURN, pb.Place_PLACE_HEAD, "")
			}
		}
	}
	for _, i := range found {
		for _, flush := range state.GetFlushes() {
			// While water runs the figure grows with every batch of facts; it is noted
			// when the water is taken away or medical help has taken over.
			ended := flush.GetWaterOnTime() == nil || flush.GetHelpTookOver()
			if ended && flush.GetPlace() == i.Place && flush.FlushedMinutes != nil {
				i.FlushMinutes = new(min(flush.GetFlushedMinutes(), maxFlushMinutes))
			}
		}
	}
	return found
}

// isBurn reports whether what the client feels is a burn. An unknown value counts as one.
func isBurn(c pb.Comfort) bool {
	switch c {
	case pb.Comfort_COMFORT_UNSPECIFIED, pb.Comfort_COMFORT_COMFORTABLE, pb.Comfort_COMFORT_TINGLING:
		return false
	}
	return true
}

// ClosingIncidents are what an outcome says went wrong, in addition to the facts.
func ClosingIncidents(session *pb.Session, o *pb.Outcome, state *pb.SessionState) []*pb.Incident {
	var found incidentList
	at := &pb.StoredEvent{RecordTime: o.GetCreateTime(), CorrectedTime: o.GetCreateTime()}
	if o.GetScalpChanged() == pb.Answer_ANSWER_YES {
		found.add(session, at, pb.IncidentKind_INCIDENT_KIND_BURN, pb.Place_PLACE_HEAD, "")
	}
	for _, s := range o.GetSections() {
		if s.GetBreakage() == pb.Answer_ANSWER_YES {
			found.add(session, at, pb.IncidentKind_INCIDENT_KIND_BREAKAGE, pb.Place_PLACE_HEAD, s.GetSectionId())
		}
	}
	if state.GetLastIndicator() == pb.IndicatorColour_INDICATOR_COLOUR_ALKALI && !state.GetNeutral() {
		found.add(session, at, pb.IncidentKind_INCIDENT_KIND_NOT_NEUTRALIZED, pb.Place_PLACE_HEAD, "")
	}
	return found
}

// incidentList is incidents in the order in which their first facts came.
type incidentList []*pb.Incident

// add adds a fact to the incident of its kind and place, or begins a new incident.
func (l *incidentList) add(session *pb.Session, e *pb.StoredEvent, kind pb.IncidentKind, place pb.Place, section string) {
	at := effectiveTime(e)
	for _, i := range *l {
		if i.Kind == kind && i.Place == place && i.SectionId == section {
			i.EventIds = append(i.EventIds, e.GetEvent().GetEventId())
			if at.Before(i.OccurTime.AsTime()) {
				i.OccurTime = timestamppb.New(at)
			}
			return
		}
	}
	i := &pb.Incident{
		Origin: pb.IncidentOrigin_INCIDENT_ORIGIN_FACTS, Kind: kind, Place: place, SectionId: section, OccurTime: timestamppb.New(at),
		Session: session.GetName(), Product: session.GetProduct(), LotCode: session.GetLotCode(), Salon: session.GetSalon(),
		Practitioner: session.GetPractitioner(),
	}
	if id := e.GetEvent().GetEventId(); id != "" {
		i.EventIds = []string{id}
	}
	*l = append(*l, i)
}

// effectiveTime is when a fact happened by the server's clock.
func effectiveTime(e *pb.StoredEvent) time.Time {
	if e.GetCorrectedTime() != nil {
		return e.GetCorrectedTime().AsTime()
	}
	return e.GetEvent().GetOccurTime().AsTime()
}
