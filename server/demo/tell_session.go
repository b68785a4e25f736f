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
		return fmt.Sprintf("strand test on %s: %.0f %% of the curl left", fact.StrandTest.GetSectionId(), fact.StrandTest.GetRemainingCurlPercent())
	case *pb.Event_ComfortCheck:
		return fmt.Sprintf("the client feels: %s %s", words(fact.ComfortCheck.GetComfort()), where(fact.ComfortCheck.GetSectionId()))
	case *pb.Event_RinseStarted:
		return "water " + where(fact.RinseStarted.GetSectionId())
	case *pb.Event_Shampoo:
		return fmt.Sprintf("neutralizing shampoo, lather %d: the indicator shows %s", fact.Shampoo.GetNumber(), words(fact.Shampoo.GetIndicator()))
	case *pb.Event_ProductUsed:
		return fmt.Sprintf("%.0f g of %s, lot %s", fact.ProductUsed.GetGrams(), last(fact.ProductUsed.GetProduct()), lotOf(fact.ProductUsed))
	case *pb.Event_ScalpChecked:
		return fmt.Sprintf("looks at the scalp again; changed: %t", fact.ScalpChecked.GetChanged())
	}
	return plainly(e)
}

// plainly says the facts that carry nothing but themselves.
func plainly(e *pb.Event) string {
	switch e.GetFact().(type) {
	case *pb.Event_RinseFinished:
		return "the product is out of the whole head"
	case *pb.Event_NormalizerOn:
		return "normalizer on"
	case *pb.Event_NormalizerOff:
		return "normalizer rinsed out"
	case *pb.Event_Conditioned:
		return "conditioner"
	}
	return "a note"
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
		e.GetComfortCheck().GetSectionId(), e.GetRinseStarted().GetSectionId(),
	} {
		if section != "" {
			return section
		}
	}
	return ""
}

// tellClock writes where one section stands and what is due on it.
func (p *page) tellClock(s *pb.SectionState) {
	if s.GetRinseTime() != nil {
		p.answer("%-10s %4.1f min  %s straighter, rinsed at %s", s.GetSectionId(),
			s.GetExposureMinutes(), estimate(s.GetStraighteningPercent(), " %"), hour(s.GetRinseTime()))
		return
	}
	p.answer("%-10s %4.1f min  %s straighter, target in %s", s.GetSectionId(), s.GetExposureMinutes(),
		estimate(s.GetStraighteningPercent(), " %"), estimate(s.GetMinutesToTarget(), " min"))
	p.answer("%-19s  strand test by %s, call to bowl by %s, limit %s", "",
		hour(s.GetNextStrandTestTime()), hour(s.GetLatestRinseTime()), hour(s.GetHardLimitTime()))
}

// tellAlarm writes a call to act.
func (p *page) tellAlarm(a *pb.Alarm) {
	p.answer("ALARM %s %s: %s", strings.ToUpper(words(a.GetKind())), where(a.GetSectionId()), a.GetMessage())
}

// tellDeviation writes a departure; it is recorded and audited, never refused.
func (p *page) tellDeviation(v *pb.Deviation) {
	p.answer("DEVIATION %s: %s", words(v.GetKind()), v.GetMessage())
}
