package catalog

import (
	"context"
	"errors"
	"slices"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/gs1"
	"alkalog/service/record"
	"alkalog/storage"
	"alkalog/storage/lotcode"
)

// ScanPack says what a scanned pack is. A pack whose product is not known is
// looked for among the recalled lots of every product: the recall of a lot must
// not depend on an article number that nobody entered. Only reading fails with
// INVALID_ARGUMENT; everything that is odd about a readable pack is a finding in
// the answer, since the stylist has the pack in hand and must be told what to do.
// Nothing is stored.
func (s Service) ScanPack(ctx context.Context, req *pb.ScanPackRequest) (*pb.ScanPackResponse, error) {
	now := s.Now()
	pack, err := gs1.Parse(string(req.Scan), now)
	if bad := new(gs1.Error); errors.As(err, &bad) {
		return nil, fault.Invalid("scan", bad.Want)
	}
	var products []*pb.Product
	err = storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		products, err = allProducts(r, actor.From(ctx), req.Parent)
		return err
	})
	if err != nil {
		return nil, err
	}
	return describePack(pack, products, now), nil
}

// allProducts reads every product of a chain, by name. Lots are inside the
// products, and article numbers and lot codes are compared in several spellings,
// so no query of the database can look for them.
func allProducts(r *storage.Snapshot, caller actor.Actor, chain string) ([]*pb.Product, error) {
	if err := record.ParentExists(chain)(r, caller); err != nil {
		return nil, err
	}
	var all []*pb.Product
	for page := (storage.Page{Size: 500}); ; {
		products, next, err := storage.Products.List(r, chain, page)
		if err != nil {
			return nil, err
		}
		all = append(all, products...)
		if page.Token = next; next == "" {
			return all, nil
		}
	}
}

// describePack compares a pack with the catalogue. The date on the pack wins over
// the date in the catalogue, which somebody typed. A date of the catalogue counts
// only if product and lot are both certain.
func describePack(pack gs1.Pack, products []*pb.Product, now time.Time) *pb.ScanPackResponse {
	answer := &pb.ScanPackResponse{Gtin: pack.GTIN, ExpireDate: dateOf(pack.Expires), BestBeforeDate: dateOf(pack.BestBefore), ProduceDate: dateOf(pack.Produced)}
	matching := slices.DeleteFunc(slices.Clone(products), func(p *pb.Product) bool {
		return pack.GTIN == "" || !slices.ContainsFunc(p.Gtins, func(gtin string) bool { return gs1.Fill(gtin) == pack.GTIN })
	})
	for _, p := range matching {
		answer.Products = append(answer.Products, p.Name)
	}
	switch len(matching) {
	case 0:
		answer.Findings = append(answer.Findings, pb.PackFinding_PACK_FINDING_PRODUCT_UNKNOWN)
		matching = products
	case 1:
	default:
		answer.Findings = append(answer.Findings, pb.PackFinding_PACK_FINDING_SEVERAL_PRODUCTS)
	}
	switch len(pack.Lots) {
	case 0:
		answer.Findings = append(answer.Findings, pb.PackFinding_PACK_FINDING_LOT_MISSING)
	case 1:
		answer.LotCode = pack.Lots[0]
	default:
		answer.PossibleLotCodes = pack.Lots
		answer.Findings = append(answer.Findings, pb.PackFinding_PACK_FINDING_LOT_AMBIGUOUS)
	}
	expires := pack.Expires
	for _, lot := range lotsRead(pack, matching) {
		if lot.RecallTime != nil && answer.RecallTime == nil {
			answer.RecallTime, answer.RecallReason = lot.RecallTime, lot.RecallReason
			answer.Findings = append(answer.Findings, pb.PackFinding_PACK_FINDING_RECALLED)
		}
		if expires.IsZero() && lot.ExpireTime != nil && len(answer.Products) == 1 && answer.LotCode != "" {
			expires = lot.ExpireTime.AsTime()
			answer.ExpireDate = dateOf(expires)
		}
	}
	switch {
	case expires.IsZero():
		answer.Findings = append(answer.Findings, pb.PackFinding_PACK_FINDING_EXPIRY_UNKNOWN)
	case pastEverywhere(expires, now):
		answer.Findings = append(answer.Findings, pb.PackFinding_PACK_FINDING_EXPIRED)
	}
	return answer
}

// lotsRead are the lots of the products that a reading of the scan names. Codes
// are compared in any spelling, because a lot is typed in as people read it.
func lotsRead(pack gs1.Pack, products []*pb.Product) (lots []*pb.Lot) {
	for _, p := range products {
		for _, lot := range p.Lots {
			if slices.ContainsFunc(pack.Lots, func(code string) bool { return lotcode.Same(code, lot.LotCode) }) {
				lots = append(lots, lot)
			}
		}
	}
	return lots
}

// pastEverywhere reports whether a day is over in every time zone: in the last,
// UTC minus 12 hours, it ends 36 hours after it began in UTC. Our own choice:
// nobody is told that a pack has expired before it has at the salon.
func pastEverywhere(day, now time.Time) bool { return !now.Before(day.Add(36 * time.Hour)) }

// dateOf is a day as a calendar date; nil for none. Dates on packs have no time
// zone.
func dateOf(day time.Time) *date.Date {
	if day.IsZero() {
		return nil
	}
	day = day.UTC()
	return &date.Date{Year: int32(day.Year()), Month: int32(day.Month()), Day: int32(day.Day())}
}
