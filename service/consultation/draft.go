package consultation

import (
	"context"
	"errors"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/card"
	"alkalog/service/record"
	"alkalog/storage"
)

const (
	// readAtATime is how many records are read at once, our own choice: few clients have
	// more, and a page of them is small.
	readAtATime = 100
	// visitsWhole is how many visits are read with their facts, as for a decision; of
	// older ones the outcome says when product touched the hair.
	visitsWhole = 3
)

// DraftConsultation begins a consultation with what is lasting of the client's record. It
// reads the consultations that the caller may see and, as the record card does, the visits
// of all salons of the chain.
//
// The draft is stored at once, with the origins of what it carries: what was carried is
// then known for ever, also if the record it came from is moved or the rules of carrying
// change. Everything is read on the snapshot of the write. Nothing of it is locked: a visit
// that is closed a moment later is in the next draft, and in each decision anyway, because
// decisions read the recorded work by themselves.
func (s Service) DraftConsultation(ctx context.Context, req *pb.DraftConsultationRequest) (*pb.DraftConsultationResponse, error) {
	caller, now := actor.From(ctx), s.Now()
	return storage.Write(ctx, s.DB, record.Chain(req.Parent), req, func(r *storage.Snapshot) (*pb.DraftConsultationResponse, storage.Changes, error) {
		draft := &pb.Consultation{Name: req.Parent + "/consultations/" + storage.NewID(), Salon: req.Salon, Practitioner: req.Practitioner,
			State: pb.ConsultationState_CONSULTATION_STATE_DRAFT, CreateTime: timestamppb.New(now), UpdateTime: timestamppb.New(now)}
		err := record.All(record.ParentExists(req.Parent), func(r *storage.Snapshot, caller actor.Actor) error {
			return s.checkDraft(r, caller, nil, draft)
		})(r, caller)
		if err == nil {
			err = carryRecord(r, caller, req.Parent, draft)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		if req.ServiceKind != 0 {
			draft.Wishes = &pb.Wishes{ServiceKind: req.ServiceKind}
			draft.Origins = slices.Insert(draft.Origins, 0, &pb.FieldOrigin{Field: "consultation.wishes.service_kind",
				Origin: pb.AnswerOrigin_ANSWER_ORIGIN_ASKED, AnswerTime: timestamppb.New(now)})
		}
		insert := storage.Consultations.Insert(draft)
		form, err := s.formOf(r, caller, draft, req.Planned, now)
		return &pb.DraftConsultationResponse{Consultation: draft, Form: form}, storage.Changes{Records: []storage.Record{insert}}, err
	})
}

// carryRecord reads a client's record and fills a draft with what lasts of it. Dates of
// answers are days in the time zone of the salon of the draft.
func carryRecord(r *storage.Snapshot, caller actor.Actor, client string, draft *pb.Consultation) error {
	salon, err := record.Get(r, caller, storage.Salons, draft.Salon)
	if err != nil {
		return err
	}
	clients, err := record.LinkedNames(r, client)
	if err != nil {
		return err
	}
	_, visits, _, err := record.CardAndVisits(r, clients, visitsWhole)
	if err != nil {
		return err
	}
	from, err := earlierConsultations(r, caller, clients, visits)
	if err != nil {
		return err
	}
	work, err := workWithAlkali(r, visits)
	if err != nil {
		return err
	}
	carry(draft, from, work, record.Zone(salon))
	return nil
}

// earlierConsultations are those of linked clients that the caller may see, newest first, and
// what the record card shows of the others: the hair. All are read, however old: the only
// "yes" to an allergy may be in the first one, and a client has some dozens at most.
//
// A caller who is confined to salons does not learn from a draft what the answers about
// health were elsewhere; they are asked again. Answers that were given by another
// person, at a visit that was recorded under the wrong client, are left out, also where
// they were carried on.
func earlierConsultations(r *storage.Snapshot, caller actor.Actor, clients []string, visits []card.StoredVisit) ([]earlier, error) {
	found, err := consultationsOf(r, caller, clients)
	if err != nil {
		return nil, err
	}
	var from []earlier
	known := map[string]bool{}
	for _, k := range found {
		known[k.Name] = true
		from = append(from, earlier{Consultation: k})
	}
	for _, v := range visits {
		if k := v.Decision.GetInputs().GetConsultation(); k.GetHair() != nil && !known[k.GetName()] {
			known[k.GetName()] = true
			from = append(from, earlier{session: v.Session.Name, Consultation: &pb.Consultation{
				Name: k.GetName(), UpdateTime: k.GetUpdateTime(), Hair: k.GetHair(), Origins: k.GetOrigins()}})
		}
	}
	others, err := answersOfOthers(r, clients)
	if err != nil {
		return nil, err
	}
	for i := range from {
		from[i].Consultation = without(from[i].Consultation, others)
	}
	return from, nil
}

// consultationsOf are the consultations of linked clients that the caller may see, the
// newest first of each.
func consultationsOf(r *storage.Snapshot, caller actor.Actor, clients []string) ([]*pb.Consultation, error) {
	return record.OfEach(clients, func(client string) (all []*pb.Consultation, err error) {
		for page := (storage.Page{Size: readAtATime}); ; {
			found, next, err := record.Pages(r, caller, page, func(page storage.Page) ([]*pb.Consultation, string, error) {
				return storage.Consultations.List(r, client, page)
			})
			if err != nil {
				return nil, err
			}
			all = append(all, found...)
			if page.Token = next; next == "" {
				return all, nil
			}
		}
	})
}

// answersOfOthers are the consultations and sessions that were recorded under linked
// clients and are another's, by name. MoveSession leaves the consultation where it is, because it
// may hold answers of either person; here it counts as the other's, since a "yes" that is
// missing is asked for and one that is another person's would be believed.
func answersOfOthers(r *storage.Snapshot, clients []string) (map[string]bool, error) {
	others := map[string]bool{}
	for _, client := range clients {
		for page, more := (storage.Page{Size: readAtATime}), true; more; more = page.Token != "" {
			sessions, next, err := storage.ListSessions(r, storage.SessionFilter{Client: client}, page)
			if err != nil {
				return nil, err
			}
			for _, session := range sessions {
				if session.MovedTo != "" && !slices.Contains(clients, record.Parent(session.MovedTo)) {
					others[session.Name], others[session.Consultation] = true, true
				}
			}
			page.Token = next
		}
	}
	delete(others, "")
	return others, nil
}

// workWithAlkali is the chemical work that the visits show, with the alkali of relaxers. It
// is the same work that a decision reads, see record.RecordedWork.
func workWithAlkali(r *storage.Snapshot, visits []card.StoredVisit) ([]recordedWork, error) {
	facts, err := record.RecordedWork(r, visits)
	if err != nil {
		return nil, err
	}
	alkalis := map[string]pb.HydroxideKind{}
	for _, v := range visits {
		if alkalis[v.Session.Name], err = alkaliOf(r, v.Session); err != nil {
			return nil, err
		}
	}
	var work []recordedWork
	for _, f := range facts {
		work = append(work, recordedWork{f, alkalis[f.Session]})
	}
	return work, nil
}

// alkaliOf is the alkali of the relaxers of a session; unspecified when they differ or
// the catalogue does not say. It is read from the catalogue of today: the alkali of a
// product does not change, but a label that was typed wrongly may have been corrected.
func alkaliOf(r *storage.Snapshot, session *pb.Session) (pb.HydroxideKind, error) {
	names := []string{session.GetProduct()}
	for _, used := range session.GetProductsUsed() {
		names = append(names, used.GetProduct())
	}
	var kinds []pb.HydroxideKind
	for _, name := range names {
		product, err := storage.Products.GetUnchecked(r, name)
		if name == "" || errors.Is(err, storage.ErrNotFound) {
			continue
		}
		if err != nil {
			return 0, err
		}
		if product.GetKind() == pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER {
			kinds = append(kinds, product.GetHydroxideKind())
		}
	}
	slices.Sort(kinds)
	if kinds = slices.Compact(kinds); len(kinds) == 1 {
		return kinds[0], nil
	}
	return 0, nil
}
