package demo

import (
	"fmt"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// doing says a fact of the service in words.
func doing(e *pb.Event) string {
	switch fact := e.GetFact().(type) {
	case *pb.Event_ConsentConfirmed:
		return "the client agrees once more"
	case *pb.Event_BaseApplied:
		return "protective base on the whole scalp"
	case *pb.Event_SectionApplied:
		return fmt.Sprintf("relaxer on %s, %s", fact.SectionApplied.GetSectionId(), words(fact.SectionApplied.GetPart()))
	case *pb.Event_Smoothed:
		return "smooths " + fact.Smoothed.GetSectionId()
	case *pb.Event_StrandTest:
		return fmt.Sprintf("strand test on %s: %s", fact.StrandTest.GetSectionId(), words(fact.StrandTest.GetReading()))
	case *pb.Event_ComfortCheck:
		return fmt.Sprintf("the client feels: %s %s", words(fact.ComfortCheck.GetComfort()), where(fact.ComfortCheck.GetSectionId()))
	case *pb.Event_WaterOn:
		return "water on " + spot(fact.WaterOn.GetPlace())
	case *pb.Event_WaterOff:
		return "water off " + spot(fact.WaterOff.GetPlace())
	case *pb.Event_Splash:
		return "product in " + spot(fact.Splash.GetPlace())
	case *pb.Event_HelpCalled:
		if fact.HelpCalled.GetTookOver() {
			return "medical help is here, takes over, and says that flushing may stop"
		}
		return "help called: " + words(fact.HelpCalled.GetKind())
	case *pb.Event_ProductConfirmed:
		return fmt.Sprintf("scans the jar in the hand: %s, lot %s", last(fact.ProductConfirmed.GetProduct()), fact.ProductConfirmed.GetLotCode())
	case *pb.Event_ConditionMet:
		return strings.TrimSpace("ticks off: " + fact.ConditionMet.GetRuleId() + " " + fact.ConditionMet.GetSubject())
	case *pb.Event_Shampoo:
		return fmt.Sprintf("neutralizing shampoo, lather %d: the indicator shows %s", fact.Shampoo.GetNumber(), words(fact.Shampoo.GetIndicator()))
	case *pb.Event_ProductUsed:
		return fmt.Sprintf("%.0f g of %s, lot %s", fact.ProductUsed.GetGrams(), last(fact.ProductUsed.GetProduct()), lotOf(fact.ProductUsed))
	case *pb.Event_ScalpChecked:
		return fmt.Sprintf("looks at the scalp again; changed: %t", fact.ScalpChecked.GetChanged())
	case *pb.Event_RinseFinished:
		return "the product is out of the whole head"
	}
	return "a note"
}

// spot names a place on the client.
func spot(p pb.Place) string {
	switch p {
	case pb.Place_PLACE_EYE_LEFT:
		return "the left eye"
	case pb.Place_PLACE_EYE_RIGHT:
		return "the right eye"
	}
	return "the " + words(p)
}

// where says a place on the head; facts and alarms without a section are about
// all of it.
func where(section string) string {
	if section == "" {
		return "on the whole head"
	}
	return "on " + section
}

// subject is the section that a fact is about; empty: the whole head.
func subject(e *pb.Event) string {
	for _, section := range []string{
		e.GetSectionApplied().GetSectionId(), e.GetStrandTest().GetSectionId(),
		e.GetComfortCheck().GetSectionId(),
	} {
		if section != "" {
			return section
		}
	}
	return ""
}

// tellClock writes where one section stands and what is due on it.
func (p *page) tellClock(s *pb.SectionState) {
	read := ""
	if s.GetLastReading() != pb.CurlReading_CURL_READING_UNSPECIFIED {
		read = ", " + words(s.GetLastReading())
	}
	if s.GetRinseTime() != nil {
		p.answer("%s: %.1f min%s, rinsed at %s", s.GetSectionId(), s.GetExposureMinutes(), read, hour(s.GetRinseTime()))
		return
	}
	p.answer("%s: %.1f min%s; test a strand by %s, to the bowl by %s, limit %s", s.GetSectionId(), s.GetExposureMinutes(), read,
		hour(s.GetNextStrandTestTime()), hour(s.GetLatestRinseTime()), hour(s.GetHardLimitTime()))
}

// tellAlarm writes a call to act.
func (p *page) tellAlarm(a *pb.Alarm) {
	p.answer("ALARM %s: %s", strings.ToUpper(words(a.GetKind())), a.GetMessage())
}

// tellFlush writes how long water has run on a place.
func (p *page) tellFlush(f *pb.FlushState) {
	p.answer("%s: %.0f min of running water, at least %.0f and on until medical help says stop", spot(f.GetPlace()), f.GetFlushedMinutes(), f.GetLeastMinutes())
}

// tellTimeSheet writes the slip to go on by without the server.
func (p *page) tellTimeSheet(t *pb.TimeSheet) {
	for _, s := range t.GetSections() {
		p.answer("%s", s.GetText())
	}
	for _, line := range t.GetFirstAid() {
		p.answer("%s", line)
	}
	p.answer("emergency number: %s", t.GetEmergencyNumber())
}

// tellIncident writes an incident as the client's record has it.
func (p *page) tellIncident(i *pb.Incident) {
	p.answer("INCIDENT: %s, %s; %s; lot %s", incident(i), hour(i.GetOccurTime()), words(i.GetState()), i.GetLotCode())
	p.detail("%.0f min of water. Seen: %s Advice: %s Referred: %s.", i.GetFlushMinutes(), i.GetSeen(), i.GetAdvice(), words(i.GetReferred()))
}

// incident names an incident by what went wrong and where.
func incident(i *pb.Incident) string {
	if i.GetSectionId() != "" {
		return words(i.GetKind()) + " at " + i.GetSectionId()
	}
	return "product in " + spot(i.GetPlace())
}

// tellDeviation writes a deviation; it is recorded and audited, never refused.
func (p *page) tellDeviation(v *pb.Deviation) {
	p.answer("DEVIATION %s: %s", words(v.GetKind()), v.GetMessage())
}
