// Package consultation serves clients and their consultations: the intake before a service.
// What was seen is recorded, never a diagnosis.
//
// # A consultation
//
// A consultation begins as a draft, empty (CreateConsultation) or with what is lasting of
// the client's record (DraftConsultation). It is filled answer by answer
// (AnswerConsultation) or part by part (UpdateConsultation) and is frozen by
// SubmitConsultation. A decision may be made on a draft too, because a till asks again
// after each answer; it keeps the consultation as it was at that moment, so a later answer
// never changes what a decision was made from.
//
// What was not asked is not answered. There is no default answer: an unanswered question is
// neither yes nor no, and package rules asks it as long as it can matter.
//
// # Who may change what
//
// Everybody who serves clients may fill a draft of a salon that they work in. The
// practitioner of a consultation must be somebody for whom the caller may act
// (record.ActingFor), which is checked when that field changes. Consultations are read
// within the salons of the caller, like sessions; clients belong to the chain.
//
// # Two tills, one draft
//
// Two people often fill one draft: one asks at the desk, one looks at the scalp. A write is
// decided on one snapshot and runs again when the record was changed meanwhile, so an
// answer by path never meets an older state of its neighbours. An update mask does: it
// names whole parts, and its new values were put together from what the caller had read.
// So it must carry the etag when it would take an answer away.
//
// # One person, two records
//
// A busy desk enters somebody a second time: another salon, a married name, a new
// telephone. The second record has no history, and a relaxer goes onto hair that was
// relaxed three weeks ago. LinkClients says that the two are one person.
//
// Nothing moves. Names of records are on paper, on the audit log and in other systems, so
// each record stays where it is, and UnlinkClients can undo a mistake completely. What
// reads the history of a client for a decision, a form, a draft or a card reads that of
// all linked clients (package record, linked.go). What lists the records of a client lists
// those of that client.
//
// A link never makes anything milder than the history of one of the clients alone: it may
// be wrong. It is for a manager of the whole chain to make, because the records of all
// salons change their effect, and not during a session, because its limits were decided
// without it.
//
// # What happens to a client's data
//
// Clients and consultations are sealed with the client's own key inside package storage.
// ExportClient hands out everything in one file, EraseClient destroys the key, and
// RunRetention erases clients whose period is over. Nothing here writes personal data to
// the server's log or to the audit log; the texts of errors name fields, not answers.
//
// # Errors
//
// Bad input is INVALID_ARGUMENT and names each field and what would be right; it changes
// nothing. CONSULTATION_SUBMITTED is for a frozen consultation, ETAG_MISMATCH for one that
// was changed since it was read, NOT_FOUND for what does not exist or is not the caller's
// to see.
//
// # Files
//
// consultation.go has the calls on whole records, answers.go those on single answers,
// origins.go where answers come from, link.go links between clients, draft.go what is read for a draft, carry.go what of
// it is carried; export.go, erase.go and retention.go are about the end of a record.
package consultation

