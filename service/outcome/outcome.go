// Package outcome is the OutcomeService: it closes a session with its outcome and
// reads the record card that the next visit starts from.
//
// An outcome has two sources. The caller states what only a person can know:
// whether the service was completed, how the hair looks, whether the scalp
// changed. Everything that the recorded facts show (exposure of each section,
// products used, proof of neutral, deviations, the date of the next retouch) is
// computed here from the events and overwrites what the caller sent in those
// fields.
//
// RecordOutcome reads the session, its events and its decision from one snapshot,
// checks the request, and commits in one write: the outcome, the closed session,
// the incidents that the facts call for, and the audit entries of the deviations
// that closing showed. The session's version guards the write, so of two outcomes
// for one session one is stored.
//
// A service that was broken off can always be closed, because it happened. Only
// the claim that a service was completed is refused, with FAILED_PRECONDITION,
// when the facts contradict it: product still on the hair, no proof of neutral, a
// scalp that nobody checked.
//
// The card is not stored. It is computed from the outcomes at each read, so a
// visit that was moved to another client is gone from it at once.
//
// ListDueRetouches gives a salon the clients to call. It is a list of the salon
// and not of the chain: the salon of the visit that sets the retouch has the
// client on its list. Clients drop out of it by coming in, or when the window has
// passed.
package outcome

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/card"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/service/timing"
	"alkalog/storage"
)

// Service implements the OutcomeService. Now is the clock; tests inject theirs.
type Service struct {
	pb.UnimplementedOutcomeServiceServer

	DB  *storage.DB
	Now func() time.Time
}

// visitsShown is how many visits a record card shows. The contract says so.
const visitsShown = 50

// RecordOutcome closes a session with its outcome. The deviations that only
// closing can show, such as a product that was not neutralized, are logged in the same
// write. Errors: INVALID_ARGUMENT for sections that the session does not have,
// NOT_FOUND for a session of another client, FAILED_PRECONDITION for a claim that
// the facts contradict and for a session that has an outcome.
func (s Service) RecordOutcome(ctx context.Context, req *pb.RecordOutcomeRequest) (*pb.RecordOutcomeResponse, error) {
	if !req.Outcome.Completed && req.Outcome.BrokenOffReason == "" {
		return nil, fault.Invalid("outcome.broken_off_reason", "must say why the service was broken off, when it was not completed")
	}
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Parent, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(audit.Chain), req, func(r *storage.Snapshot) (*pb.RecordOutcomeResponse, storage.Changes, error) {
		v, err := readVisit(r, caller, req, audit.Time)
		if err == nil {
			err = v.checkClose(req.Outcome)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		outcome := v.outcome(req.Outcome, audit.Time)
		outcome.Name = record.Parent(v.session.Name) + "/outcomes/" + storage.NewID()
		outcome.Session = v.session.Name
		closed := proto.CloneOf(v.session)
		closed.Outcome = outcome.Name
		record.SetTime(closed, "update_time", audit.Time)
		changed, err := record.NoteDeviations(audit, closed, outcome.Deviations, nil, v.logged(r))
		if err != nil {
			return nil, storage.Changes{}, err
		}
		incidents, err := record.KeepIncidents(r, audit, closed, timing.ClosingIncidents(closed, outcome, v.state))
		return &pb.RecordOutcomeResponse{Outcome: outcome}, storage.Changes{
			Records: []storage.Record{storage.Outcomes.Insert(outcome), storage.Sessions.Replace(v.session, closed)},
			Entries: changed.Entries(audit, closed, v.events),
		}.With(incidents), err
	})
}

// visit is the session to close with everything that closing depends on. State is
// the fold of the events at the time of the request; closing holds the deviations
// that appear only because the session ends here.
type visit struct {
	session  *pb.Session
	events   []*pb.StoredEvent
	decision *pb.Decision // nil for a service begun without one
	state    *pb.SessionState
	closing  []*pb.Deviation
}

