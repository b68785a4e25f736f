package record

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/service/actor"
	"alkalog/service/ledger"
	"alkalog/service/rules"
	"alkalog/service/timing"
	"alkalog/storage"
)

// inputVisits is how many past visits a decision's inputs hold in full; the rates
// and the growth on the card are computed from all of them. Our own choice: it keeps
// a decision small.
const inputVisits = 3

// Inputs reads everything that a decision on a consultation is made from. Every
// record is read for the caller, so a check cannot be used to learn about another
// salon's. The order of the reads is the order of the errors: a till shows the
// first. Numbers of the policy (Parameters) are resolved here and stored with the
// inputs, so a replay does not depend on the defaults of a later program.
func Inputs(r *storage.Snapshot, caller actor.Actor, engine *rules.Engine, req *pb.CheckEligibilityRequest, consultation *pb.Consultation, now time.Time) (in *pb.DecisionInputs, err error) {
	in = &pb.DecisionInputs{
		DecideTime:   timestamppb.New(now),
		Consultation: consultation,
		LotCode:      req.LotCode,
		ServiceKind:  req.ServiceKind,
		SectionIds:   req.SectionIds,
		WhatChanged:  req.WhatChanged,
	}
	client, err := Get(r, caller, storage.Clients, req.Parent)
	if err != nil {
		return nil, err
	}
	clients := Linked(client)
	in.BirthDate, in.BirthDateImported = client.BirthDate, client.BirthDate != "" && client.Source != nil
	if in.LinkedBirthDate, err = LinkedBirthDate(r, client); err != nil {
		return nil, err
	}
	if in.Product, err = Get(r, caller, storage.Products, req.Product); err != nil {
		return nil, err
	}
	if err = readSections(r, caller, in, req); err != nil {
		return nil, err
	}
	if in.Salon, err = Get(r, caller, storage.Salons, req.Salon); err != nil {
		return nil, err
	}
	if in.Practitioner, err = Get(r, caller, storage.Practitioners, req.Practitioner); err != nil {
		return nil, err
	}
	if req.Supervisor != "" {
		if in.Supervisor, err = Get(r, caller, storage.Practitioners, req.Supervisor); err != nil {
			return nil, err
		}
	}
	if in.HousePolicy, err = ActivePolicy(r); err != nil {
		return nil, err
	}
	in.Parameters = engine.Parameters(in.HousePolicy)
	if in.Incidents, err = linkedIncidents(r, clients); err != nil {
		return nil, err
	}
	recordCard, visits, _, err := CardAndVisits(r, clients, inputVisits)
	if err != nil {
		return nil, err
	}
	if in.RecordedWork, err = RecordedWork(r, visits); err != nil {
		return nil, err
	}
	if err = readImported(r, clients, in); err != nil {
		return nil, err
	}
	if len(recordCard.GetVisits()) > 0 { // not a first visit; incidents alone make no card
		in.RecordCard = recordCard
		in.RecordCard.Incidents, in.RecordCard.ImportedRecords = nil, nil // they are inputs of their own
	}
	if in.ApplicationPace, err = applicationPace(r, req.Practitioner); err != nil {
		return nil, err
	}
	in.AnswerChanges, err = answerChanges(r, engine, clients, in, now)
	return in, err
}

// InputsPlan adds what Inputs reads for a check to a plan, as far as the request tells:
// also what visits of the client lead to. now is the time of the check.
func InputsPlan(p *storage.Plan, req *pb.CheckEligibilityRequest, now time.Time) {
	storage.Clients.Want(p, req.Parent)
	storage.Products.Want(p, req.Product)
	for _, choice := range req.SectionChoices {
		storage.Products.Want(p, choice.GetProduct())
	}
	storage.Salons.Want(p, req.Salon)
	storage.Practitioners.Want(p, req.Practitioner, req.Supervisor)
	storage.WantActiveHousePolicy(p)
	IncidentsPlan(p, req.Parent)
	ImportedPlan(p, req.Parent)
	storage.WantVisits(p, req.Parent, storage.Page{Size: visitsRead}, inputVisits)
	storage.WantMeasuredOutcomes(p, req.Practitioner, paceVisits)
	storage.WantRecentDecisions(p, req.Parent, recentSince(now), recentDecisions)
}

// CallerPlan adds what ActingFor and Language read for a caller to a plan. name is of
// anything in the chain.
func CallerPlan(p *storage.Plan, caller actor.Actor, name string) {
	if caller.Role == pb.Role_ROLE_SUPERVISOR && len(caller.Salons) == 0 {
		storage.Practitioners.Want(p, caller.Name)
	}
	if caller.AcceptLanguage != "" {
		storage.Chains.Want(p, actor.ChainOf(name))
	}
}

