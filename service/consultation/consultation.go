// Package consultation serves clients and their consultations: the intake
// before a service. What was seen is recorded, never a diagnosis.
package consultation

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/storage"
)

// Service is the ConsultationService.
type Service struct {
	pb.UnimplementedConsultationServiceServer

	DB  *storage.DB
	Now func() time.Time
	// List notes outside of the database that a client was erased, so that a
	// restored backup does not bring the client back. Nil: nowhere.
	List func(client string) error
}

// CreateClient takes a client in under a random pseudonym.
func (s Service) CreateClient(ctx context.Context, req *pb.CreateClientRequest) (*pb.CreateClientResponse, error) {
	name := req.Parent + "/clients/" + storage.NewID()
	return record.Create(ctx, s.DB, storage.Clients, s.Now(), req, name, req.Client,
		record.All(record.Exist(storage.Chains, req.Parent), record.BirthDate("client.birth_date", req.Client.GetBirthDate(), s.Now())),
		func(m *pb.Client) *pb.CreateClientResponse { return &pb.CreateClientResponse{Client: m} })
}

// GetClient returns a client.
func (s Service) GetClient(ctx context.Context, req *pb.GetClientRequest) (*pb.GetClientResponse, error) {
	m, err := record.Read(ctx, s.DB, storage.Clients, req.Name)
	return &pb.GetClientResponse{Client: m}, err
}

// ListClients lists the clients of a chain, newest first: all, or those whom a
// name or a contact finds.
func (s Service) ListClients(ctx context.Context, req *pb.ListClientsRequest) (*pb.ListClientsResponse, error) {
	wanted := storage.ClientLookup{DisplayName: req.DisplayName, Phone: req.Phone, Email: req.Email}
	if field, want := wanted.Vague(); field != "" {
		return nil, fault.Invalid(field, want)
	}
	answer := &pb.ListClientsResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		if err = record.Holds(req.Parent)(r); err == nil {
			answer.Clients, answer.NextPageToken, err = storage.FindClients(r, wanted, storage.Page{Size: req.PageSize, Token: req.PageToken})
		}
		return err
	})
	return answer, err
}

// UpdateClient changes a client.
func (s Service) UpdateClient(ctx context.Context, req *pb.UpdateClientRequest) (*pb.UpdateClientResponse, error) {
	return record.Update(ctx, s.DB, storage.Clients, s.Now(), req, req.Client, req.UpdateMask,
		func(r *storage.Snapshot, stored, amended *pb.Client) error {
			if amended.BirthDate == stored.BirthDate {
				return nil
			}
			return record.BirthDate("client.birth_date", amended.BirthDate, s.Now())(r)
		},
		func(m *pb.Client) *pb.UpdateClientResponse { return &pb.UpdateClientResponse{Client: m} })
}

// CreateConsultation begins a consultation as a draft.
func (s Service) CreateConsultation(ctx context.Context, req *pb.CreateConsultationRequest) (*pb.CreateConsultationResponse, error) {
	name := req.Parent + "/consultations/" + storage.NewID()
	check := record.All(record.Exist(storage.Clients, req.Parent), record.ConsultationInput("consultation", req.Parent, req.Consultation, s.Now()),
		record.ActingFor("consultation.practitioner", req.Consultation.GetPractitioner()))
	return record.Create(ctx, s.DB, storage.Consultations, s.Now(), req, name, req.Consultation, check,
		func(m *pb.Consultation) *pb.CreateConsultationResponse {
			return &pb.CreateConsultationResponse{Consultation: m}
		}, draft)
}

// draft marks a new consultation as one.
func draft(c *pb.Consultation) { c.State = pb.ConsultationState_CONSULTATION_STATE_DRAFT }

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

// UpdateConsultation changes a draft.
func (s Service) UpdateConsultation(ctx context.Context, req *pb.UpdateConsultationRequest) (*pb.UpdateConsultationResponse, error) {
	return record.Update(ctx, s.DB, storage.Consultations, s.Now(), req, req.Consultation, req.UpdateMask,
		func(r *storage.Snapshot, stored, amended *pb.Consultation) error {
			if err := frozen(stored); err != nil {
				return err
			}
			checks := []record.Check{record.ConsultationInput("consultation", record.Parent(amended.Name), amended, s.Now())}
			if amended.Practitioner != stored.Practitioner {
				checks = append(checks, record.ActingFor("consultation.practitioner", amended.Practitioner))
			}
			return record.All(checks...)(r)
		},
		func(m *pb.Consultation) *pb.UpdateConsultationResponse {
			return &pb.UpdateConsultationResponse{Consultation: m}
		})
}

// SubmitConsultation freezes a draft for ever.
func (s Service) SubmitConsultation(ctx context.Context, req *pb.SubmitConsultationRequest) (*pb.SubmitConsultationResponse, error) {
	now := s.Now()
	return storage.Write(ctx, s.DB, record.Chain(req.Name), req, func(r *storage.Snapshot) (*pb.SubmitConsultationResponse, storage.Changes, error) {
		stored, err := record.Fresh(r, storage.Consultations, req.Name, req.Etag)
		if err == nil {
			err = frozen(stored)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		submitted := proto.CloneOf(stored)
		submitted.State = pb.ConsultationState_CONSULTATION_STATE_SUBMITTED
		record.SetTime(submitted, "submit_time", now)
		record.SetTime(submitted, "update_time", now)
		replace := storage.Consultations.Replace(stored, submitted)
		return &pb.SubmitConsultationResponse{Consultation: submitted}, storage.Changes{Records: []storage.Record{replace}}, nil
	})
}

// frozen says that a submitted consultation stays as it is.
func frozen(c *pb.Consultation) error {
	if c.State != pb.ConsultationState_CONSULTATION_STATE_SUBMITTED {
		return nil
	}
	return fault.Precondition("CONSULTATION_SUBMITTED", c.Name,
		"the consultation was submitted and is frozen; begin a new one")
}
