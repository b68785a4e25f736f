// Package directory serves who works where: chains, salons and practitioners.
package directory

import (
	"cmp"
	"context"
	"fmt"
	"time"
	_ "time/tzdata" // the time zone database, on every machine alike

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// Service is the DirectoryService.
type Service struct {
	pb.UnimplementedDirectoryServiceServer

	DB  *storage.DB
	Now func() time.Time
}

// CreateChain creates a chain.
func (s Service) CreateChain(ctx context.Context, req *pb.CreateChainRequest) (*pb.CreateChainResponse, error) {
	name := "chains/" + req.ChainId
	return record.Create(ctx, s.DB, storage.Chains, s.Now(), req, name, req.Chain, record.Free, func(m *pb.Chain) *pb.CreateChainResponse {
		return &pb.CreateChainResponse{Chain: m}
	})
}

// GetChain returns a chain.
func (s Service) GetChain(ctx context.Context, req *pb.GetChainRequest) (*pb.GetChainResponse, error) {
	m, err := record.Read(ctx, s.DB, storage.Chains, req.Name)
	return &pb.GetChainResponse{Chain: m}, err
}

// ListChains lists the chains by name; only an operator may.
func (s Service) ListChains(ctx context.Context, req *pb.ListChainsRequest) (*pb.ListChainsResponse, error) {
	chains, next, err := storage.ListChains(ctx, s.DB, storage.Page{Size: req.PageSize, Token: req.PageToken})
	return &pb.ListChainsResponse{Chains: chains, NextPageToken: next}, err
}

// UpdateChain changes a chain. A shorter retention erases clients, so it stands on
// the audit log who changed it.
func (s Service) UpdateChain(ctx context.Context, req *pb.UpdateChainRequest) (*pb.UpdateChainResponse, error) {
	scene := record.Scene(ctx, req, req.GetChain().GetName(), s.Now())
	return record.Update(ctx, s.DB, storage.Chains, s.Now(), req, req.Chain, req.UpdateMask,
		record.Any[*pb.Chain],
		func(m *pb.Chain) *pb.UpdateChainResponse { return &pb.UpdateChainResponse{Chain: m} }, scene.RetentionChanged)
}

// CreateSalon creates a salon of a chain.
func (s Service) CreateSalon(ctx context.Context, req *pb.CreateSalonRequest) (*pb.CreateSalonResponse, error) {
	name := req.Parent + "/salons/" + req.SalonId
	check := record.All(record.Exist(storage.Chains, req.Parent), func(*storage.Snapshot) error {
		return cmp.Or(placed(req.Salon), timed(req.Salon))
	})
	return record.Create(ctx, s.DB, storage.Salons, s.Now(), req, name, req.Salon, check,
		func(m *pb.Salon) *pb.CreateSalonResponse { return &pb.CreateSalonResponse{Salon: m} })
}

// GetSalon returns a salon.
func (s Service) GetSalon(ctx context.Context, req *pb.GetSalonRequest) (*pb.GetSalonResponse, error) {
	m, err := record.Read(ctx, s.DB, storage.Salons, req.Name)
	return &pb.GetSalonResponse{Salon: m}, err
}

// ListSalons lists the salons of a chain by name.
func (s Service) ListSalons(ctx context.Context, req *pb.ListSalonsRequest) (*pb.ListSalonsResponse, error) {
	ms, next, err := record.List(ctx, s.DB, storage.Salons, req.Parent, req.PageSize, req.PageToken)
	return &pb.ListSalonsResponse{Salons: ms, NextPageToken: next}, err
}

// UpdateSalon changes a salon.
func (s Service) UpdateSalon(ctx context.Context, req *pb.UpdateSalonRequest) (*pb.UpdateSalonResponse, error) {
	return record.Update(ctx, s.DB, storage.Salons, s.Now(), req, req.Salon, req.UpdateMask,
		func(_ *storage.Snapshot, stored, amended *pb.Salon) error {
			if err := placed(amended); err != nil || amended.TimeZone == stored.TimeZone {
				return err
			}
			return timed(amended)
		},
		func(m *pb.Salon) *pb.UpdateSalonResponse { return &pb.UpdateSalonResponse{Salon: m} })
}

// placed refuses a region code and a jurisdiction that cannot both be right: which
// of the two is wrong decides which law is kept.
func placed(salon *pb.Salon) error {
	if !rules.Contradicts(salon.GetRegionCode(), salon.GetJurisdiction()) {
		return nil
	}
	return fault.Invalid("salon.region_code", fmt.Sprintf("must be a place of %s; for %s the jurisdiction is %s",
		salon.GetJurisdiction(), salon.GetRegionCode(), rules.OfRegion(salon.GetRegionCode())))
}

// timed refuses a time zone that does not exist. The time zone database is linked
// into the program, so that the answer is the same on every machine; names in
// lower case, such as "posixrules", are files of some systems and no time zones.
func timed(salon *pb.Salon) error {
	name := salon.GetTimeZone()
	if name == "" {
		return nil
	}
	if _, err := time.LoadLocation(name); err != nil || name == "Local" || name[0] >= 'a' {
		return fault.Invalid("salon.time_zone", `must be a time zone of the IANA database, such as "Europe/London", or empty`)
	}
	return nil
}

// CreatePractitioner enters somebody who works on clients; the salons named
// must exist.
func (s Service) CreatePractitioner(ctx context.Context, req *pb.CreatePractitionerRequest) (*pb.CreatePractitionerResponse, error) {
	name := req.Parent + "/practitioners/" + req.PractitionerId
	check := record.All(record.Exist(storage.Chains, req.Parent), record.Exist(storage.Salons, req.Practitioner.Salons...))
	return record.Create(ctx, s.DB, storage.Practitioners, s.Now(), req, name, req.Practitioner, check,
		func(m *pb.Practitioner) *pb.CreatePractitionerResponse {
			return &pb.CreatePractitionerResponse{Practitioner: m}
		})
}

// GetPractitioner returns a practitioner.
func (s Service) GetPractitioner(ctx context.Context, req *pb.GetPractitionerRequest) (*pb.GetPractitionerResponse, error) {
	m, err := record.Read(ctx, s.DB, storage.Practitioners, req.Name)
	return &pb.GetPractitionerResponse{Practitioner: m}, err
}

// ListPractitioners lists the practitioners of a chain by name.
func (s Service) ListPractitioners(ctx context.Context, req *pb.ListPractitionersRequest) (*pb.ListPractitionersResponse, error) {
	ms, next, err := record.List(ctx, s.DB, storage.Practitioners, req.Parent, req.PageSize, req.PageToken)
	return &pb.ListPractitionersResponse{Practitioners: ms, NextPageToken: next}, err
}

// UpdatePractitioner changes a practitioner; the salons named must exist.
func (s Service) UpdatePractitioner(ctx context.Context, req *pb.UpdatePractitionerRequest) (*pb.UpdatePractitionerResponse, error) {
	return record.Update(ctx, s.DB, storage.Practitioners, s.Now(), req, req.Practitioner, req.UpdateMask,
		func(r *storage.Snapshot, _, amended *pb.Practitioner) error {
			return record.Exist(storage.Salons, amended.Salons...)(r)
		},
		func(m *pb.Practitioner) *pb.UpdatePractitionerResponse {
			return &pb.UpdatePractitionerResponse{Practitioner: m}
		})
}