// readVisit reads a visit from one snapshot, so that session, events and decision
// fit each other. A session of another client is NOT_FOUND, as if it did not
// exist. The decision is read without a check of its salon: a caller that may see
// the session may see what it was begun on.
func readVisit(r *storage.Snapshot, caller actor.Actor, req *pb.RecordOutcomeRequest, now time.Time) (v visit, err error) {
	if v.session, err = record.Get(r, caller, storage.Sessions, req.Outcome.Session); err != nil {
		return v, err
	}
	if record.Parent(v.session.Name) != req.Parent {
		return v, fault.NotFound(v.session.Name)
	}
	if v.session, err = record.Current(r, caller, v.session); err != nil {
		return v, err
	}
	if v.events, err = storage.Events(r, v.session.Name, 0); err != nil {
		return v, err
	}
	for _, name := range []string{v.session.Decision, v.session.RefusedDecision} {
		if name != "" {
			if v.decision, err = record.DecisionUnchecked(r, name); err != nil {
				return v, err
			}
		}
	}
	if v.state, err = record.State(r, v.session, v.events, now); err != nil {
		return v, err
	}
	v.closing = timing.ClosingDeviations(v.session, v.events, v.state.Time.AsTime())
	return v, nil
}

// logged returns the deviations that count as logged for a session that was begun
// before sessions kept a list of them: those that its last stored version showed.
// It is called only for such a session, because it folds all events again.
func (v visit) logged(r *storage.Snapshot) func() ([]*pb.Deviation, error) {
	return func() ([]*pb.Deviation, error) {
		before, err := record.State(r, v.session, v.events, v.session.UpdateTime.AsTime())
		return before.GetDeviations(), err
	}
}

// checkClose refuses a second outcome, a completed service that the facts
// contradict, and sections that were neither planned nor applied. The order is the
// order of urgency: a till that shows only the first error must say "rinse" before
// "prove neutral". A service that was broken off passes the checks of the facts.
func (v visit) checkClose(o *pb.Outcome) error {
	rinseFirst := timing.OpenRinses(v.session, v.events, v.state)
	switch {
	case v.session.Outcome != "":
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_SESSION_CLOSED, v.session.Name, "the session has an outcome already: "+v.session.Outcome).Naming("outcome", v.session.Outcome)
	case o.Completed && len(rinseFirst) > 0:
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_RINSE_FIRST, v.session.Name,
			"the service is not finished: "+strings.Join(rinseFirst, "; ")+" Or record that the service was broken off")
	case o.Completed && v.state.NeutralProof == pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED:
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_NOT_NEUTRALIZED, v.session.Name, "the service is not finished: "+v.unfinished()+"; or record that the service was broken off")
	case o.Completed && !v.state.ScalpChecked && o.ScalpChanged == pb.Answer_ANSWER_UNSPECIFIED:
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_SCALP_NOT_CHECKED, v.session.Name,
			"look at the scalp again and say whether it changed; or record that the service was broken off")
	}
	known := map[string]bool{}
	for _, section := range v.state.Sections {
		known[section.SectionId] = true
	}
	for i, section := range o.Sections {
		if !known[section.SectionId] {
			return fault.Invalid(fmt.Sprintf("outcome.sections[%d].section_id", i), "must be a section of the session, each at most once")
		}
		delete(known, section.SectionId)
	}
	return nil
}

// unfinished says what would prove the product neutral. A thio relaxer is fixed by
// its oxidising neutralizer; a hydroxide relaxer is washed out, and a lather's
// indicator, a pH reading or clear lathers after the normalizer show that it is
// (timing.State).
func (v visit) unfinished() string {
	if timing.IsThio(v.session) {
		return "the oxidising neutralizer must have been on for its time and rinsed out"
	}
	return "at least three lathers, and either the indicator's colour was seen and has gone, or a pH reading is below its point, " +
		"or the normalizer was on and three lathers were clear"
}

// outcome returns the caller's statement completed from the facts. Fields that
// only the server sets are cleared first. The retouch date depends on the
// decision's inputs; a service without a decision has none, and timing then uses
// its default interval.
func (v visit) outcome(given *pb.Outcome, now time.Time) *pb.Outcome {
	o := proto.CloneOf(given)
	record.Clear(o)
	in := v.decision.GetInputs()
	o.CreateTime = timestamppb.New(now)
	o.Sections = timing.SectionOutcomes(v.session, rules.TimedInputs(v.decision), v.state, given.Sections)
	o.ProductsUsed = v.state.ProductsUsed
	o.NeutralProof = v.state.NeutralProof
	o.MostResistantSection = timing.MostResistant(v.state)
	o.ApplicationPace = timing.VisitPace(v.session, v.events)
	o.Salon = v.session.Salon
	o.Deviations = append(v.state.Deviations[:len(v.state.Deviations):len(v.state.Deviations)], v.closing...)
	retouch, reason := timing.NextRetouch(v.session.StartTime.AsTime(), in)
	o.NextRetouchTime, o.NextRetouchReason = timestamppb.New(retouch), reason
	return o
}

