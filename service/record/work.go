package record

import (
	"errors"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/card"
	"alkalog/service/timing"
	"alkalog/storage"
)

// aDay is how long before a session was created its first contact may lie; a till
// that was offline sends a service hours late. Earlier, the till's clock is not
// to be believed. Our own choice.
const aDay = 24 * time.Hour

// RecordedWork is the chemical work that the chain recorded on a client, newest
// first, from the visits as CardAndVisits gave them: every session from first
// contact on, also one that is still open or was broken off. A session broken off
// before contact counts for nothing, and so does one that was moved to another
// client. It is worked out from the facts each time, so a fact that comes late
// counts. What a client forgets or does not say is thus still known if the chain
// did it.
func RecordedWork(r *storage.Snapshot, visits []card.StoredVisit) ([]*pb.HistoryFact, error) {
	var facts []*pb.HistoryFact
	for _, p := range visits {
		first, last, ok := contact(p)
		if !ok {
			continue
		}
		kinds, err := workDone(r, p.Session)
		if err != nil {
			return nil, err
		}
		for _, kind := range kinds {
			facts = append(facts, &pb.HistoryFact{
				Source: pb.HistorySource_HISTORY_SOURCE_RECORD_CARD, Work: kind, Zone: zoneTreated(p.Session.GetServiceKind()),
				Happened: pb.Answer_ANSWER_YES, EarliestTime: timestamppb.New(first), LatestTime: timestamppb.New(last), Session: p.Session.GetName(),
			})
		}
	}
	slices.SortStableFunc(facts, func(a, b *pb.HistoryFact) int {
		return b.GetLatestTime().AsTime().Compare(a.GetLatestTime().AsTime())
	})
	return facts, nil
}

// contact is the span in which product first touched the sections of a visit; by
// its facts or, for older visits, by its outcome. ok is false when it touched
// none. A visit that was closed as completed without a recorded contact was done
// all the same. Events win over the outcome, because they may have been corrected
// since.
func contact(p card.StoredVisit) (first, last time.Time, ok bool) {
	add := func(from, to time.Time) {
		if !ok || from.Before(first) {
			first = from
		}
		if !ok || to.After(last) {
			last = to
		}
		ok = true
	}
	for _, e := range p.Events {
		if timing.IsContact(e.GetEvent()) {
			add(happened(p.Session, e))
		}
	}
	for _, s := range p.Outcome.GetSections() {
		if at := s.GetFirstContactTime(); at != nil && len(p.Events) == 0 {
			add(at.AsTime(), at.AsTime())
		}
	}
	if start := p.Session.GetStartTime().AsTime(); !ok && p.Outcome.GetCompleted() {
		add(start, start)
	}
	return first, last, ok
}

// happened is the span in which an event fits. A till's clock that is ahead
// cannot put it after the moment at which the server recorded it, nor one that is
// behind long before the session was created. The span is the uncertainty of the
// till's clock; rules use the end of it that is worse for the client.
func happened(s *pb.Session, e *pb.StoredEvent) (from, to time.Time) {
	at := e.GetEvent().GetOccurTime().AsTime()
	if e.GetCorrectedTime() != nil {
		at = e.GetCorrectedTime().AsTime()
	}
	if at.Before(s.GetCreateTime().AsTime().Add(-aDay)) {
		at = s.GetCreateTime().AsTime()
	}
	if at.After(e.GetRecordTime().AsTime()) {
		at = e.GetRecordTime().AsTime()
	}
	from, to = at, at
	if e.GetEarliestTime() != nil && e.GetEarliestTime().AsTime().Before(from) {
		from = e.GetEarliestTime().AsTime()
	}
	if e.GetLatestTime() != nil && e.GetLatestTime().AsTime().After(to) {
		to = e.GetLatestTime().AsTime()
	}
	return from, to
}

// workDone is the kinds of chemical work that a session's products do. A product
// that the catalogue does not know counts as a hydroxide relaxer, the service
// this record is kept for. Both the product that was planned and those that were
// used count.
func workDone(r *storage.Snapshot, s *pb.Session) ([]pb.ChemicalWork, error) {
	names := []string{s.GetProduct()}
	for _, used := range s.GetProductsUsed() {
		names = append(names, used.GetProduct())
	}
	var kinds []pb.ChemicalWork
	add := func(kind pb.ChemicalWork) {
		if kind != 0 && !slices.Contains(kinds, kind) {
			kinds = append(kinds, kind)
		}
	}
	add(workOf(s.GetProductKind()))
	slices.Sort(names)
	for _, name := range slices.Compact(names) {
		if name == "" {
			continue
		}
		product, err := storage.Products.GetUnchecked(r, name)
		if err != nil && !errors.Is(err, storage.ErrNotFound) {
			return nil, err
		}
		add(workOf(product.GetKind()))
	}
	if len(kinds) == 0 {
		add(pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE)
	}
	return kinds, nil
}

// workOf is the chemical work that a kind of product does; unspecified: none.
// Sulfite counts as thio: both cut the bonds of the hair by reduction (from memory).
func workOf(kind pb.ProductKind) pb.ChemicalWork {
	switch kind {
	case pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER:
		return pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE
	case pb.ProductKind_PRODUCT_KIND_THIO_RELAXER, pb.ProductKind_PRODUCT_KIND_SULFITE_RELAXER:
		return pb.ChemicalWork_CHEMICAL_WORK_THIO
	case pb.ProductKind_PRODUCT_KIND_SMOOTHING:
		return pb.ChemicalWork_CHEMICAL_WORK_SMOOTHING
	}
	return pb.ChemicalWork_CHEMICAL_WORK_UNSPECIFIED
}

// zoneTreated is where the work of a service is now: a retouch treats what was new
// growth on its day, which is mid-strand since; every other service counts for the
// whole head. How new growth is counted is for package rules to say.
func zoneTreated(kind pb.ServiceKind) pb.Zone {
	if kind == pb.ServiceKind_SERVICE_KIND_RETOUCH {
		return pb.Zone_ZONE_MID_STRAND
	}
	return pb.Zone_ZONE_UNSPECIFIED
}
