package storage_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// errSeen ends a write that only looks.
var errSeen = errors.New("seen")

// look runs a function on what a plan fetches. It returns how often the function ran, and
// its error.
func look(t testing.TB, db *storage.DB, in string, plan *storage.Plan, fn func(*storage.Snapshot) error) (runs int, err error) {
	t.Helper()
	_, err = storage.WritePlanned(t.Context(), db, in, plan, salonRequest(storage.NewID()), func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		runs++
		if err := fn(s); err != nil {
			return nil, storage.Changes{}, err
		}
		return nil, storage.Changes{}, errSeen
	})
	if errors.Is(err, errSeen) {
		err = nil
	}
	return runs, err
}

// seen is what a reader sees, as a text that can be compared.
func seen[M proto.Message](list []M, next string, err error) string {
	var b strings.Builder
	for _, m := range list {
		text, _ := proto.MarshalOptions{Deterministic: true}.Marshal(m)
		fmt.Fprintf(&b, "%x\n", text)
	}
	fmt.Fprintf(&b, "next %s, %v", next, errors.Is(err, storage.ErrNotFound))
	if err != nil && !errors.Is(err, storage.ErrNotFound) {
		fmt.Fprintf(&b, ", %v", err)
	}
	return b.String()
}

// one is a single record as a list.
func one[M proto.Message](m M, err error) string {
	if err != nil {
		return seen([]M{}, "", err)
	}
	return seen([]M{m}, "", nil)
}

// aRecord is a client with visits, and what a check of it reads.
func aRecord(t *testing.T, db *storage.DB) {
	t.Helper()
	product := func(id string) *pb.Product { return &pb.Product{Name: chainName + "/products/" + id, DisplayName: id} }
	records := []storage.Record{
		storage.Consultations.Insert(of("c1", "k1", "sore")),
		storage.Salons.Insert(&pb.Salon{Name: chainName + "/salons/north", DisplayName: "it's \\ \"North\""}),
		storage.Practitioners.Insert(&pb.Practitioner{Name: chainName + "/practitioners/amara"}),
		storage.Products.Insert(product("p1")), storage.Products.Insert(product("p2")),
		storage.HousePolicies.Insert(&pb.HousePolicy{Name: chainName + "/housePolicies/h1", State: pb.PolicyState_POLICY_STATE_ACTIVE}),
		storage.InsertPolicyText(chainName, "abc", []byte("policy")),
	}
	for n := range 5 {
		session := fmt.Sprintf("%s/sessions/s%d", clientName, n)
		decision := fmt.Sprintf("%s/decisions/d%d", clientName, n)
		outcome := &pb.Outcome{Name: fmt.Sprintf("%s/outcomes/o%d", clientName, n), Session: session, ApplicationPace: &pb.ApplicationPace{Practitioner: "amara"}}
		records = append(records, storage.Sessions.Insert(&pb.Session{Name: session, Decision: decision, Product: chainName + "/products/p2", Outcome: outcome.Name, LotCode: "R 1"}),
			storage.Decisions.Insert(&pb.Decision{Name: decision, CreateTime: at(n), Verdict: pb.Verdict_VERDICT_PROCEED}),
			storage.Outcomes.Insert(outcome))
		for e := range n + 1 {
			records = append(records, storage.InsertEvent(session, &pb.StoredEvent{Event: &pb.Event{EventId: fmt.Sprint("e", 9-e)}, Sequence: int64(e + 1)}))
		}
	}
	put(t, db, records...)
	for n := range 5 {
		override(t, db, fmt.Sprintf("%s/decisions/d%d", clientName, n), &pb.Override{OverrideId: fmt.Sprint("o", n)})
	}
}

