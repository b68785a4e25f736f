package record

import (
	"cmp"
	"slices"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/card"
	"alkalog/service/rules"
	"alkalog/service/timing"
	"alkalog/storage"
)

// visitsRead is how many visits a card rests on at most: the newest ones. It
// bounds the time of a check for a client with a long history. Our own choice: at
// six visits a year it is more than eight years.
const visitsRead = 50

// Card makes a client's record card, with at most keep visits whole and as many imported
// records; nil when there is neither a visit nor an incident nor an imported record.
func Card(r *storage.Snapshot, client string, keep int) (*pb.RecordCard, error) {
	clients, err := LinkedNames(r, client)
	if err != nil {
		return nil, err
	}
	c, _, _, err := CardAndVisits(r, clients, keep)
	if err != nil {
		return nil, err
	}
	return WithImported(r, clients, c, keep)
}

// WithImported adds the imported records of a client's records to a card, at most keep of
// them. c may be nil, and is returned so if there are none.
func WithImported(r *storage.Snapshot, clients []string, c *pb.RecordCard, keep int) (*pb.RecordCard, error) {
	records, err := Imported(r, clients)
	if err != nil || len(records) == 0 {
		return c, err
	}
	if c == nil {
		c = &pb.RecordCard{Client: clients[0]}
	}
	c.ImportedRecords = records[:min(keep, len(records))]
	return c, nil
}

// CardAndVisits is Card with the visits behind it, newest first, for what a card
// does not keep: the facts of each visit. clients are the client and those linked with
// it (Linked); of each at most keep visits are on the card. The time zones are those of
// the salons on the card.
func CardAndVisits(r *storage.Snapshot, clients []string, keep int) (*pb.RecordCard, []card.StoredVisit, card.Zones, error) {
	incidents, err := linkedIncidents(r, clients)
	if err != nil {
		return nil, nil, nil, err
	}
	var histories []clientHistory
	visited := false
	for _, client := range clients {
		h, err := historyOf(r, client, incidents, keep)
		if err != nil {
			return nil, nil, nil, err
		}
		visited = visited || len(h.visits) > 0
		histories = append(histories, h)
	}
	switch {
	case !visited && len(incidents) == 0:
		return nil, nil, nil, nil
	case len(histories) == 1:
		return histories[0].card, histories[0].visits, histories[0].zones, nil
	}
	c, visits, zones := together(histories, incidents)
	return c, visits, zones, nil
}

// historyOf makes the card of one client's own visits. Rates and growth are learned from
// all visits that were read before the card is cut to keep of them.
func historyOf(r *storage.Snapshot, client string, incidents []*pb.Incident, keep int) (clientHistory, error) {
	past, err := visits(r, client, keep)
	if err != nil {
		return clientHistory{}, err
	}
	zones, err := zones(r, past, incidents)
	if err != nil {
		return clientHistory{}, err
	}
	c := card.Build(client, past, incidents, zones)
	learn(c)
	c.Visits = c.Visits[:min(keep, len(c.Visits))]
	return clientHistory{c, past, zones}, nil
}

// zones returns the time zones of the salons of visits and incidents. A decision holds
// the salon that it was made for, the newest one first; other salons are
// read: those of visits without a decision and of incidents that nobody linked to a visit.
// In a check nearly every salon is known already, so it costs no further reads. A salon
// whose zone is not known counts in UTC, as everywhere.
func zones(r *storage.Snapshot, past []card.StoredVisit, incidents []*pb.Incident) (card.Zones, error) {
	known := card.Zones{}
	var salons []string
	for _, p := range past {
		if salon := p.Decision.GetInputs().GetSalon(); salon != nil && known[salon.Name] == nil {
			known[salon.Name] = Zone(salon)
		}
		salons = append(salons, p.Session.Salon)
	}
	for _, i := range incidents {
		salons = append(salons, i.Salon)
	}
	for _, name := range salons {
		if name == "" || known[name] != nil {
			continue
		}
		salon, err := GetUnchecked(r, storage.Salons, name)
		if err != nil {
			return nil, err
		}
		known[name] = Zone(salon)
	}
	return known, nil
}

// learn fills in what all visits of a card teach: rates and growth. The oldest
// visit comes first, because old visits fade. The order matters, since Learn
// weighs a visit less with each later one.
func learn(c *pb.RecordCard) {
	for _, v := range slices.Backward(c.Visits) {
		c.Rates = timing.Learn(c.Rates, visitRates(v))
	}
	c.GrowthUmPerDay = timing.Growth(c.Visits)
}

// visitRates is what a visit showed of the rates of its sections.
func visitRates(v *pb.Visit) []*pb.LearnedRate {
	var rates []*pb.LearnedRate
	for _, s := range v.Sections {
		if s.Rate != nil {
			rates = append(rates, &pb.LearnedRate{SectionId: s.SectionId, Rate: s.Rate})
		}
	}
	return rates
}

// visits reads the visits of a client, newest first: those with an outcome, and
// those that nobody closed if product had touched the hair. A visit that was set
// aside as another client's is not one. The facts of the newest keep visits and
// of those without an outcome are read and folded again; older ones are taken
// from their outcomes. The decision of each visit is read unchecked, as it belongs to
// a session that is on the card already.
func visits(r *storage.Snapshot, client string, keep int) ([]card.StoredVisit, error) {
	sessions, _, err := storage.ListSessions(r, storage.SessionFilter{Client: client}, storage.Page{Size: visitsRead})
	if err != nil {
		return nil, err
	}
	outcomes, _, err := storage.Outcomes.List(r, client, storage.Page{Size: visitsRead})
	if err != nil {
		return nil, err
	}
	bySession := map[string]*pb.Outcome{}
	for _, o := range outcomes {
		bySession[o.Session] = o
	}
	slices.SortStableFunc(sessions, func(a, b *pb.Session) int {
		return cmp.Compare(b.StartTime.AsTime().UnixNano(), a.StartTime.AsTime().UnixNano())
	})
	var past []card.StoredVisit
	for _, session := range sessions {
		p := card.StoredVisit{Session: session, Outcome: bySession[session.Name]}
		if session.MovedTo != "" {
			continue
		}
		// Reading the events of every visit would make a check slower with each
		// one.
		if len(past) < keep || p.Outcome == nil {
			if err := fold(r, &p); err != nil {
				return nil, err
			}
		}
		if p.Outcome == nil && !card.ProductTouchedHair(p.State) {
			continue
		}
		if session.Decision != "" {
			if p.Decision, err = DecisionUnchecked(r, session.Decision); err != nil {
				return nil, err
			}
		}
		if p.State != nil {
			p.Sections = timing.SectionOutcomes(session, rules.TimedInputs(p.Decision), p.State, p.Outcome.GetSections())
			if p.Outcome != nil {
				p.ClosingDeviations = timing.ClosingDeviations(session, p.Events, p.State.Time.AsTime())
			}
		}
		past = append(past, p)
	}
	return past, nil
}

// fold reads the facts of a visit and what they come to. The state is that at the
// last change of the session, so a card does not change merely because time
// passes.
func fold(r *storage.Snapshot, p *card.StoredVisit) (err error) {
	if p.Events, err = storage.Events(r, p.Session.Name, 0); err != nil {
		return err
	}
	p.State, err = State(r, p.Session, p.Events, p.Session.UpdateTime.AsTime())
	return err
}
