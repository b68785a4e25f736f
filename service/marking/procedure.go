package marking

import (
	"slices"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/timing"
)

// procedure marks the practice service. Where one belongs to the case and none was
// recorded, nothing of it is met.
// The criteria are those of the case, so an attempt without a practice service loses all
// of them and not only those that it would have failed.
func (m *marker) procedure() {
	if !m.practised() {
		return
	}
	practice := m.attempt.GetPractice()
	deviations := Deviations(practice)
	for _, line := range m.Procedure {
		value, evidence := pb.MarkValue_MARK_VALUE_NOT_MET, []string{"no practice service was recorded"}
		if len(practice.GetEvents()) > 0 {
			value, evidence = line.mark(practice, deviations)
		}
		m.add(line.criterion, pb.CriterionGroup_CRITERION_GROUP_PROCEDURE, value, evidence...)
	}
}

// Deviations are those of a practice service that is over: what the clock found by its
// last fact, and what closing it then shows.
// The end is the last fact and not the time of marking: a practice service that nobody
// closed is over when the student left it, and an hour at lunch is no overdue strand test.
// Deviations of a service on a client that a practice service cannot have, such as a
// missing signature, belong to no criterion and are ignored.
func Deviations(practice *pb.PracticeService) []*pb.Deviation {
	events := practice.GetEvents()
	if len(events) == 0 {
		return nil
	}
	end := events[0].GetEvent().GetOccurTime().AsTime()
	for _, e := range events {
		if at := e.GetEvent().GetOccurTime().AsTime(); at.After(end) {
			end = at
		}
	}
	products := append([]*pb.Product{}, practice.GetProducts()...) // not nil: the catalogue was read
	found := timing.FoldWith(practice.GetSession(), events, products, end).GetDeviations()
	return append(found, timing.ClosingDeviations(practice.GetSession(), events, end)...)
}

// mark marks one part of the procedure.
// A fact that must be there and is not outweighs a clock that found nothing: nothing can
// be late that was never begun.
func (p procedureCriterion) mark(practice *pb.PracticeService, deviations []*pb.Deviation) (pb.MarkValue, []string) {
	var against []string
	for _, d := range deviations {
		if slices.ContainsFunc(p.Deviations, func(kind string) bool { return d.Kind.String() == "DEVIATION_KIND_"+kind }) {
			against = append(against, d.Message)
		}
	}
	value := when(len(against) == 0)
	if p.OneIsPartly && len(against) == 1 {
		value = pb.MarkValue_MARK_VALUE_PARTLY
	}
	if p.Fact != "" && !recorded(practice, p.Fact) {
		value, against = pb.MarkValue_MARK_VALUE_NOT_MET, append(against, "not recorded: "+Label(p.Fact))
	}
	if p.Hygiene {
		return hygiene(practice.GetHygieneSteps())
	}
	if len(against) == 0 {
		against = []string{"nothing against it on the clock"}
	}
	return value, against
}

// recorded reports whether a fact is among the events, by its field in Event.
// One such fact is enough, whenever it was.
func recorded(practice *pb.PracticeService, fact string) bool {
	return slices.ContainsFunc(practice.GetEvents(), func(e *pb.StoredEvent) bool {
		m := e.GetEvent().ProtoReflect()
		field := m.Descriptor().Fields().ByName(protoreflect.Name(fact))
		return m.Has(field)
	})
}

// hygiene marks the steps of hygiene: met if all were done, partly if at least half.
// Steps have no times. When they were done is for the person who watched.
func hygiene(done []pb.HygieneStep) (pb.MarkValue, []string) {
	var missed []string
	all := len(pb.HygieneStep_name) - 1
	for number := 1; number <= all; number++ {
		if step := pb.HygieneStep(number); !slices.Contains(done, step) {
			missed = append(missed, "not done: "+lower(step.String(), "HYGIENE_STEP_"))
		}
	}
	switch {
	case len(missed) == 0:
		return pb.MarkValue_MARK_VALUE_MET, []string{"all steps were done"}
	case 2*len(missed) <= all:
		return pb.MarkValue_MARK_VALUE_PARTLY, missed
	}
	return pb.MarkValue_MARK_VALUE_NOT_MET, missed
}
