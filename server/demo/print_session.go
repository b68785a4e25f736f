package demo

import (
	"fmt"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// stepText describes an event in words. Facts that the story does not use are "a
// note".
func stepText(e *pb.Event) string {
	switch fact := e.GetFact().(type) {
	case *pb.Event_ConsentConfirmed:
		return "the client agrees once more"
	case *pb.Event_BaseApplied:
		return "protective base on the whole scalp"
	case *pb.Event_SectionApplied:
		return fmt.Sprintf("relaxer on %s, %s", fact.SectionApplied.GetSectionId(), enumLabel(fact.SectionApplied.GetPart()))
	case *pb.Event_StageApplied:
		return "relaxer on the next stage, " + enumLabel(fact.StageApplied.GetPart())
	case *pb.Event_Smoothed:
		return "smooths " + fact.Smoothed.GetSectionId()
	case *pb.Event_StrandTest:
		return fmt.Sprintf("strand test %s: %s", locationText(fact.StrandTest.GetSectionId()), enumLabel(fact.StrandTest.GetReading()))
	case *pb.Event_ComfortCheck:
		return fmt.Sprintf("the client feels: %s %s", enumLabel(fact.ComfortCheck.GetComfort()), locationText(fact.ComfortCheck.GetSectionId()))
	case *pb.Event_WaterOn:
		return "water on " + placeText(fact.WaterOn.GetPlace())
	case *pb.Event_WaterOff:
		return "water off " + placeText(fact.WaterOff.GetPlace())
	case *pb.Event_Splash:
		return "product in " + placeText(fact.Splash.GetPlace())
	case *pb.Event_HelpCalled:
		if fact.HelpCalled.GetTookOver() {
			return "medical help is here, takes over, and says that flushing may stop"
		}
		return "help called: " + enumLabel(fact.HelpCalled.GetKind())
	case *pb.Event_ProductConfirmed:
		return fmt.Sprintf("scans the jar in the hand: %s, lot %s", lastSegment(fact.ProductConfirmed.GetProduct()), fact.ProductConfirmed.GetLotCode())
	case *pb.Event_ConditionMet:
		return strings.TrimSpace("ticks off: " + fact.ConditionMet.GetRuleId() + " " + fact.ConditionMet.GetSubject())
	case *pb.Event_NormalizerOn:
		return "normalizer on"
	case *pb.Event_NormalizerOff:
		return "normalizer rinsed out"
	case *pb.Event_Shampoo:
		if n := fact.Shampoo.GetLathers(); n > 1 {
			return fmt.Sprintf("neutralizing shampoo, %d lathers: first the indicator shows %s, then %s", n,
				enumLabel(fact.Shampoo.GetEarlierIndicator()), enumLabel(fact.Shampoo.GetIndicator()))
		}
		return fmt.Sprintf("neutralizing shampoo, lather %d: the indicator shows %s", fact.Shampoo.GetNumber(), enumLabel(fact.Shampoo.GetIndicator()))
	case *pb.Event_ProductUsed:
		return fmt.Sprintf("%.0f g of %s, lot %s", fact.ProductUsed.GetGrams(), lastSegment(fact.ProductUsed.GetProduct()), lotOf(fact.ProductUsed))
	case *pb.Event_ScalpChecked:
		return fmt.Sprintf("looks at the scalp again; changed: %t", fact.ScalpChecked.GetChanged())
	case *pb.Event_RinseFinished:
		return "the product is out of the whole head"
	}
	return "a note"
}

// placeText names a place on the client. Left and right are the client's.
func placeText(p pb.Place) string {
	switch p {
	case pb.Place_PLACE_EYE_LEFT:
		return "the left eye"
	case pb.Place_PLACE_EYE_RIGHT:
		return "the right eye"
	}
	return "the " + enumLabel(p)
}

// locationText names a place on the head; events and alarms without a section
// concern the whole head.
func locationText(section string) string {
	if section == "" {
		return "on the whole head"
	}
	return "on " + section
}

// alarmSubject is the section that an event is about; empty: the whole head.
func alarmSubject(e *pb.Event) string {
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

// printClock prints the state of one section and what is due. The three times are
// in the order in which they come.
func (p *page) printClock(s *pb.SectionState) {
	read := ""
	if s.GetLastReading() != pb.CurlReading_CURL_READING_UNSPECIFIED {
		read = ", " + enumLabel(s.GetLastReading())
	}
	if s.GetRinseTime() != nil {
		p.answer("%s: %.1f min%s, rinsed at %s", s.GetSectionId(), s.GetExposureMinutes(), read, clockTime(s.GetRinseTime()))
		return
	}
	p.answer("%s: %.1f min%s; test a strand by %s, to the bowl by %s, limit %s", s.GetSectionId(), s.GetExposureMinutes(), read,
		clockTime(s.GetNextStrandTestTime()), clockTime(s.GetLatestRinseTime()), clockTime(s.GetHardLimitTime()))
}

// printAlarm prints an alarm. The message begins with what to do.
func (p *page) printAlarm(a *pb.Alarm) {
	p.answer("ALARM %s: %s", strings.ToUpper(enumLabel(a.GetKind())), a.GetMessage())
}

// printFlush prints how long water has run on a place. It never says that it is
// enough.
func (p *page) printFlush(f *pb.FlushState) {
	p.answer("%s: %.0f min of running water, at least %.0f and on until medical help says stop", placeText(f.GetPlace()), f.GetFlushedMinutes(), f.GetLeastMinutes())
}

// printTimeSheet prints the time sheet for continuing without the server. The texts
// are those that a till prints on paper.
func (p *page) printTimeSheet(t *pb.TimeSheet) {
	for _, s := range t.GetSections() {
		p.answer("%s", s.GetText())
	}
	for _, line := range t.GetFirstAid() {
		p.answer("%s", line)
	}
	p.answer("emergency number: %s", t.GetEmergencyNumber())
}

// printIncident prints an incident. What was seen is in the words of the person who
// saw it.
func (p *page) printIncident(i *pb.Incident) {
	p.answer("INCIDENT: %s, %s; %s; lot %s", incidentText(i), clockTime(i.GetOccurTime()), enumLabel(i.GetState()), i.GetLotCode())
	p.detail("%.0f min of water. Seen: %s Advice: %s Referred: %s.", i.GetFlushMinutes(), i.GetSeen(), i.GetAdvice(), enumLabel(i.GetReferred()))
}

// incidentText names an incident by what went wrong and where.
func incidentText(i *pb.Incident) string {
	if i.GetSectionId() != "" {
		return enumLabel(i.GetKind()) + " at " + i.GetSectionId()
	}
	return "product in " + placeText(i.GetPlace())
}

// printDeviation prints a deviation, which is recorded and never refused.
func (p *page) printDeviation(v *pb.Deviation) {
	p.answer("DEVIATION %s: %s", enumLabel(v.GetKind()), v.GetMessage())
}