// TestPlansFindWhatQueriesFind reads everything twice: from a plan in one run, and record
// by record.
func TestPlansFindWhatQueriesFind(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	aRecord(t, db)
	first := storage.Page{Size: 3}
	since := at(2).AsTime()
	plan := func() *storage.Plan {
		p := &storage.Plan{}
		storage.Clients.Want(p, clientName, chainName+"/clients/nobody", "", "not a name")
		storage.Consultations.Want(p, clientName+"/consultations/k1")
		storage.Salons.Want(p, chainName+"/salons/north", chainName+"/salons/it's")
		storage.Practitioners.Want(p, chainName+"/practitioners/amara")
		storage.Products.Want(p, chainName+"/products/p1")
		storage.WantActiveHousePolicy(p)
		storage.WantPolicyTexts(p)
		storage.Incidents.WantList(p, clientName, first)
		storage.WantVisits(p, clientName, first, 2)
		storage.WantRecentDecisions(p, clientName, since, 2)
		storage.WantMeasuredOutcomes(p, "amara", 3)
		storage.WantFacts(p, clientName+"/sessions/s1")
		storage.WantOutcomeOf(p, clientName+"/sessions/s0")
		return p
	}
	read := func(s *storage.Snapshot) (lines []string) {
		add := func(text string) { lines = append(lines, text) }
		for _, name := range []string{clientName, chainName + "/clients/nobody", "not a name", "chains/other/clients/c1"} {
			add(one(storage.Clients.GetUnchecked(s, name)))
		}
		add(one(storage.Consultations.GetUnchecked(s, clientName+"/consultations/k1")))
		add(one(storage.Salons.GetUnchecked(s, chainName+"/salons/north")))
		add(one(storage.Salons.GetUnchecked(s, chainName+"/salons/it's")))
		add(one(storage.Practitioners.GetUnchecked(s, chainName+"/practitioners/amara")))
		add(one(storage.Products.GetUnchecked(s, chainName+"/products/p1")))
		add(one(storage.Products.GetUnchecked(s, chainName+"/products/p2")))
		add(one(storage.ActiveHousePolicy(s)))
		for _, digest := range []string{"abc", "abd"} {
			has, err := storage.HasPolicyText(s, digest)
			add(fmt.Sprint(has, err))
		}
		add(seen(storage.Incidents.List(s, clientName, first)))
		sessions, next, err := storage.ListSessions(s, storage.SessionFilter{Client: clientName}, first)
		add(seen(sessions, next, err))
		add(seen(storage.Outcomes.List(s, clientName, first)))
		for n, session := range sessions[:2] {
			found, err := storage.Events(s, session.Name, 0)
			add(seen(found, "", err))
			add(one(storage.Decisions.GetUnchecked(s, session.Decision)))
			attempts, err := storage.Overrides(s, session.Decision)
			add(seen(attempts, fmt.Sprint(n), err))
			signed, err := storage.CountersignatureOf(s, session.Decision)
			add(fmt.Sprint(signed, err))
		}
		recent, err := storage.RecentDecisions(s, clientName, since, 2, whole)
		add(seen(decisionsIn(recent), "", err))
		pace, err := storage.MeasuredOutcomes(s, "amara", 3)
		add(seen(pace, "", err))
		facts, err := storage.Facts(s, clientName+"/sessions/s1")
		add(seen(facts, "", err))
		return append(lines, one(storage.Outcomes.GetUnchecked(s, clientName+"/outcomes/o0")))
	}
	var want []string
	if err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error { want = read(s); return nil }); err != nil {
		t.Fatal(err)
	}
	for round := range 3 { // the later ones find records in the cache
		var got []string
		runs, err := look(t, db, chain, plan(), func(s *storage.Snapshot) error { got = read(s); return nil })
		if err != nil || runs != 1 || storage.MissedPlans(db) != 0 {
			t.Fatalf("round %d: %d runs, %v", round, runs, err)
		}
		for i := range want {
			if got[i] != want[i] {
				t.Errorf("round %d, read %d: a plan finds\n%s\nand a query\n%s", round, i, got[i], want[i])
			}
		}
	}
}