// paceVisits is how many of a practitioner's newest visits the pace is learned from. Our
// own choice: people get faster, and after this many the pace hardly changes.
const paceVisits = 12

// applicationPace is how long a practitioner takes to apply a section, by the
// newest of the practitioner's own visits. Before any visit it is the usual figure.
func applicationPace(r *storage.Snapshot, practitioner string) (*pb.ApplicationPace, error) {
	outcomes, err := storage.MeasuredOutcomes(r, practitioner, paceVisits)
	if err != nil {
		return nil, err
	}
	var visits []*pb.ApplicationPace
	for _, o := range outcomes {
		visits = append(visits, o.ApplicationPace)
	}
	return timing.LearnPace(practitioner, visits), nil
}

// recentDecisions is how many of a client's newest decisions are read to find
// answers that changed since. Our own choice: nobody is refused more often in a
// day. It bounds the time of a check.
const recentDecisions = 50

// recentSince is the time from which decisions are read to find answers that changed. The
// database keeps microseconds, so it is a little before the time that counts.
func recentSince(now time.Time) time.Time { return now.Add(-rules.DecisionHolds - time.Millisecond) }

// answerChanges are the answers that changed since the client's refusals and
// referrals of the last 24 hours. A salon that changes answers until a refusal
// becomes a yes must find this on its own record: rules can name it and the audit
// log shows it. It is no error, since an answer may have been wrong.
func answerChanges(r *storage.Snapshot, engine *rules.Engine, clients []string, in *pb.DecisionInputs, now time.Time) ([]*pb.AnswerChange, error) {
	earlier, err := OfEach(clients, func(client string) ([]*rules.Earlier, error) {
		return storage.RecentDecisions(r, client, recentSince(now), recentDecisions, engine.Judge)
	})
	if err != nil {
		return nil, err
	}
	if len(clients) > 1 {
		slices.SortStableFunc(earlier, func(a, b *rules.Earlier) int { return b.CreateTime.Compare(a.CreateTime) })
	}
	earlier = slices.DeleteFunc(earlier, func(d *rules.Earlier) bool { return now.Sub(d.CreateTime) > rules.DecisionHolds })
	return engine.AnswerChanges(earlier, in)
}

// Decide decides on inputs as the code of a revision does. A check, a what-if,
// the start of a service and a replay all decide here. A plan is made unless the
// verdict is REFER or more severe, since a plan would invite to begin.
func Decide(engine *rules.Engine, revision int32, in *pb.DecisionInputs) (*pb.Decision, error) {
	d, err := engine.DecideAs(revision, in)
	if err != nil {
		return nil, err
	}
	d.Inputs = in
	if !contract.AtLeast(d.Verdict, pb.Verdict_VERDICT_REFER) {
		d.Plan = timing.Plan(rules.ExpandStatements(rules.TimedInputs(d)))
	}
	d.StandingVerdict = rules.Standing(d)
	return d, nil
}

// StoreDecision names a decision of a client and returns what to store: the
// decision, the policy it was made under if the chain does not have that yet, and
// its audit entries. A decision that DecideAgain made for a student keeps the
// student as its actor. d is changed: it gets its name and time.
func StoreDecision(r *storage.Snapshot, engine *rules.Engine, audit ledger.EntryContext, client string, d *pb.Decision) (storage.Changes, error) {
	d.Name = client + "/decisions/" + storage.NewID()
	d.CreateTime = timestamppb.New(audit.Time)
	if d.Actor == "" {
		d.Actor, d.Role = audit.Actor, audit.Role
	}
	records, err := storePolicy(r, engine, audit.Chain, d)
	bare := proto.CloneOf(d)
	bare.Overrides, bare.Countersignature = nil, nil // they are records of their own
	records = append(records, storage.Decisions.Insert(bare))
	return storage.Changes{Records: records, Entries: append(audit.Decided(bare), audit.AnswersChanged(bare)...)}, err
}

// storePolicy returns the records that keep the policy of a decision for ever:
// none once the chain has it. The text is what a replay compiles, years later and
// on a program with other rules.
func storePolicy(r *storage.Snapshot, engine *rules.Engine, chain string, d *pb.Decision) ([]storage.Record, error) {
	stored, err := storage.HasPolicyText(r, d.PolicyDigest)
	if err != nil || stored {
		return nil, err
	}
	var records []storage.Record
	for _, text := range engine.Texts(d.Inputs.HousePolicy) {
		// The built-in policy may be there already, under another house policy.
		if stored, err = storage.HasPolicyText(r, text.Digest); err != nil {
			return nil, err
		}
		if !stored {
			records = append(records, storage.InsertPolicyText(chain, text.Digest, text.Body))
		}
	}
	return records, nil
}
