package demo

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// Month configures the invented month. Zero fields have the sizes of
// month_assumptions.go.
type Month struct {
	// How many visits, and in how many salons with three chairs each.
	Visits, Salons int
	// The same seed draws the same clients, hands and dangers. What the server answers
	// may still differ in details, because visits run side by side: the order in which
	// two of them reach it is not fixed.
	Seed uint64
	// Behaviours are the shares of careful, careless and unlucky visits; nil: those of
	// month_assumptions.go. A small month has more careless visits, so that each danger
	// occurs.
	Behaviours map[string]float64
	// Bar is called with how many visits have ended, and with the simulated time. Nil:
	// nobody watches.
	Bar func(done, of int, now time.Time)
	// after is called when the month is over and the server still runs; tests ask it
	// questions. Nil: nothing is asked.
	after func(*month)
}

// complete fills in the defaults and checks that the visits fit into the month: every
// visit needs an appointment of its own.
func (m Month) complete() (Month, error) {
	if m.Visits == 0 {
		m.Visits = monthVisits
	}
	if m.Salons == 0 {
		m.Salons = monthSalons
	}
	if m.Bar == nil {
		m.Bar = func(int, int, time.Time) {}
	}
	if most := m.Salons * monthStaff * monthDays * monthSlots; m.Visits < 1 || m.Salons < 1 || m.Visits > most {
		return m, fmt.Errorf("%d salons have time for 1 to %d visits a month, not %d", m.Salons, most, m.Visits)
	}
	return m, nil
}

// RunMonth plays an invented month of a chain as its tills would, prints what it
// came to, and returns an error when the friction goals are missed. The page is
// complete before the error is returned, so that the causes can be read.
func RunMonth(ctx context.Context, o Options, size Month) error {
	size, err := size.complete()
	if err != nil {
		return err
	}
	m, err := playMonth(ctx, o, size)
	if err != nil {
		return err
	}
	return m.missed()
}

// playMonth plays the month and prints what it came to. Tests look at the month
// itself; the command only at its page. The earliest visits before the month lie
// half a year back, so the clock begins before them.
func playMonth(ctx context.Context, o Options, size Month) (*month, error) {
	// The visits before the month lie up to half a year back.
	salonClock := &clock{now: openingTime().AddDate(0, -8, 0)}
	m := &month{Month: size, opens: openingTime(), tally: newTally(), run: &run{ctx: ctx, clock: salonClock, page: newPage(o.Out), people: newPeople()}}
	return m, o.withServer(ctx, salonClock, func(addr string) error {
		conn, err := dial(addr, jsonLines{})
		if err != nil {
			return err
		}
		defer conn.Close()
		m.clients = newClients(conn)
		m.play()
		if size.after != nil && m.err == nil {
			size.after(m)
		}
		return errors.Join(m.err, m.page.err)
	})
}

// month is the state of one run of a month.
type month struct {
	Month
	// Calls of the chain itself; each visit has a run of its own.
	*run
	// The morning of the first day.
	opens  time.Time
	salons []*chairs
	// The visits of the month, those before it, and the recall.
	agenda agenda
	// What the visits came to.
	tally *tally
}

// play opens the chain, plays its visits and reports.
func (m *month) play() {
	m.page.say("EBB AND FLOW HAIR: an invented month")
	m.page.say("%d visits in %d salons, seed %d. Everybody and everything is invented; the distributions are in month_assumptions.go. Verdicts, alarms and figures are the answers of a real server on a real PostgreSQL.", m.Visits, m.Salons, m.Seed)
	m.openChain()
	m.agenda = agenda{clock: m.clock}
	visits := m.schedule()
	// A visit before the month, and the one in it, are two acts of one client.
	for _, v := range visits {
		if !v.before.at.IsZero() {
			m.agenda.add(v.before.at, v.playBefore)
		}
		m.agenda.add(v.at, v.play)
	}
	m.agenda.add(m.opens.AddDate(0, 0, recallDay), m.recall)
	m.agenda.play(m.failed, func() { visits = m.gather(visits) })
	m.tally.print(&m.page, m.run)
	m.printGoals()
}

// gather adds up the visits that have ended, and returns the others. The first
// failure of a visit is that of the month. It runs between two steps of the clock,
// when no visit does, so the tally needs no lock.
func (m *month) gather(visits []*visit) []*visit {
	return slices.DeleteFunc(visits, func(v *visit) bool {
		if v.failed() {
			m.fail(v.run.err)
		}
		if v.done {
			m.tally.add(v)
			m.Bar(m.tally.visits, m.Visits, m.clock.Now())
		}
		return v.done
	})
}

// recall recalls a lot in the middle of the month, and notes in how many sessions it had
// been used by then. From that moment each use of it is refused.
func (m *month) recall(func(time.Time)) {
	for _, product := range []string{mild, regular, superRelaxer, thioLotion} {
		answer := call(m.run, m.people.manager, m.catalog.RecallLot, &pb.RecallLotRequest{
			Name: product, LotCode: recalledLot, Reason: "Too much alkali.", RequestId: newID(),
		})
		m.tally.recalled += len(answer.GetSessions())
	}
}

// slot is an appointment of a stylist.
type slot struct {
	// When it begins, in whole hours of the salon's time.
	at time.Time
	by *stylist
}