// TestWhatIsNotInThePlanIsReadAnyway: a function that reads more than it said runs again,
// and sees the same database.
func TestWhatIsNotInThePlanIsReadAnyway(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	aRecord(t, db)
	for what, read := range map[string]func(*storage.Snapshot) error{
		"a record": func(s *storage.Snapshot) error {
			_, err := storage.Clients.GetUnchecked(s, clientName)
			return err
		},
		"an error that hides it": func(s *storage.Snapshot) error {
			if _, err := storage.Clients.GetUnchecked(s, clientName); err != nil {
				return errors.New("no such client")
			}
			return nil
		},
		"a list": func(s *storage.Snapshot) error {
			list, _, err := storage.Outcomes.List(s, clientName, storage.Page{})
			if err == nil && len(list) != 5 {
				err = fmt.Errorf("%d outcomes", len(list))
			}
			return err
		},
		"a count":          func(s *storage.Snapshot) error { _, err := storage.CountOpen(s, clientName); return err },
		"events after one": func(s *storage.Snapshot) error { _, err := storage.Events(s, clientName+"/sessions/s4", 2); return err },
	} {
		p := &storage.Plan{}
		storage.Salons.Want(p, chainName+"/salons/north")
		before := storage.MissedPlans(db)
		if runs, err := look(t, db, chain, p, read); err != nil || runs != 2 || storage.MissedPlans(db) != before+1 {
			t.Errorf("%s: %d runs, %v", what, runs, err)
		}
	}
}

// TestPlansAnswerRetries: a request that was answered before is not decided again.
func TestPlansAnswerRetries(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	req, runs := salonRequest("harbour"), 0
	open := func() (*pb.CreateSalonResponse, error) {
		p := &storage.Plan{}
		storage.Salons.Want(p, chainName+"/salons/harbour")
		return storage.WritePlanned(t.Context(), db, chain, p, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
			runs++
			return newSalon(s, req)
		})
	}
	first, err := open()
	if err != nil {
		t.Fatal(err)
	}
	again, err := open()
	if err != nil || runs != 1 || !proto.Equal(first, again) {
		t.Errorf("%d runs, %v, %v and then %v", runs, err, first, again)
	}
}

// TestChangedRecordsAreSeenAtOnce: another server changes a record that this one has in
// memory. The next plan has the new one, without a conflict and without a second run.
func TestChangedRecordsAreSeenAtOnce(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	here, there := d.Open(t, storage.Config{}), d.Open(t, storage.Config{})
	name := chainName + "/products/regular"
	stored := &pb.Product{Name: name, DisplayName: "first"}
	put(t, here, storage.Products.Insert(stored))
	for n := range 4 {
		p := &storage.Plan{}
		storage.Products.Want(p, name)
		runs, err := look(t, here, chain, p, func(s *storage.Snapshot) error {
			got, err := storage.Products.GetUnchecked(s, name)
			if err == nil && !proto.Equal(got, stored) {
				t.Errorf("round %d: found %v, want %v", n, got, stored)
			}
			return err
		})
		if err != nil || runs != 1 {
			t.Fatalf("round %d: %d runs, %v", n, runs, err)
		}
		if kept, _ := storage.CachedRecords(here, chain); kept != 1 {
			t.Errorf("round %d: %d records in memory", n, kept)
		}
		if n%2 == 0 {
			continue // the next round finds it in memory
		}
		recalled := proto.CloneOf(stored)
		recalled.Lots = append(recalled.Lots, &pb.Lot{LotCode: fmt.Sprint("R-", n), RecallReason: "recalled"})
		put(t, there, storage.Products.Replace(stored, recalled))
		stored = recalled
	}
}

