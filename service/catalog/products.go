// Package catalog is the CatalogService: products with their directions and lots,
// scanned packs, house policies, and the list of rules that apply in a chain.
//
// Products. A product is the maker's declaration. One that is chemically
// impossible is refused with a violation for each field (package alkali), because
// rules compute with it. Products that the directions name must exist. Lots are
// compared by a key (storage/lotcode), so the spelling on a form does not matter.
// A recall is set by RecallLot only and no update removes it. A scanned pack is
// read by package gs1 and looked up here.
//
// House policies. A chain may add rules of its own to the built-in ones. A policy
// is uploaded as a draft, previewed on past decisions, and activated; at most one
// is in force (a unique index ensures it), and activating one retires the other in
// the same write. A rule that cannot be evaluated is refused at upload, so that
// the mistake shows there and not in the salon. The text of a policy never
// changes; a correction is a new policy.
//
// Every change of a product or a policy is committed with its audit entry, since
// decisions depend on them. Decisions hold a copy of what they used, so a later
// change does not affect a stored decision; the start of a session decides again
// on the current records.
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

// Service implements the CatalogService. Rules is the engine with the built-in
// policy. It is compiled once at startup; house policies are compiled when they
// are first used.
type Service struct {
	pb.UnimplementedCatalogServiceServer

	DB    *storage.DB
	Now   func() time.Time
	Rules *rules.Engine
}

// products is how products are stored: the declaration must be possible, the
// products that the directions name must exist, and recalls are kept. Recalls are
// put back after the check, by keepRecalls.
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

// UpdateProduct changes a product. Errors are those of CreateProduct, and ABORTED
// for another etag. Decisions that were made hold a copy of the product as it
// was.
func (s Service) UpdateProduct(ctx context.Context, req *pb.UpdateProductRequest) (*pb.UpdateProductResponse, error) {
	return record.Update[*pb.UpdateProductResponse](ctx, s.products(), req, req.Product, req.UpdateMask)
}

// checkPlausible refuses a chemically impossible declaration. Each violation
// names the field with its index in the request, since a till marks the field
// that must be corrected; percentages are % m/m. Nothing is corrected: a
// declaration that was typed wrong must be typed again, from the pack.
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

// checkGTINs refuses an article number with a wrong check digit. A wrong digit
// would let a scan find another product.
func checkGTINs(p *pb.Product) error {
	for i, gtin := range p.Gtins {
		if bad := new(gs1.Error); errors.As(gs1.CheckGTIN(gtin), &bad) {
			return fault.Invalid(fmt.Sprintf("product.gtins[%d]", i), bad.Want)
		}
	}
	return nil
}

// keepRecalls copies the recalls of the stored product, nil on creation, into the
// wanted one. Callers can neither recall a lot by writing recall_time nor end a
// recall by leaving the lot out or spelling it differently. Only RecallLot
// recalls.
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

// lotsOf returns the lots with that code in any spelling. If the product has none,
// it adds one: a recalled lot is blocked although nobody ever entered it.
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
// used it. Recalling a lot again changes nothing and lists the uses of that
// moment: tills that were offline send sessions late. The write is guarded by the
// product's version. Sessions in progress are listed like closed ones.
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
// pages through them all. The contract says so. It bounds the size of the answer,
// not of the recall.
const sessionsListed = 500

// listUses adds the sessions that used what is recalled to the answer. The count
// covers all salons, because a recall concerns everybody; the names are those of
// the sessions that the caller may see. The list is cut at sessionsListed, the
// count is not.
func listUses(r *storage.Snapshot, caller actor.Actor, answer *pb.RecallLotResponse, uses storage.SessionFilter) error {
	count, err := storage.CountSessions(r, uses)
	if err != nil {
		return err
	}
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
