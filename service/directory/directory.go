// Package directory is the DirectoryService: chains, their salons and the people
// who work in them. Decisions depend on these records (the law of a salon's
// place, the licence of a practitioner), so each change has an audit entry.
//
// Nearly every method is one call of package record, which does the work of
// creating, changing, reading and listing. What is of this package is the checks:
// a place and a jurisdiction that do not contradict each other, a time zone that
// exists, salons that exist. Nothing can be deleted, because decisions and
// entries name these records for ever.
//
// DescribeCaller answers who calls and what that caller may do, so that a till
// can show the right screens before the first failure.
package directory

import (
	"context"
	"fmt"
	"time"
	_ "time/tzdata" // the time zone database, on every machine alike

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// Service is the DirectoryService.
type Service struct {
	pb.UnimplementedDirectoryServiceServer

	// Now is the reference clock; tests inject theirs.
	DB  *storage.DB
	Now func() time.Time
	// Limits are those that the server is configured with, without RequestDays,
	// which each chain sets.
	Limits *pb.CallerLimits
	// Methods returns the methods that a caller may call.
	Methods func(actor.Actor) []string
}

// chains is how chains are stored. A change of retention has an audit entry,
// because a shorter one erases clients.
func (s Service) chains() record.Kind[*pb.Chain] {
	return record.Kind[*pb.Chain]{DB: s.DB, Now: s.Now, Store: storage.Chains, Check: s.checkKind, ChangeEntry: ledger.EntryContext.RetentionChanged}
}

// checkKind keeps the kind of a chain as it was created, since a school holds no clients
// and salons no cases. Servers of older versions do not know schools and would take
// clients into one.
func (s Service) checkKind(_ *storage.Snapshot, _ actor.Actor, stored, wanted *pb.Chain) error {
	switch {
	case stored != nil && stored.Kind != wanted.Kind:
		return fault.Invalid("chain.kind", "must stay as it is: it is fixed when the chain is created; create another chain")
	case stored == nil && wanted.Kind == pb.ChainKind_CHAIN_KIND_SCHOOL:
		return record.Upgraded(s.DB, storage.SchoolSchema, pb.ErrorReason_ERROR_REASON_SCHOOL_NEEDS_UPGRADE, wanted.Name, "take clients into a school")
	}
	return nil
}

// salons is how salons are stored. A salon is also where the law and the time
// zone of its decisions come from.
func (s Service) salons() record.Kind[*pb.Salon] {
	return record.Kind[*pb.Salon]{DB: s.DB, Now: s.Now, Store: storage.Salons, Check: checkSalon}
}

// practitioners is how practitioners are stored: the salons named must exist.
func (s Service) practitioners() record.Kind[*pb.Practitioner] {
	return record.Kind[*pb.Practitioner]{DB: s.DB, Now: s.Now, Store: storage.Practitioners,
		Check: func(r *storage.Snapshot, caller actor.Actor, _, wanted *pb.Practitioner) error {
			return record.Exist(storage.Salons, wanted.Salons...)(r, caller)
		}}
}

// CreateChain creates a chain. Only an operator may (access in the contract). The
// id is the caller's and never changes, since every name in the chain begins with
// it.
func (s Service) CreateChain(ctx context.Context, req *pb.CreateChainRequest) (*pb.CreateChainResponse, error) {
	return record.Create[*pb.CreateChainResponse](ctx, s.chains(), req, "chains/"+req.ChainId, req.Chain)
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

// UpdateChain changes a chain. Its retention may be shortened: clients beyond it
// are then erased by the next run of the retention (package consultation).
func (s Service) UpdateChain(ctx context.Context, req *pb.UpdateChainRequest) (*pb.UpdateChainResponse, error) {
	return record.Update[*pb.UpdateChainResponse](ctx, s.chains(), req, req.Chain, req.UpdateMask)
}

// CreateSalon creates a salon of a chain. Errors: NOT_FOUND for the chain,
// ALREADY_EXISTS, INVALID_ARGUMENT for a place that does not exist.
func (s Service) CreateSalon(ctx context.Context, req *pb.CreateSalonRequest) (*pb.CreateSalonResponse, error) {
	return record.Create[*pb.CreateSalonResponse](ctx, s.salons(), req, req.Parent+"/salons/"+req.SalonId, req.Salon)
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
	return record.Update[*pb.UpdateSalonResponse](ctx, s.salons(), req, req.Salon, req.UpdateMask)
}

// checkSalon checks where a salon is. A time zone that was stored is not checked
// again: an older database of time zones may have known it.
func checkSalon(_ *storage.Snapshot, _ actor.Actor, stored, wanted *pb.Salon) error {
	if err := checkJurisdiction(wanted); err != nil || wanted.TimeZone == stored.GetTimeZone() {
		return err
	}
	return checkTimeZone(wanted)
}

// checkJurisdiction refuses a region code and a jurisdiction that contradict one
// another: the jurisdiction decides which law the rules apply.
func checkJurisdiction(salon *pb.Salon) error {
	if !rules.Contradicts(salon.GetRegionCode(), salon.GetJurisdiction()) {
		return nil
	}
	return fault.Invalid("salon.region_code", fmt.Sprintf("must be a place of %s; for %s the jurisdiction is %s",
		salon.GetJurisdiction(), salon.GetRegionCode(), rules.OfRegion(salon.GetRegionCode())))
}

// checkTimeZone refuses a time zone that does not exist. The time zone database is
// linked into the program, so the answer is the same on every machine. Names in
// lower case, such as "posixrules", are files of some systems, not time zones.
func checkTimeZone(salon *pb.Salon) error {
	name := salon.GetTimeZone()
	if name == "" {
		return nil
	}
	if _, err := time.LoadLocation(name); err != nil || name == "Local" || name[0] >= 'a' {
		return fault.Invalid("salon.time_zone", `must be a time zone of the IANA database, such as "Europe/London", or empty`)
	}
	return nil
}

// CreatePractitioner adds a person who works on clients.
func (s Service) CreatePractitioner(ctx context.Context, req *pb.CreatePractitionerRequest) (*pb.CreatePractitionerResponse, error) {
	return record.Create[*pb.CreatePractitionerResponse](ctx, s.practitioners(), req, req.Parent+"/practitioners/"+req.PractitionerId, req.Practitioner)
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

// UpdatePractitioner changes a practitioner. A changed licence or role counts
// from the next decision; a service that is about to start is decided again.
func (s Service) UpdatePractitioner(ctx context.Context, req *pb.UpdatePractitionerRequest) (*pb.UpdatePractitionerResponse, error) {
	return record.Update[*pb.UpdatePractitionerResponse](ctx, s.practitioners(), req, req.Practitioner, req.UpdateMask)
}
