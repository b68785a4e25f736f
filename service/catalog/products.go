// Package catalog serves products with their directions and lots, and the rules
// that hold in a chain.
package catalog

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/alkali"
	"alkalog/service/fault"
	"alkalog/service/gs1"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
	"alkalog/storage/lotcode"
)

// Service is the CatalogService.
type Service struct {
	pb.UnimplementedCatalogServiceServer

	DB    *storage.DB
	Now   func() time.Time
	Rules *rules.Engine
}

// products is how products are stored. A declaration must be chemically possible,
// the products that the directions name must exist, and a recall stays.
func (s Service) products() record.Kind[*pb.Product] {
	return record.Kind[*pb.Product]{DB: s.DB, Now: s.Now, Store: storage.Products, Fill: keepRecalls,
		Check: func(r *storage.Snapshot, caller actor.Actor, _, wanted *pb.Product) error {
			if err := checkPlausible(wanted); err != nil {
				return err
			}
			if err := checkGTINs(wanted); err != nil {
				return err
			}
			return record.Exist(storage.Products, wanted.GetDirections().GetNormalizer(), wanted.GetDirections().GetNeutralizingShampoo())(r, caller)
		}}
}

// CreateProduct adds a product to the catalogue.
//
// The recalls that a caller writes into the lots are removed from the request
// itself, before it is stored: earlier releases stored requests in this form, and
// a retry across an upgrade must find the request equal to the stored one.
func (s Service) CreateProduct(ctx context.Context, req *pb.CreateProductRequest) (*pb.CreateProductResponse, error) {
	for _, lot := range req.Product.GetLots() {
		record.Clear(lot)
	}
	return record.Create[*pb.CreateProductResponse](ctx, s.products(), req, req.Parent+"/products/"+req.ProductId, req.Product)
}

// GetProduct returns a product.
func (s Service) GetProduct(ctx context.Context, req *pb.GetProductRequest) (*pb.GetProductResponse, error) {
	m, err := record.Read(ctx, s.DB, storage.Products, req.Name)
	return &pb.GetProductResponse{Product: m}, err
}

// ListProducts lists the products of a chain by name.
func (s Service) ListProducts(ctx context.Context, req *pb.ListProductsRequest) (*pb.ListProductsResponse, error) {
	ms, next, err := record.List(ctx, s.DB, storage.Products, req.Parent, req.PageSize, req.PageToken)
	return &pb.ListProductsResponse{Products: ms, NextPageToken: next}, err
}

// UpdateProduct changes a product.
func (s Service) UpdateProduct(ctx context.Context, req *pb.UpdateProductRequest) (*pb.UpdateProductResponse, error) {
	return record.Update[*pb.UpdateProductResponse](ctx, s.products(), req, req.Product, req.UpdateMask)
}

// checkPlausible refuses a chemically impossible declaration.
func checkPlausible(p *pb.Product) error {
	declared, index := alkali.Declared(p)
	var violations []fault.Violation
	for _, o := range alkali.Plausible(declared) {
		field := "product.ingredients"
		switch {
		case o.About == alkali.AboutPH:
			field = "product.declared_ph"
		case o.Part >= 0:
			field = fmt.Sprintf("product.ingredients[%d].mass_percent", index[o.Part])
		}
		violations = append(violations, fault.Violation{Field: field, Want: o.Text})
	}
	if len(violations) > 0 {
		return fault.InvalidFields(violations...)
	}
	return nil
}

// checkGTINs refuses an article number with a wrong check digit.
func checkGTINs(p *pb.Product) error {
	for i, gtin := range p.Gtins {
		if bad := new(gs1.Error); errors.As(gs1.CheckGTIN(gtin), &bad) {
			return fault.Invalid(fmt.Sprintf("product.gtins[%d]", i), bad.Want)
		}
	}
	return nil
}

// keepRecalls copies the recalls of the stored product, nil on creation, into the
// wanted one: a caller can neither make a recall by naming a lot so nor end one by
// leaving the lot out. Only RecallLot recalls.
func keepRecalls(stored, amended *pb.Product) {
	for _, lot := range amended.Lots {
		record.Clear(lot)
	}
	for _, recalled := range stored.GetLots() {
		if recalled.RecallTime == nil {
			continue
		}
		for _, lot := range lotsOf(amended, recalled.LotCode) {
			lot.RecallTime, lot.RecallReason = recalled.RecallTime, recalled.RecallReason
		}
	}
}

// lotsOf returns the lots of that code, however it is spelled; one is added if
// the product has none yet.
func lotsOf(p *pb.Product, code string) []*pb.Lot {
	var lots []*pb.Lot
	for _, lot := range p.Lots {
		if lot.LotCode == code || lotcode.Same(lot.LotCode, code) {
			lots = append(lots, lot)
		}
	}
	if len(lots) == 0 {
		lots = []*pb.Lot{{LotCode: code}}
		p.Lots = append(p.Lots, lots...)
	}
	return lots
}

// RecallLot blocks a lot for every later decision and lists the sessions that
// used it.
func (s Service) RecallLot(ctx context.Context, req *pb.RecallLotRequest) (*pb.RecallLotResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Name, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(req.Name), req, func(r *storage.Snapshot) (*pb.RecallLotResponse, storage.Changes, error) {
		stored, err := record.Get(r, caller, storage.Products, req.Name)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		answer := &pb.RecallLotResponse{Product: stored}
		if err := listUses(r, caller, answer, storage.SessionFilter{Product: req.Name, LotCode: req.LotCode}); err != nil {
			return nil, storage.Changes{}, err
		}
		product := proto.CloneOf(stored)
		lots := lotsOf(product, req.LotCode)
		if !slices.ContainsFunc(lots, func(lot *pb.Lot) bool { return lot.RecallTime == nil }) {
			return answer, storage.Changes{}, nil
		}
		for _, lot := range lots {
			if lot.RecallTime == nil {
				lot.RecallTime, lot.RecallReason = timestamppb.New(audit.Time), req.Reason
			}
		}
		record.SetTime(product, "update_time", audit.Time)
		replace := storage.Products.Replace(stored, product)
		answer.Product = product
		return answer, storage.Changes{
			Records: []storage.Record{replace},
			Entries: []*pb.AuditEntry{audit.Recalled(stored, product, req.LotCode)},
		}, nil
	})
}

// sessionsListed is how many sessions the answer to a recall names; ListSessions
// pages through them all. The contract says so.
const sessionsListed = 500

// listUses fills in the sessions that used what is recalled.
func listUses(r *storage.Snapshot, caller actor.Actor, answer *pb.RecallLotResponse, uses storage.SessionFilter) error {
	count, err := storage.CountSessions(r, uses)
	if err != nil {
		return err
	}
	// A recall concerns everybody: all uses are counted, and those named that the
	// caller may see.
	sessions, _, err := record.Pages(r, caller, storage.Page{Size: sessionsListed}, func(page storage.Page) ([]*pb.Session, string, error) {
		return storage.ListSessions(r, uses, page)
	})
	if err != nil {
		return err
	}
	answer.SessionCount = int32(count)
	for _, session := range sessions {
		answer.Sessions = append(answer.Sessions, session.Name)
	}
	return nil
}