// TestRecordsOfAnotherChainAreNeverServed: two chains have records with the same IDs.
func TestRecordsOfAnotherChainAreNeverServed(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	chains := []string{chain, "low-tide", "nobody"}
	for _, c := range chains[:2] {
		req := salonRequest("north")
		req.Parent = "chains/" + c
		if _, err := storage.Write(t.Context(), db, c, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
			return newSalon(s, req)
		}); err != nil {
			t.Fatal(err)
		}
	}
	for range 3 {
		for _, c := range chains {
			p := &storage.Plan{}
			storage.Salons.Want(p, "chains/"+c+"/salons/north", "chains/low-tide/salons/north")
			_, err := look(t, db, c, p, func(s *storage.Snapshot) error {
				for _, of := range chains {
					found, err := storage.Salons.GetUnchecked(s, "chains/"+of+"/salons/north")
					if (err == nil) != (of == c && c != "nobody") || err == nil && !strings.HasPrefix(found.Name, "chains/"+c) {
						t.Errorf("in %s: %s is %v, %v", c, of, found, err)
					}
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
		}
	}
}

// TestPlanCacheIsBounded reads more than fits, of one chain and of many.
func TestPlanCacheIsBounded(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	read := func(in string, names ...string) {
		t.Helper()
		p := &storage.Plan{}
		storage.Products.Want(p, names...)
		if _, err := look(t, db, in, p, func(*storage.Snapshot) error { return nil }); err != nil {
			t.Fatal(err)
		}
	}
	var names []string
	var records []storage.Record
	for n := range 40 {
		names = append(names, fmt.Sprintf("%s/products/p%d", chainName, n))
		records = append(records, storage.Products.Insert(&pb.Product{Name: names[n], DisplayName: strings.Repeat("x", 50_000)}))
	}
	huge := chainName + "/products/huge"
	put(t, db, append(records, storage.Products.Insert(&pb.Product{Name: huge, DisplayName: strings.Repeat("x", storage.MaxChainBytes/4)}))...)
	for some := range slices.Chunk(names, 7) {
		read(chain, some...)
	}
	read(chain, huge)
	kept, bytes := storage.CachedRecords(db, chain)
	if bytes > storage.MaxChainBytes || kept < 15 || kept > 21 {
		t.Errorf("%d records with %d bytes are kept", kept, bytes)
	}
	for n := range storage.MaxCachedChains + 5 {
		read(fmt.Sprint("chain-", n), fmt.Sprintf("chains/chain-%d/products/p", n))
	}
	if kept, _ := storage.CachedRecords(db, chain); kept != 0 {
		t.Errorf("%d records of the chain that was used least are kept", kept)
	}
}

// TestPlansArePreparedAgain: a pooler leads to a server process that has not prepared the
// statement, or to one where another program has.
func TestPlansArePreparedAgain(t *testing.T) {
	t.Parallel()
	db := storagetest.NewDatabase(t).Open(t, storage.Config{MaxConns: 1})
	name := chainName + "/salons/north"
	put(t, db, storage.Salons.Insert(&pb.Salon{Name: name}))
	for _, disturb := range []func() error{
		func() error { return nil },
		func() error { return storage.DropPrepared(t.Context(), db) },
		func() error { return storage.ForgetPrepared(t.Context(), db) },
	} {
		if err := disturb(); err != nil {
			t.Fatal(err)
		}
		p := &storage.Plan{}
		storage.Salons.Want(p, name)
		runs, err := look(t, db, chain, p, func(s *storage.Snapshot) error { _, err := storage.Salons.GetUnchecked(s, name); return err })
		if err != nil || runs != 1 {
			t.Errorf("%d runs, %v", runs, err)
		}
		if after, err := storage.OutOfScope(t.Context(), db); err != nil || after.Chain != "" || len(after.Sees) > 0 {
			t.Errorf("the connection is left with %+v, %v", after, err)
		}
	}
}

// TestPlansKeepWithinTheirChain asks with names and chains that are no IDs.
func TestPlansKeepWithinTheirChain(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{MaxConns: 1})
	put(t, db, storage.Salons.Insert(&pb.Salon{Name: chainName + "/salons/north"}))
	before := count(t, d.SQL(t, localpg.Superuser))
	for _, id := range []string{"'", "\\", "'); delete from salons; --", `{"a","b"}`, "a,b", "{}", "\"", "north' or 'a' = 'a", "é", "\x00"} {
		for _, in := range []string{chain, "'; reset role; --", ""} {
			p := &storage.Plan{}
			storage.Salons.Want(p, chainName+"/salons/"+id)
			_, err := look(t, db, in, p, func(s *storage.Snapshot) error {
				_, err := storage.Salons.GetUnchecked(s, chainName+"/salons/"+id)
				return err
			})
			if !errors.Is(err, storage.ErrNotFound) {
				t.Errorf("%q in %q: %v", id, in, err)
			}
		}
	}
	if after := count(t, d.SQL(t, localpg.Superuser)); after != before {
		t.Errorf("rows are %+v, were %+v", after, before)
	}
}

// restored puts other events into a session, as a restored backup and the work after it do.
func restored(t *testing.T, d storagetest.Database, db *storage.DB, session string, events ...*pb.StoredEvent) {
	t.Helper()
	super := d.SQL(t, localpg.Superuser)
	do(t, super, "alter table session_events disable trigger user")
	do(t, super, "delete from session_events")
	do(t, super, "alter table session_events enable trigger user")
	for _, e := range events {
		put(t, db, storage.InsertEvent(session, e))
	}
}

// TestFactsAreThoseOfTheDatabase: facts from memory are those that a reader without memory
// finds, while another server adds some, after a restore, and after the client is erased.
func TestFactsAreThoseOfTheDatabase(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	here, there := d.Open(t, storage.Config{}), d.Open(t, storage.Config{})
	session := clientName + "/sessions/s1"
	event := func(n int, id string) *pb.StoredEvent {
		return &pb.StoredEvent{Event: &pb.Event{EventId: id, OccurTime: at(n)}, Sequence: int64(n), RecordTime: timestamppb.New(time.Unix(int64(n), 0)),
			Guidance: &pb.SessionState{Sequence: int64(n)}}
	}
	put(t, here, storage.Sessions.Insert(&pb.Session{Name: session}))
	facts := func(db *storage.DB) (found []*pb.StoredEvent, runs int) {
		t.Helper()
		p := &storage.Plan{}
		storage.WantFacts(p, session)
		runs, err := look(t, db, chain, p, func(s *storage.Snapshot) (err error) { found, err = storage.Facts(s, session); return err })
		if err != nil {
			t.Fatal(err)
		}
		return found, runs
	}
	check := func(what string, wantRuns int) {
		t.Helper()
		var want []*pb.StoredEvent
		if err := storage.Read(t.Context(), there, chain, func(s *storage.Snapshot) (err error) { want, err = storage.Events(s, session, 0); return err }); err != nil {
			t.Fatal(err)
		}
		for _, e := range want {
			e.Guidance = nil
		}
		got, runs := facts(here)
		if seen(got, "", nil) != seen(want, "", nil) || runs != wantRuns {
			t.Errorf("%s: %d facts in %d runs, want %d in %d", what, len(got), runs, len(want), wantRuns)
		}
	}
	check("none", 1)
	for n := 1; n <= 6; n++ {
		put(t, []*storage.DB{here, there}[n%2], storage.InsertEvent(session, event(n, fmt.Sprint("e", n))))
		check(fmt.Sprint("after event ", n), 1)
		check("again", 1)
	}
	restored(t, d, there, session, event(1, "e1"), event(2, "other"))
	check("a shorter history", 2)
	check("again", 1)
	restored(t, d, there, session, event(1, "x1"), event(2, "x2"), event(3, "x3"))
	check("another history", 2)
	restored(t, d, there, session)
	check("no history", 2)
	put(t, there, storage.InsertEvent(session, event(1, "y")))
	check("a new one", 1)
	here.MarkErased(clientName)
	if kept, bytes := storage.CachedFacts(here); kept != 0 || bytes != 0 {
		t.Errorf("%d sessions of an erased client are in memory, %d bytes", kept, bytes)
	}
}

// TestFactsInMemoryAreBounded keeps more than fits.
func TestFactsInMemoryAreBounded(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	storage.KeepFacts(db, chain, "too much", storage.MaxFactBytes/2)
	if kept, _ := storage.CachedFacts(db); kept != 0 {
		t.Error("a session that takes half of the memory is kept")
	}
	for n := range 100 {
		storage.KeepFacts(db, chain, fmt.Sprint(n), storage.MaxFactBytes/10)
	}
	if kept, bytes := storage.CachedFacts(db); kept != 10 || bytes > storage.MaxFactBytes {
		t.Errorf("%d sessions with %d bytes are kept", kept, bytes)
	}
}

// TestTwoRecordsWithOneEtag: an etag is a short digest. If two records share one, neither
// is taken for the other.
func TestTwoRecordsWithOneEtag(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	one, two := chainName+"/salons/one", chainName+"/salons/two"
	put(t, db, storage.Salons.Insert(&pb.Salon{Name: one}), storage.Salons.Insert(&pb.Salon{Name: two}))
	do(t, d.SQL(t, localpg.Superuser), "update salons set etag = 'same'")
	for _, names := range [][]string{{one}, {one, two}, {two, one}} {
		p := &storage.Plan{}
		storage.Salons.Want(p, names...)
		_, err := look(t, db, chain, p, func(s *storage.Snapshot) error {
			for _, name := range names {
				if _, err := storage.Salons.GetUnchecked(s, name); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Errorf("%v: %v", names, err)
		}
	}
}