import (
	"context"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// Service is the ConsultationService.
type Service struct {
	pb.UnimplementedConsultationServiceServer

	DB  *storage.DB
	Now func() time.Time
	// Rules is the engine with the built-in policy: it knows the statements and the
	// questions.
	Rules *rules.Engine
	// Erasures notes outside of the database which clients were erased, so that a
	// restored backup does not bring them back. Nil: nowhere.
	Erasures ErasureList
}

// clients is how clients are stored. A birth date is checked only when it changes, so that
// a client whose stored date was accepted before a stricter check can still be renamed.
func (s Service) clients() record.Kind[*pb.Client] {
	return record.Kind[*pb.Client]{DB: s.DB, Now: s.Now, Store: storage.Clients,
		Check: func(r *storage.Snapshot, caller actor.Actor, stored, wanted *pb.Client) error {
			if stored == nil {
				if err := record.NoClientsInSchool(actor.ChainOf(wanted.Name))(r, caller); err != nil {
					return err
				}
			}
			// Only a new id is looked up: everything else is changed without that cost.
			if wanted.ExternalId != stored.GetExternalId() {
				if err := externalIDIsFree(r, wanted); err != nil {
					return err
				}
			}
			if wanted.BirthDate == stored.GetBirthDate() {
				return nil
			}
			return record.CheckBirthDate("client.birth_date", wanted.BirthDate, s.Now())
		}}
}

// externalIDIsFree refuses the external id of another client. The database refuses it too, at
// the commit; this check says which client has it, so that the person can look at that one.
func externalIDIsFree(r *storage.Snapshot, c *pb.Client) error {
	found, err := storage.FindExternal(r, storage.OfClients, []string{c.ExternalId})
	if err != nil || c.ExternalId == "" {
		return err
	}
	if other, taken := found[c.ExternalId]; taken {
		if name := record.Parent(c.Name) + "/clients/" + other.Client; name != c.Name {
			return fault.Exists(name)
		}
	}
	return nil
}

// consultations is how consultations are stored: a new one is a draft, and a draft
// may change until it is submitted. The origins that a caller sends are checked before the
// answers, and put right after them: only then is it known which answers changed.
func (s Service) consultations() record.Kind[*pb.Consultation] {
	return record.Kind[*pb.Consultation]{DB: s.DB, Now: s.Now, Store: storage.Consultations,
		Check: func(r *storage.Snapshot, caller actor.Actor, stored, wanted *pb.Consultation) error {
			if err := checkOrigins(stored, wanted); err != nil {
				return err
			}
			return s.checkDraft(r, caller, stored, wanted)
		},
		Fill: func(stored, wanted *pb.Consultation) {
			wanted.State = pb.ConsultationState_CONSULTATION_STATE_DRAFT
			settleOrigins(stored, wanted, s.Now())
		}}
}

// checkDraft checks the answers of a draft, and that the caller may act for the
// practitioner if that changes. Every way to write a consultation ends here, so an answer
// by path, a part by mask and a carried answer obey the same rules. It completes the
// statements that were given. stored is nil for a new one.
func (s Service) checkDraft(r *storage.Snapshot, caller actor.Actor, stored, wanted *pb.Consultation) error {
	if err := requireDraft(stored); err != nil {
		return err
	}
	checks := []record.Check{record.ConsultationInput("consultation", record.Parent(wanted.Name), wanted, s.Now())}
	if wanted.Practitioner != stored.GetPractitioner() {
		checks = append(checks, record.ActingFor("consultation.practitioner", wanted.Practitioner))
	}
	if err := record.All(checks...)(r, caller); err != nil {
		return err
	}
	return record.FillStatements(r, caller, s.Rules, "consultation", record.Parent(wanted.Name), stored, wanted, s.Now())
}

// CreateClient adds a client under a random pseudonym, because the name of a record is in
// logs, on the audit log and on paper, where it must say nothing of the person.
func (s Service) CreateClient(ctx context.Context, req *pb.CreateClientRequest) (*pb.CreateClientResponse, error) {
	return record.Create[*pb.CreateClientResponse](ctx, s.clients(), req, req.Parent+"/clients/"+storage.NewID(), req.Client)
}

// GetClient returns a client.
func (s Service) GetClient(ctx context.Context, req *pb.GetClientRequest) (*pb.GetClientResponse, error) {
	m, err := record.Read(ctx, s.DB, storage.Clients, req.Name)
	return &pb.GetClientResponse{Client: m}, err
}

// ListClients lists the clients of a chain, newest first: all, or those whom a
// name or a contact finds. A lookup that is too short to mean one person is refused with
// the field that is too vague, because its answer would be a list of strangers.
func (s Service) ListClients(ctx context.Context, req *pb.ListClientsRequest) (*pb.ListClientsResponse, error) {
	caller := actor.From(ctx)
	wanted := storage.ClientLookup{DisplayName: req.DisplayName, Phone: req.Phone, Email: req.Email, Search: req.Search, ExternalID: req.ExternalId}
	if field, want := wanted.Invalid(); field != "" {
		return nil, fault.Invalid(field, want)
	}
	answer := &pb.ListClientsResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		if err = record.ParentExists(req.Parent)(r, caller); err == nil {
			answer.Clients, answer.NextPageToken, err = storage.FindClients(r, wanted, storage.Page{Size: req.PageSize, Token: req.PageToken})
		}
		return err
	})
	return answer, err
}

// UpdateClient changes a client.
func (s Service) UpdateClient(ctx context.Context, req *pb.UpdateClientRequest) (*pb.UpdateClientResponse, error) {
	return record.Update[*pb.UpdateClientResponse](ctx, s.clients(), req, req.Client, req.UpdateMask)
}