// slots are all appointments of the month, shuffled, so that the first n of them
// are spread evenly over salons, days and hours. Hours are those of the salon, with
// its own time zone and daylight saving.
func (m *month) slots(random *rand.Rand) []slot {
	var all []slot
	for _, s := range m.salons {
		for day := range monthDays {
			// The salons are closed at weekends, and have no holidays.
			// Five days a week, in the salon's own time.
			date := m.opens.AddDate(0, 0, day/5*7+day%5)
			opens := time.Date(date.Year(), date.Month(), date.Day(), monthOpensHour, 0, 0, 0, s.zone)
			for i := range monthSlots {
				for _, by := range s.staff {
					all = append(all, slot{opens.Add(time.Duration(i) * monthSlotTime), by})
				}
			}
		}
	}
	random.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	return all
}

// schedule draws the visits of the month, in order of time. Kinds and behaviours
// have exactly their shares, and dangers, accidents and findings take turns: shares
// that were drawn at random would differ from seed to seed by more than the goals
// allow. A student's kind of visit goes to a student, and only that. A visit draws
// from a generator of its own, so a change of one does not move the others.
func (m *month) schedule() []*visit {
	random := newRandom(m.Seed, 2)
	kinds := quota(random, kindShares, m.Visits)
	behaviours := quota(random, m.behaviours(), m.Visits)
	var visits []*visit
	for i, slot := range m.slots(random) {
		if len(visits) == m.Visits {
			break
		}
		kind := kinds[len(visits)]
		if (kind == studentVisit) != slot.by.student() {
			other := slices.IndexFunc(kinds[len(visits):], func(k visitKind) bool { return (k == studentVisit) == slot.by.student() })
			if other < 0 {
				continue // this stylist has no client of that kind
			}
			other += len(visits)
			kinds[len(visits)], kinds[other] = kinds[other], kinds[len(visits)]
			kind = kinds[len(visits)]
		}
		own := *m.run
		v := &visit{month: m, run: &own, at: slot.at, by: slot.by, kind: kind, how: behaviours[len(visits)],
			random: newRandom(m.Seed, uint64(1000+i)), result: newResult()}
		visits = append(visits, v)
	}
	slices.SortFunc(visits, func(a, b *visit) int { return a.at.Compare(b.at) })
	turns := turnsOf{}
	for _, v := range visits {
		v.cast(&turns)
	}
	return visits
}

// behaviours are the shares of behaviours, in a fixed order. A map has no order,
// and the same seed must draw the same.
func (m *month) behaviours() []weighted[behaviour] {
	if m.Behaviours == nil {
		return behaviourShares
	}
	var shares []weighted[behaviour]
	for _, how := range []behaviour{careful, careless, unlucky} {
		shares = append(shares, weighted[behaviour]{how, m.Behaviours[string(how)]})
	}
	return shares
}

// quota is a shuffled list of n values that has each exactly by its share; the first
// value takes what rounding leaves.
func quota[T any](random *rand.Rand, shares []weighted[T], n int) []T {
	var all []T
	for _, s := range shares[1:] {
		for range int(s.share*float64(n) + 0.5) {
			all = append(all, s.value)
		}
	}
	for len(all) < n {
		all = append(all, shares[0].value)
	}
	all = all[:n]
	random.Shuffle(n, func(i, j int) { all[i], all[j] = all[j], all[i] })
	return all
}

// turnsOf counts whose turn it is.
type turnsOf struct{ dangers, accidents, findings int }

// cast draws the client and what happens. The visits are in order of time, so the first
// turns come early in the month.
func (v *visit) cast(turns *turnsOf) {
	v.truth = drawClient(v.random, v.at)
	v.product, v.lot = v.truth.strengthFor(v.kind), soundLot
	if v.kind == waveVisit {
		v.product, v.truth.coloured = thioLotion, false
	}
	if v.at.Before(v.opens.AddDate(0, 0, recallDay)) && v.random.Float64() < recalledLotShare {
		v.lot = recalledLot
	}
	// Only in careful visits: what is looked for in the others is on the screen.
	v.losesServer = v.random.Float64() < offlineShare && v.how == careful
	returning := v.kind == retouchVisit || v.kind == studentVisit
	if returning && v.random.Float64() < recordedShare {
		v.before.at = v.truth.relaxed
	}
	switch {
	case v.how == careless:
		v.danger = v.nextDanger(turns)
		if v.danger.young {
			v.truth.age, v.truth.dated, v.before = 13, true, earlier{}
		}
		if v.danger.before != nil {
			v.before = v.danger.before(v.truth, v.at)
		}
	case v.how == unlucky:
		v.accident = accidents[turns.accidents%len(accidents)]
		turns.accidents++
	case v.random.Float64() < findingShare:
		v.finding = findings[turns.findings%len(findings)]
		turns.findings++
	}
}

// nextDanger is the next danger, in turn, that fits the kind of client. One that
// does not fit keeps its turn. Without this, dangers that fit rarely would never be
// planted, and the others more often.
func (v *visit) nextDanger(turns *turnsOf) *danger {
	queue := v.tally.dangerQueue
	for i, d := range queue {
		if d.fits(v) {
			v.tally.dangerQueue = append(append(slices.Clone(queue[:i]), queue[i+1:]...), d)
			turns.dangers++
			return d
		}
	}
	return queue[0]
}

// newRandom returns a generator; the same seed and stream draw the same. PCG is
// fixed by the standard library, so a seed means the same with each release.
func newRandom(seed, stream uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, stream)) }
