package storage_test

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

const (
	chainName  = "chains/" + chain
	clientName = chainName + "/clients/c1"
)

// read runs a function on a snapshot and fails on an error.
func read(t testing.TB, db *storage.DB, fn func(*storage.Snapshot) error) {
	t.Helper()
	if err := storage.Read(t.Context(), db, chain, fn); err != nil {
		t.Error(err)
	}
}

// log writes audit entries.
func log(t testing.TB, db *storage.DB, entries ...*pb.AuditEntry) {
	t.Helper()
	_, err := storage.Write(t.Context(), db, chain, salonRequest("any"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		return &pb.CreateSalonResponse{}, storage.Changes{Entries: entries}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// override writes an override with the entry that it cannot do without.
func override(t testing.TB, db *storage.DB, decision string, o *pb.Override) {
	t.Helper()
	insert := storage.InsertOverride(decision, o)
	_, err := storage.Write(t.Context(), db, chain, salonRequest("any"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		return &pb.CreateSalonResponse{}, storage.Changes{Records: append(missing(t, db, []storage.Record{insert}), insert),
			Entries: []*pb.AuditEntry{caused(t, o, decision, pb.EntryKind_ENTRY_KIND_OVERRIDE)}}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// caused is the entry of a cause as it is stored.
func caused(t testing.TB, cause proto.Message, decision string, kind pb.EntryKind) *pb.AuditEntry {
	t.Helper()
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(cause)
	if err != nil {
		t.Fatal(err)
	}
	digest := sha256.Sum256(body)
	return &pb.AuditEntry{Kind: kind, Decision: decision, CauseDigest: digest[:], RecordTime: timestamppb.Now()}
}

// TestSearchColumns stores a message of each kind that has search columns, and
// looks at what is in these.
func TestSearchColumns(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	at := timestamppb.New(time.Date(2026, 11, 25, 9, 30, 0, 123456000, time.UTC))
	session := clientName + "/sessions/s1"
	put(t, db,
		storage.HousePolicies.Insert(&pb.HousePolicy{Name: chainName + "/policies/p", State: pb.PolicyState_POLICY_STATE_DRAFT}),
		storage.Decisions.Insert(&pb.Decision{Name: clientName + "/decisions/d1", Verdict: pb.Verdict_VERDICT_ASK, CreateTime: at, Actor: "a",
			Findings: []*pb.Finding{{}, {OverrideTerms: &pb.OverrideTerms{Allowed: true}}},
			Inputs:   &pb.DecisionInputs{Salon: &pb.Salon{Name: "s"}, Practitioner: &pb.Practitioner{Name: "p"}}}),
		storage.Sessions.Insert(&pb.Session{Name: session, Sequence: 7, Product: "a", LotCode: `L "1", {x}`, UpdateTime: at,
			Decision: "d1", ProductsUsed: []*pb.ProductUsed{{Product: "b"}}}),
		storage.Attempts.Insert(&pb.Attempt{Name: chainName + "/cases/k1/attempts/a1", Student: "u", State: pb.AttemptState_ATTEMPT_STATE_SUBMITTED}),
		storage.InsertEvent(session, &pb.StoredEvent{Event: &pb.Event{EventId: "e1"}, Sequence: 3}),
		storage.Outcomes.Insert(&pb.Outcome{Name: clientName + "/outcomes/o1", Session: session, Salon: "s", NextRetouchTime: at,
			Sections:        []*pb.SectionOutcome{{}, {Breakage: pb.Answer_ANSWER_YES}},
			ApplicationPace: &pb.ApplicationPace{Practitioner: "w", MinutesPerSection: 3, Sections: 4}}))
	log(t, db, &pb.AuditEntry{Name: chainName + "/entries/e1", Kind: pb.EntryKind_ENTRY_KIND_DEVIATION,
		Salon: "s", Actor: "a", Client: "c", Decision: "d", Session: "v", Product: "p", ReasonCode: "r", OnBehalfOf: "b", Till: "t",
		Practitioner: "w", LotCode: "l", Subjects: []string{"zone:ends", "section:nape"}, OverrideReason: "o",
		Rules: []*pb.RuleRef{{RuleId: "first"}, {RuleId: "second"}}, OccurTime: at, RecordTime: at, CauseDigest: []byte("why")})
	for table, want := range map[string]string{
		"house_policies": `{"state": "POLICY_STATE_DRAFT"}`,
		"decisions":      `{"verdict": "VERDICT_ASK", "create_time": "2026-11-25T09:30:00.123456+00:00", "salon": "s", "practitioner": "p", "actor": "a", "overridable": true}`,
		"sessions": `{"open": true, "sole": true, "used": ["a", "a 11X", "b"], "decision": "d1", "sequence": 7,
			"update_time": "2026-11-25T09:30:00.123456+00:00"}`,
		"attempts":       `{"student": "u", "submitted": true}`,
		"session_events": `{"sequence": 3, "discomfort": false}`,
		"outcomes": `{"session": "chains/ebb-and-flow/clients/c1/sessions/s1", "bad": true, "practitioner": "w", "salon": "s",
			"retouch_time": "2026-11-25T09:30:00.123456+00:00"}`,
		"audit_entries": `{"kind": "ENTRY_KIND_DEVIATION", "salon": "s", "actor": "a", "client": "c", "decision": "d", "session": "v",
			"practitioner": "w", "lot": "l", "subjects": ["zone:ends", "section:nape"], "override_reason": "o",
			"product": "p", "reason": "r", "rules": ["first", "second"], "on_behalf_of": "b", "till": "t", "position": 1, "cause_digest": "\\x776879",
			"occur_time": "2026-11-25T09:30:00.123456+00:00", "record_time": "2026-11-25T09:30:00.123456+00:00"}`,
	} {
		var got string
		var same bool
		err := pool.QueryRowContext(t.Context(), fmt.Sprintf(`select columns, columns = $1 from
			(select to_jsonb(r) - array['chain', 'parent', 'id', 'etag', 'body', 'write_id'] as columns from %s r) c`, table), want).Scan(&got, &same)
		if err != nil || !same {
			t.Errorf("%s: %v %s", table, err, got)
		}
	}
}

// TestGet finds a record by its full name and in its own chain only, and gives
// back what was stored.
func TestGet(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	consultation := &pb.Consultation{Name: clientName + "/consultations/n1", Remarks: "first visit"}
	put(t, db, storage.Consultations.Insert(consultation))
	if consultation.GetEtag() != storage.Etag(consultation) || consultation.GetEtag() == "" {
		t.Errorf("etag is %q", consultation.GetEtag())
	}
	read(t, db, func(s *storage.Snapshot) error {
		got, err := storage.Consultations.GetUnchecked(s, consultation.GetName())
		if !proto.Equal(got, consultation) {
			t.Errorf("got %v, want %v", got, consultation)
		}
		for _, name := range []string{
			"", "chains", "/", chainName, chainName + "/", chainName + "/consultations/n1", clientName, clientName + "/consultations/",
			chainName + "/clients/c2/consultations/n1", clientName + "/sessions/n1", chainName + "/salons/c1/consultations/n1",
			"chains/other/clients/c1/consultations/n1", "x/" + chain + "/clients/c1/consultations/n1", clientName + "/consultations/n1/x/n1",
		} {
			if _, err := storage.Consultations.GetUnchecked(s, name); !errors.Is(err, storage.ErrNotFound) {
				t.Errorf("%q: got %v", name, err)
			}
		}
		return err
	})
	err := storage.Read(t.Context(), db, "other", func(s *storage.Snapshot) error {
		_, err := storage.Consultations.GetUnchecked(s, consultation.GetName())
		return err
	})
	if !errors.Is(err, storage.ErrNotFound) {
		t.Errorf("from another chain: got %v", err)
	}
}

// TestOneHousePolicyInForce activates policies: the old one steps back in the
// same write, and a second one in force is refused by the database.
func TestOneHousePolicyInForce(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	first := &pb.HousePolicy{Name: chainName + "/policies/first", State: pb.PolicyState_POLICY_STATE_ACTIVE}
	second := &pb.HousePolicy{Name: chainName + "/policies/second", State: pb.PolicyState_POLICY_STATE_DRAFT}
	read(t, db, func(s *storage.Snapshot) error {
		if _, err := storage.ActiveHousePolicy(s); !errors.Is(err, storage.ErrNotFound) {
			t.Errorf("without one: got %v", err)
		}
		return nil
	})
	put(t, db, storage.HousePolicies.Insert(first), storage.HousePolicies.Insert(second))
	active, retired := proto.CloneOf(second), proto.CloneOf(first)
	active.State, retired.State = pb.PolicyState_POLICY_STATE_ACTIVE, pb.PolicyState_POLICY_STATE_RETIRED
	activate := storage.HousePolicies.Replace(second, active)
	_, err := storage.Write(t.Context(), db, chain, salonRequest("any"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		return &pb.CreateSalonResponse{}, storage.Changes{Records: []storage.Record{activate}}, nil
	})
	if !errors.Is(err, storage.ErrExists) {
		t.Errorf("two in force: got %v", err)
	}
	put(t, db, storage.HousePolicies.Replace(first, retired), activate)
	read(t, db, func(s *storage.Snapshot) error {
		got, err := storage.ActiveHousePolicy(s)
		if !proto.Equal(got, active) {
			t.Errorf("in force is %v", got)
		}
		return err
	})
}

// TestOverrides are read in the order they were made, of one decision only.
func TestOverrides(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	var want []string
	for range 3 {
		o := &pb.Override{OverrideId: storage.NewID(), Comment: "the supervisor looked twice"}
		want = append(want, o.GetOverrideId())
		override(t, db, clientName+"/decisions/d1", o)
		override(t, db, clientName+"/decisions/d2", &pb.Override{OverrideId: storage.NewID()})
	}
	read(t, db, func(s *storage.Snapshot) error {
		got, err := storage.Overrides(s, clientName+"/decisions/d1")
		if len(got) != len(want) {
			t.Fatalf("got %v", got)
		}
		for i := range got {
			if got[i].GetOverrideId() != want[i] {
				t.Errorf("got %v, want %v", got, want)
			}
		}
		return err
	})
}

// TestEventsOnce refuses a second event with the same id or the same place in
// the order; another session may use the id.
func TestEventsOnce(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	event := func(id string, sequence int64) *pb.StoredEvent {
		return &pb.StoredEvent{Event: &pb.Event{EventId: id}, Sequence: sequence}
	}
	one, two := clientName+"/sessions/s1", clientName+"/sessions/s2"
	put(t, db, storage.InsertEvent(one, event("e1", 1)), storage.InsertEvent(two, event("e1", 1)))
	for what, e := range map[string]*pb.StoredEvent{"the id": event("e1", 2), "the place": event("e2", 1)} {
		_, err := storage.Write(t.Context(), db, chain, salonRequest("any"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
			return &pb.CreateSalonResponse{}, storage.Changes{Records: []storage.Record{storage.InsertEvent(one, e)}}, nil
		})
		if !errors.Is(err, storage.ErrExists) {
			t.Errorf("%s taken: got %v", what, err)
		}
	}
}

// TestSessionFilter finds sessions by client, product, lot and decision.
func TestSessionFilter(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	a, b := chainName+"/products/a", chainName+"/products/b"
	name := func(client, id string) string { return chainName + "/clients/" + client + "/sessions/" + id }
	put(t, db,
		storage.Sessions.Insert(&pb.Session{Name: name("c1", "1"), Product: a, LotCode: "L1", Decision: "d1"}),
		storage.Sessions.Insert(&pb.Session{Name: name("c1", "2"), Product: a, LotCode: "L2", OtherSession: name("c1", "1")}),
		storage.Sessions.Insert(&pb.Session{Name: name("c2", "3"), Product: b, ProductsUsed: []*pb.ProductUsed{{Product: a, LotCode: "L1"}}}),
		storage.Sessions.Insert(&pb.Session{Name: name("c2", "4"), OtherSession: name("c2", "3")}))
	for want, f := range map[string]storage.SessionFilter{
		"4321": {},
		"21":   {Client: clientName},
		"321":  {Product: a},
		"31":   {Product: a, LotCode: "L1"},
		"1":    {Product: a, LotCode: "L1", Client: clientName},
		"3":    {Product: b},
		" 1":   {Decision: "d1"},
		"":     {Product: a, LotCode: "L"},
		" ":    {Client: "no name at all"},
	} {
		read(t, db, func(s *storage.Snapshot) error {
			sessions, next, err := storage.ListSessions(s, f, storage.Page{})
			got := ""
			for _, session := range sessions {
				got += session.GetName()[len(name("c1", "")):]
			}
			n, countErr := storage.CountSessions(s, f)
			if got != trim(want) || n != len(got) || next != "" {
				t.Errorf("%+v: got %q, counted %d, next %q", f, got, n, next)
			}
			return errors.Join(err, countErr)
		})
	}
}

// trim takes away the blanks by which two wants of one value differ.
func trim(s string) string {
	for len(s) > 0 && s[0] == ' ' {
		s = s[1:]
	}
	return s
}
