package record

import (
	"cmp"
	"errors"
	"maps"
	"slices"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/card"
	"alkalog/service/timing"
	"alkalog/storage"
)

// One person can be two clients, because somebody entered the person twice. A manager
// links the two; each keeps its records, and a decision on one reads the
// history of all. Where histories differ, the stricter one counts: a link that is wrong
// must not make anything milder than one client's own history would.
//
//   - Incidents, recorded work, refusals of the last day and submitted consultations of
//     all clients count.
//   - Visits are kept of each client as of one alone, so that newer ones of one client do
//     not hide those of another.
//   - Of dates of birth and of next retouches the latest counts, of rates the fastest, of
//     growth the slowest.
//   - Only one session of all of them may be open.
//
// Only the client record says what it is linked with, and it lists all others. So one
// snapshot never shows half a link, and a decision stores what it has read: a later link
// or its end changes no decision that was made.

// Linked returns a client's name and the names of those linked with it, in that order.
func Linked(client *pb.Client) []string {
	return append([]string{client.GetName()}, client.GetLinkedClients()...)
}

// LinkedNames is Linked for the name of a client. A client that does not exist is linked
// with nobody; whether it exists is for the caller to check.
func LinkedNames(r *storage.Snapshot, client string) ([]string, error) {
	stored, err := storage.Clients.GetUnchecked(r, client)
	if errors.Is(err, storage.ErrNotFound) {
		return []string{client}, nil
	}
	return Linked(stored), err
}

// The plan of a check does not know who is linked, so a check of a linked client reads
// record by record. That is slower, and rare.

// OfEach reads from each of linked clients and returns everything together.
func OfEach[T any](clients []string, read func(client string) ([]T, error)) ([]T, error) {
	if len(clients) == 1 {
		return read(clients[0])
	}
	var all []T
	for _, client := range clients {
		found, err := read(client)
		if err != nil {
			return nil, err
		}
		all = append(all, found...)
	}
	return all, nil
}

// OpenSession returns the name of an open session of one of linked clients; empty if
// none is open.
func OpenSession(r *storage.Snapshot, clients []string) (string, error) {
	for _, client := range clients {
		if open, err := storage.OpenSessionOf(r, client); err != nil || open != "" {
			return open, err
		}
	}
	return "", nil
}

// StillOpen is how many open sessions clients have, for storage.Changes.Open: a link and a
// session that begins must not miss each other.
func StillOpen(r *storage.Snapshot, clients []string) ([]storage.OpenSessions, error) {
	var open []storage.OpenSessions
	for _, client := range clients {
		n, err := storage.CountOpen(r, client)
		if err != nil {
			return nil, err
		}
		open = append(open, storage.OpenSessions{Client: client, Count: n})
	}
	return open, nil
}

// LinkedBirthDate is the latest date of birth of the clients that a client is linked with,
// for decisions; empty if it is not later than the client's own. The ages that rules ask
// for are minimums, so an earlier one could only make a decision milder.
func LinkedBirthDate(r *storage.Snapshot, client *pb.Client) (string, error) {
	latest := ""
	for _, name := range client.GetLinkedClients() {
		other, err := storage.Clients.GetUnchecked(r, name)
		if errors.Is(err, storage.ErrNotFound) {
			continue
		}
		if err != nil {
			return "", err
		}
		latest = max(latest, other.BirthDate) // YYYY-MM-DD sorts by time
	}
	if latest <= client.GetBirthDate() {
		return "", nil
	}
	return latest, nil
}

// linkedIncidents are the incidents of linked clients, newest first.
func linkedIncidents(r *storage.Snapshot, clients []string) ([]*pb.Incident, error) {
	all, err := OfEach(clients, func(client string) ([]*pb.Incident, error) { return Incidents(r, client) })
	if len(clients) > 1 {
		slices.SortStableFunc(all, func(a, b *pb.Incident) int {
			return cmp.Compare(b.GetCreateTime().AsTime().UnixNano(), a.GetCreateTime().AsTime().UnixNano())
		})
	}
	return all, err
}

// A card is built for each client by itself and then merged. Building one from the visits of
// all together would learn one rate from two records, and a mistaken link would make the
// exposure of the faster hair longer.

// clientHistory is what the visits of one client come to.
type clientHistory struct {
	card   *pb.RecordCard
	visits []card.StoredVisit
	zones  card.Zones
}

// together makes one card for linked clients from the history of each; the first is
// the client whose card it is. Each keeps as many visits as it has alone: newer visits of
// one client must not hide a broken strand of another.
func together(histories []clientHistory, incidents []*pb.Incident) (*pb.RecordCard, []card.StoredVisit, card.Zones) {
	cards := make([]*pb.RecordCard, len(histories))
	rates := make([][]*pb.LearnedRate, len(histories))
	var growth []*pb.Estimate
	var visits []card.StoredVisit
	zones := card.Zones{}
	for i, h := range histories {
		cards[i], rates[i] = h.card, h.card.Rates
		growth = append(growth, h.card.GrowthUmPerDay)
		visits = append(visits, h.visits...)
		maps.Copy(zones, h.zones)
	}
	slices.SortStableFunc(visits, func(a, b card.StoredVisit) int {
		return cmp.Compare(b.Session.GetStartTime().AsTime().UnixNano(), a.Session.GetStartTime().AsTime().UnixNano())
	})
	c := card.Merge(cards)
	c.Incidents = incidents
	c.Rates, c.GrowthUmPerDay = timing.FastestRates(rates), timing.SlowestGrowth(growth)
	return c, visits, zones
}
