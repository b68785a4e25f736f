package training

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/marking"
	"alkalog/service/record"
	"alkalog/service/timing"
	"alkalog/storage"
)

// The bounds keep an attempt within the size of a message.
const (
	// mostEvents bounds the events of a practice service. Our own choice: a service has
	// about 60.
	mostEvents = 500
	// tillAhead is how far ahead of the server's clock a till's may be. Our own choice, the
	// same as for services on clients.
	tillAhead = 5 * time.Minute
)

// RecordPractice begins the practice service of an attempt, or records what happens in it.
// The first call begins it and sets how fast its time passes. Events have the times of the
// till's clock, and are kept with service times: what lies after the beginning is
// stretched.
// Nothing of it is refused because it broke a rule: what happened is recorded, and the sheet
// says what it is worth. The state that is returned is that of a service on a client, with
// the same alarms, so that a student learns to follow the same screen.
func (s Service) RecordPractice(ctx context.Context, req *pb.RecordPracticeRequest) (*pb.RecordPracticeResponse, error) {
	caller, now := actor.From(ctx), s.Now()
	return change(ctx, s, req.Name, req, func(r *storage.Snapshot, c *pb.Case, a *pb.Attempt) (*pb.RecordPracticeResponse, error) {
		if err := requireSubmitted(a); err != nil {
			return nil, err
		}
		if !c.Practice || !marking.Practicable(c) {
			return nil, fault.Precondition(pb.ErrorReason_ERROR_REASON_PRACTICE_NOT_ALLOWED, c.Name,
				"no practice service belongs to "+c.Name+", or its right answer is not to go ahead; have the attempt marked without one")
		}
		if a.Practice == nil {
			a.Practice = begin(c, a, req.TimeFactor, now)
		}
		p := a.Practice
		if err := addEvents(p, req.Events, caller.Name, now); err != nil {
			return nil, err
		}
		for _, step := range req.HygieneSteps {
			if !slices.Contains(p.HygieneSteps, step) {
				p.HygieneSteps = append(p.HygieneSteps, step)
			}
		}
		p.EndTime = timestamppb.New(now)
		var err error
		if p.Products, err = record.ProductsNamed(r, p.Events); err != nil {
			return nil, err
		}
		state := timing.FoldWith(p.Session, p.Events, append([]*pb.Product{}, p.Products...), serviceTime(p, now))
		return &pb.RecordPracticeResponse{Attempt: a, State: state}, nil
	})
}

// begin makes a practice service with the plan and the limits of the reference.
// The student is the practitioner of it. The decision it begins on is the case, since the
// clock counts a service without one as a deviation.
func begin(c *pb.Case, a *pb.Attempt, factor *int32, now time.Time) *pb.PracticeService {
	p := &pb.PracticeService{TimeFactor: 1, StartTime: timestamppb.New(now)}
	if factor != nil {
		p.TimeFactor = *factor
	}
	p.Session = &pb.Session{Practitioner: a.Student, StartTime: timestamppb.New(now), CreateTime: timestamppb.New(now),
		Decision: c.Name, GuidanceRevision: timing.Revision}
	record.BeginOn(c.Reference, p.Session)
	return p
}

// serviceTime is the time of a practice service at an instant of the real clock.
// What lies before the beginning, such as the base that was put on while the till was being
// unlocked, keeps its time.
func serviceTime(p *pb.PracticeService, at time.Time) time.Time {
	start := p.StartTime.AsTime()
	if at.Before(start) {
		return at
	}
	return start.Add(at.Sub(start) * time.Duration(p.TimeFactor))
}

// addEvents adds events with their service times. An event that was recorded is left out
// by its id.
// A till repeats what was not acknowledged, with the same ids, so repeating adds nothing.
func addEvents(p *pb.PracticeService, events []*pb.Event, sender string, now time.Time) error {
	for i, e := range events {
		at := e.OccurTime.AsTime()
		if at.After(now.Add(tillAhead)) {
			return fault.Invalid(fmt.Sprintf("events[%d].occur_time", i), "must not be in the future: set the till's clock")
		}
		if slices.ContainsFunc(p.Events, func(old *pb.StoredEvent) bool { return old.Event.EventId == e.EventId }) {
			continue
		}
		if len(p.Events) >= mostEvents {
			return fault.Invalid("events", fmt.Sprintf("must be at most %d in one practice service", mostEvents))
		}
		e = proto.CloneOf(e)
		e.OccurTime = timestamppb.New(serviceTime(p, at))
		p.Events = append(p.Events, &pb.StoredEvent{Event: e, RecordTime: timestamppb.New(serviceTime(p, now)),
			Sequence: int64(len(p.Events) + 1), Sender: sender})
	}
	return nil
}