// GetOutcome returns an outcome. That of a visit that was moved to another client
// is shown without its content (record.ShownOutcome), because it is about another
// person.
func (s Service) GetOutcome(ctx context.Context, req *pb.GetOutcomeRequest) (*pb.GetOutcomeResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.GetOutcomeResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) error {
		outcome, err := record.Get(r, caller, storage.Outcomes, req.Name)
		if err == nil {
			answer.Outcome, err = record.ShownOutcome(r, outcome)
		}
		return err
	})
	return answer, err
}

// ListOutcomes lists a client's outcomes, newest first. A caller that is confined
// to some salons gets those of its salons; a page may be shorter than asked for.
func (s Service) ListOutcomes(ctx context.Context, req *pb.ListOutcomesRequest) (*pb.ListOutcomesResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.ListOutcomesResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		if err = record.ParentExists(req.Parent)(r, caller); err != nil {
			return err
		}
		page := storage.Page{Size: req.PageSize, Token: req.PageToken}
		answer.Outcomes, answer.NextPageToken, err = record.Pages(r, caller, page, func(page storage.Page) ([]*pb.Outcome, string, error) {
			return storage.Outcomes.List(r, req.Parent, page)
		})
		for i := 0; err == nil && i < len(answer.Outcomes); i++ {
			answer.Outcomes[i], err = record.ShownOutcome(r, answer.Outcomes[i])
		}
		return err
	})
	return answer, err
}

// GetRecordCard returns a client's record card as a message and, on request, also
// as plain text or as HTML for print. Before the first visit it is empty and not
// an error: a till asks for it before every consultation. Visits of all salons of
// the chain are on it, because earlier work is a risk wherever it was done.
func (s Service) GetRecordCard(ctx context.Context, req *pb.GetRecordCardRequest) (*pb.GetRecordCardResponse, error) {
	caller := actor.From(ctx)
	c := &pb.RecordCard{Client: req.Name}
	var past []card.StoredVisit
	var zones card.Zones
	err := storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) error {
		client, err := record.Get(r, caller, storage.Clients, req.Name)
		if err != nil {
			return err
		}
		found, visits, inZones, err := record.CardAndVisits(r, record.Linked(client), visitsShown)
		if found != nil {
			c, past, zones = found, visits, inZones
		}
		// Imported records are on the card, also of a client who was never here.
		if err == nil {
			c, err = record.WithImported(r, record.Linked(client), c, visitsShown)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	c.Summary = card.Summarize(c, past, zones)
	c.Summary.RelaxerLineMm = relaxerLineEstimate(c, s.Now())
	answer := &pb.GetRecordCardResponse{RecordCard: c}
	switch req.Format {
	case pb.CardFormat_CARD_FORMAT_TEXT:
		answer.Rendered = card.Text(c, zones)
	case pb.CardFormat_CARD_FORMAT_HTML:
		answer.Rendered, err = card.HTML(c, zones)
	}
	return answer, err
}

// relaxerLineEstimate estimates how far the line of demarcation of the last
// relaxer is from the scalp now, in millimetres, from the client's growth
// (micrometres a day) and the days since. Nil: no relaxer is on record, or the
// growth is not known. The first visit in the list that put product on the hair
// counts, since visits are listed newest first.
func relaxerLineEstimate(c *pb.RecordCard, now time.Time) *pb.Estimate {
	for _, v := range c.Visits {
		if v.FirstContact && isRelaxer(v.ProductKind) && c.GrowthUmPerDay != nil {
			days := now.Sub(v.StartTime.AsTime()).Hours() / 24
			return timing.NewGrowth(c.GrowthUmPerDay, max(0, days))
		}
	}
	return nil
}

// isRelaxer counts an unstated kind as a relaxer: old visits have no product
// kind. Thio and smoothing services draw another line and are left out.
func isRelaxer(k pb.ProductKind) bool {
	return k == pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER || k == pb.ProductKind_PRODUCT_KIND_UNSPECIFIED
}