// CreateConsultation begins a consultation as a draft.
func (s Service) CreateConsultation(ctx context.Context, req *pb.CreateConsultationRequest) (*pb.CreateConsultationResponse, error) {
	return record.Create[*pb.CreateConsultationResponse](ctx, s.consultations(), req, req.Parent+"/consultations/"+storage.NewID(), req.Consultation)
}

// GetConsultation returns a consultation.
func (s Service) GetConsultation(ctx context.Context, req *pb.GetConsultationRequest) (*pb.GetConsultationResponse, error) {
	m, err := record.Read(ctx, s.DB, storage.Consultations, req.Name)
	return &pb.GetConsultationResponse{Consultation: m}, err
}

// ListConsultations lists the consultations of a client, newest first.
func (s Service) ListConsultations(ctx context.Context, req *pb.ListConsultationsRequest) (*pb.ListConsultationsResponse, error) {
	ms, next, err := record.List(ctx, s.DB, storage.Consultations, req.Parent, req.PageSize, req.PageToken)
	return &pb.ListConsultationsResponse{Consultations: ms, NextPageToken: next}, err
}

// UpdateConsultation changes a draft, part by part. A caller who has not read the draft
// (no etag) must not take answers away that somebody else gave: a forgotten "broken skin:
// yes" is a burn. Everything else works without an etag, as it always did.
func (s Service) UpdateConsultation(ctx context.Context, req *pb.UpdateConsultationRequest) (*pb.UpdateConsultationResponse, error) {
	kind := s.consultations()
	check := kind.Check
	kind.Check = func(r *storage.Snapshot, caller actor.Actor, stored, wanted *pb.Consultation) error {
		if lost := lostAnswers(stored, wanted); req.Consultation.GetEtag() == "" && len(lost) > 0 {
			return fault.Invalid("consultation.etag", "must be the etag that was read, because answers would be taken away: "+
				strings.Join(lost, ", ")+"; AnswerConsultation changes single answers")
		}
		return check(r, caller, stored, wanted)
	}
	return record.Update[*pb.UpdateConsultationResponse](ctx, kind, req, req.Consultation, req.UpdateMask)
}

// SubmitConsultation freezes a draft for ever. It is not complete by that: whether enough
// was asked is for a decision to say. Submitting twice is an error and no repetition,
// unless the request id is the same.
func (s Service) SubmitConsultation(ctx context.Context, req *pb.SubmitConsultationRequest) (*pb.SubmitConsultationResponse, error) {
	caller := actor.From(ctx)
	now := s.Now()
	submittedNow := false // not when the answer is that of an earlier attempt
	answer, err := storage.Write(ctx, s.DB, record.Chain(req.Name), req, func(r *storage.Snapshot) (*pb.SubmitConsultationResponse, storage.Changes, error) {
		submittedNow = true
		stored, err := record.GetFresh(r, caller, storage.Consultations, req.Name, req.Etag)
		if err == nil {
			err = requireDraft(stored)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		submitted := proto.CloneOf(stored)
		submit(submitted, now)
		replace := storage.Consultations.Replace(stored, submitted)
		return &pb.SubmitConsultationResponse{Consultation: submitted}, storage.Changes{Records: []storage.Record{replace}}, nil
	})
	if err == nil && submittedNow {
		s.countStatements(answer.Consultation, now)
	}
	return answer, err
}

// submit freezes a consultation: from now on its answers cannot change, and a service can
// begin on a decision about it.
func submit(c *pb.Consultation, now time.Time) {
	c.State = pb.ConsultationState_CONSULTATION_STATE_SUBMITTED
	record.SetTime(c, "submit_time", now)
	record.SetTime(c, "update_time", now)
}

// requireDraft refuses to change a submitted consultation; nil is none yet.
func requireDraft(c *pb.Consultation) error {
	if c.GetState() != pb.ConsultationState_CONSULTATION_STATE_SUBMITTED {
		return nil
	}
	return fault.Precondition(pb.ErrorReason_ERROR_REASON_CONSULTATION_SUBMITTED, c.Name,
		"the consultation was submitted and is frozen; begin a new one")
}
