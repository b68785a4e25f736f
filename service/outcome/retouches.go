package outcome

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/card"
	"alkalog/service/record"
	"alkalog/storage"
)

// The window of the list of due retouches, unless ChainSettings sets another. Our
// own choice; the contract states both figures.
const (
	noticeDays = 7
	lapseDays  = 84
)

// How many outcomes a call reads. Most of a salon's outcomes in the window are the
// client's newest, so a page is usually found at the first reading.
const (
	// outcomesRead is how many are read at a time.
	outcomesRead = 100
	// mostOutcomes is how many a call reads before it returns a shorter page. Our own
	// choice: each takes up to three further reads.
	mostOutcomes = 1000
	// newestOutcomes is how many of a client's newest outcomes are looked through for
	// the one that sets the next retouch. Our own choice.
	newestOutcomes = 10
)

// ListDueRetouches lists the clients of a salon whose next retouch is due. The
// database finds outcomes by the time of the next retouch; whether an outcome still
// sets it is decided here, by the same rule as on the record card: the newest visit
// in which product touched hair does.
//
// The list is composed in this package, so it has a page token of its own: the time and
// the name of the last outcome that was read. Errors: NOT_FOUND for a salon that the
// caller may not see, INVALID_ARGUMENT for a token of another list.
func (s Service) ListDueRetouches(ctx context.Context, req *pb.ListDueRetouchesRequest) (*pb.ListDueRetouchesResponse, error) {
	caller := actor.From(ctx)
	page := storage.Page{Size: req.PageSize, Token: req.PageToken}
	list := "due retouches of " + req.Parent
	after, err := page.After(list)
	if err != nil {
		return nil, err
	}
	answer := &pb.ListDueRetouchesResponse{}
	err = storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) error {
		if _, err := record.Get(r, caller, storage.Salons, req.Parent); err != nil {
			return err
		}
		chain, err := record.Get(r, caller, storage.Chains, record.Parent(req.Parent))
		if err != nil {
			return err
		}
		window, err := retouchWindow(req.Parent, chain.Settings, s.Now(), after)
		if err != nil {
			return err
		}
		last := ""
		answer.DueRetouches, last, err = dueRetouches(r, window, page.Limit())
		if last != "" {
			answer.NextPageToken = storage.PageToken(list, last)
		}
		return err
	})
	return answer, err
}

// retouchWindow returns the outcomes that are due now by the chain's settings, after
// the key of the previous page. A retouch that has been due for longer than the lapse
// days is left out. A key that cannot be parsed is ErrBadToken.
func retouchWindow(salon string, settings *pb.ChainSettings, now time.Time, after string) (storage.RetouchWindow, error) {
	notice, lapse := int32(noticeDays), int32(lapseDays)
	if settings != nil && settings.RetouchNoticeDays != nil {
		notice = settings.GetRetouchNoticeDays()
	}
	if settings != nil && settings.RetouchLapseDays != nil {
		lapse = settings.GetRetouchLapseDays()
	}
	w := storage.RetouchWindow{Salon: salon, From: now.AddDate(0, 0, -int(lapse)), Until: now.AddDate(0, 0, int(notice))}
	if after == "" {
		return w, nil
	}
	micros, name, _ := strings.Cut(after, " ")
	at, err := strconv.ParseInt(micros, 10, 64)
	if err != nil {
		return w, storage.ErrBadToken
	}
	w.AfterTime, w.AfterName = time.UnixMicro(at), name
	return w, nil
}

// retouchKey returns the position of an outcome in the list: its retouch time in
// microseconds, the precision of the database, and its name.
func retouchKey(o *pb.Outcome) string {
	return fmt.Sprintf("%d %s", o.NextRetouchTime.AsTime().UnixMicro(), o.Name)
}

// dueRetouches returns up to limit clients in the window, and the position of the last
// outcome that was read; it is empty at the end of the list. After mostOutcomes it
// returns what it has, so that a page can be short and not be the last.
func dueRetouches(r *storage.Snapshot, window storage.RetouchWindow, limit int) (due []*pb.DueRetouch, last string, err error) {
	for n := 0; n < mostOutcomes; n += outcomesRead {
		outcomes, err := storage.RetouchesDue(r, window, outcomesRead)
		if err != nil {
			return nil, "", err
		}
		for _, o := range outcomes {
			if len(due) == limit {
				return due, last, nil
			}
			found, err := dueRetouch(r, window.Salon, o)
			if err != nil {
				return nil, "", err
			}
			if found != nil {
				due = append(due, found)
			}
			last, window.AfterTime, window.AfterName = retouchKey(o), o.NextRetouchTime.AsTime(), o.Name
		}
		if len(outcomes) < outcomesRead {
			return due, "", nil
		}
	}
	return due, last, nil
}

// dueRetouch is the client of an outcome, if the outcome sets the client's next
// retouch and is of that salon; nil otherwise. A person with several linked records is
// due by the newest outcome of all, so that nobody is called who came under another name.
func dueRetouch(r *storage.Snapshot, salon string, o *pb.Outcome) (*pb.DueRetouch, error) {
	client := record.Parent(o.Name)
	clients, err := record.LinkedNames(r, client)
	if err != nil {
		return nil, err
	}
	newest, err := record.OfEach(clients, func(client string) ([]*pb.Outcome, error) {
		found, _, err := storage.Outcomes.List(r, client, storage.Page{Size: newestOutcomes})
		return found, err
	})
	if err != nil {
		return nil, err
	}
	if len(clients) > 1 {
		slices.SortStableFunc(newest, func(a, b *pb.Outcome) int { return b.CreateTime.AsTime().Compare(a.CreateTime.AsTime()) })
	}
	for _, n := range newest {
		if !card.TouchedHair(n) {
			continue
		}
		session, err := record.GetUnchecked(r, storage.Sessions, n.Session)
		if err != nil {
			return nil, err
		}
		if session.MovedTo != "" {
			continue // another client's visit
		}
		if n.Name != o.Name || session.Salon != salon {
			return nil, nil
		}
		named, err := record.GetUnchecked(r, storage.Clients, client)
		if err != nil {
			return nil, err
		}
		return &pb.DueRetouch{Client: client, DisplayName: named.DisplayName, DueTime: o.NextRetouchTime, DueReason: o.NextRetouchReason,
			Session: session.Name, Practitioner: session.Practitioner}, nil
	}
	return nil, nil
}
