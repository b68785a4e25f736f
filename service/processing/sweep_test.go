package processing

import (
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/timing"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestMissedCallsAreOnTheLogOnce: a client says that it burns and nobody is seen
// to rinse. However many servers look, however often, the log says it once.
func TestMissedCallsAreOnTheLogOnce(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	begun := time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)
	burning := &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_BURNING}}}
	rinse := &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}}
	applied := &pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{
		SectionId: "front", Part: pb.SectionPart_SECTION_PART_MID_STRAND}}}
	missed := store(t, db, "missed", begun, applied, burning)
	store(t, db, "rinsed", begun, applied, burning, rinse)
	store(t, db, "quiet", begun, applied)
	now := begun.Add(119 * time.Second)
	look := func(at time.Time) {
		var servers sync.WaitGroup
		for range 3 {
			servers.Go(func() {
				if err := (Service{DB: db, Now: func() time.Time { return at }}).SweepOnce(t.Context()); err != nil {
					t.Error(err)
				}
			})
		}
		servers.Wait()
	}
	look(now)
	if got := alarms(t, db); len(got) != 0 {
		t.Errorf("a call that has stood for less than a minute counts as missed: %v", got)
	}
	now = begun.Add(4 * time.Minute)
	look(now)
	look(now.Add(time.Minute))
	got, once := alarms(t, db), map[string]bool{}
	if late := entries(t, db, pb.EntryKind_ENTRY_KIND_DEVIATION); len(late) != 1 || late[0].Session != missed {
		t.Errorf("that water came late is on the log as %v", late)
	}
	for _, e := range got {
		if once[e.RequestId] {
			t.Errorf("a missed call is logged twice: %v", e)
		}
		once[e.RequestId] = true
		if e.Session != missed || e.ReasonCode != pb.AlarmKind_ALARM_KIND_RINSE_NOW.String() || e.Actor != "server" ||
			e.Kind != pb.EntryKind_ENTRY_KIND_ALARM || !e.RecordTime.AsTime().Equal(now) {
			t.Errorf("the missed call is logged as %v", e)
		}
	}
	if len(got) == 0 {
		t.Error("the missed call is not on the log")
	}
}

// TestNothingKeepsTheSweepFromACall: neither somebody who takes the id that it would
// use, nor what is wrong with another chain.
func TestNothingKeepsTheSweepFromACall(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	begun := time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)
	burning := &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_BURNING}}}
	claim := func(chain, id string) {
		t.Helper()
		_, err := storage.Write(t.Context(), db, chain, &pb.UpdateSalonRequest{RequestId: id},
			func(*storage.Snapshot) (*pb.UpdateSalonResponse, storage.Changes, error) {
				return &pb.UpdateSalonResponse{}, storage.Changes{}, nil
			})
		if err != nil {
			t.Fatal(err)
		}
	}
	// The chain that comes first cannot record its call.
	broken := storeIn(t, db, "aft", "broken", begun, burning)
	claim("aft", missedAlarm(&pb.Session{Name: broken}, called(t, db, broken)).RequestId)
	// A caller can use what the contract takes for an id, and no other.
	missed := store(t, db, "missed", begun, burning)
	call := called(t, db, missed)
	checks, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	own := &pb.SubmitConsultationRequest{Name: "chains/ebb/clients/c/consultations/c", RequestId: missedAlarm(&pb.Session{Name: missed}, call).RequestId}
	if checks.Validate(own) == nil {
		t.Errorf("a caller can take the id %q", own.RequestId)
	}
	claim("ebb", uuid.NewSHA1(uuid.NameSpaceOID, []byte(missed+" "+call.Kind.String()+" ")).String())
	if err := (Service{DB: db, Now: func() time.Time { return begun.Add(4 * time.Minute) }}).SweepOnce(t.Context()); err == nil {
		t.Error("nobody is told of the chain that went wrong")
	}
	if got := alarms(t, db); len(got) != 1 || got[0].Session != missed {
		t.Errorf("on the log are %v", got)
	}
}

// TestSilentSessionsAreClosedOnce: nobody records anything for a day. However many
// servers look, the session is closed as left open once, and the log says so.
func TestSilentSessionsAreClosedOnce(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	begun := time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)
	based := &pb.Event{Fact: &pb.Event_BaseApplied{BaseApplied: &pb.BaseApplied{}}}
	silent := store(t, db, "silent", begun, based)
	later := store(t, db, "later", begun.Add(time.Minute), based)
	look := func(at time.Time) {
		var servers sync.WaitGroup
		for range 3 {
			servers.Go(func() {
				if err := (Service{DB: db, Now: func() time.Time { return at }}).SweepOnce(t.Context()); err != nil {
					t.Error(err)
				}
			})
		}
		servers.Wait()
	}
	look(begun.Add(silentFor))
	if got := leftOpenEntries(t, db); len(got) != 0 {
		t.Errorf("a session of exactly a day is closed: %v", got)
	}
	look(begun.Add(silentFor + time.Second))
	look(begun.Add(silentFor + 2*time.Second))
	got := leftOpenEntries(t, db)
	if len(got) != 1 || got[0].Session != silent || got[0].Actor != "server" || got[0].OnBehalfOf != "" {
		t.Errorf("on the log: %v, want one entry of %s", got, silent)
	}
	for name, want := range map[string]pb.ClosingReason{silent: pb.ClosingReason_CLOSING_REASON_LEFT_OPEN, later: 0} {
		err := storage.Read(t.Context(), db, "ebb", func(r *storage.Snapshot) error {
			session, err := storage.Sessions.GetUnchecked(r, name)
			if session.GetClosing().GetReason() != want {
				t.Errorf("%s: closed as %v, want %s", name, session.GetClosing(), want)
			}
			return err
		})
		if err != nil {
			t.Error(err)
		}
	}
}

// leftOpenEntries are the entries of sessions that were left open.
func leftOpenEntries(t *testing.T, db *storage.DB) (found []*pb.AuditEntry) {
	for _, e := range entries(t, db, pb.EntryKind_ENTRY_KIND_DEVIATION) {
		if e.Deviation == pb.DeviationKind_DEVIATION_KIND_LEFT_OPEN {
			found = append(found, e)
		}
	}
	return found
}

// store stores a session with facts a minute apart, the first at its begin, in
// the chain "ebb", and returns its name.
func store(t *testing.T, db *storage.DB, id string, begun time.Time, facts ...*pb.Event) string {
	t.Helper()
	return storeIn(t, db, "ebb", id, begun, facts...)
}

// storeIn is store for any chain. Each session has a client of its own.
func storeIn(t *testing.T, db *storage.DB, in, id string, begun time.Time, facts ...*pb.Event) string {
	t.Helper()
	client := &pb.Client{Name: "chains/" + in + "/clients/of-" + id}
	session := &pb.Session{Name: client.Name + "/sessions/" + id, StartTime: timestamppb.New(begun), UpdateTime: timestamppb.New(begun),
		Limits: &pb.SessionLimits{HardLimitMinutes: 18, StrandTestMinutes: 3, TargetPercent: 75, CapPercent: 80}, Sequence: int64(len(facts))}
	req := &pb.StartSessionRequest{RequestId: storage.NewID()}
	_, err := storage.Write(t.Context(), db, in, req, func(r *storage.Snapshot) (*pb.StartSessionResponse, storage.Changes, error) {
		records := []storage.Record{storage.Clients.Insert(client)}
		chain := &pb.Chain{Name: "chains/" + in}
		if _, err := storage.Chains.GetUnchecked(r, chain.Name); err != nil {
			records = append(records, storage.Chains.Insert(chain))
		}
		records = append(records, storage.Sessions.Insert(session))
		for i, fact := range facts {
			at := timestamppb.New(begun.Add(time.Duration(i) * time.Minute))
			records = append(records, storage.InsertEvent(session.Name, &pb.StoredEvent{Sequence: int64(i + 1), RecordTime: at,
				Event: &pb.Event{EventId: storage.NewID(), OccurTime: at, Fact: fact.Fact}}))
		}
		return &pb.StartSessionResponse{}, storage.Changes{Records: records}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return session.Name
}

// called is the call of a session as it stands after a minute.
func called(t *testing.T, db *storage.DB, name string) (call *pb.Alarm) {
	t.Helper()
	err := storage.Read(t.Context(), db, strings.Split(name, "/")[1], func(r *storage.Snapshot) error {
		session, err := storage.Sessions.GetUnchecked(r, name)
		if err != nil {
			return err
		}
		events, err := storage.Events(r, name, 0)
		call = timing.Fold(session, events, session.StartTime.AsTime().Add(time.Minute)).Alarms[0]
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return call
}

// alarms is what the log has of missed calls.
func alarms(t *testing.T, db *storage.DB) []*pb.AuditEntry {
	t.Helper()
	return entries(t, db, pb.EntryKind_ENTRY_KIND_ALARM)
}

// entries is what the log has of a kind.
func entries(t *testing.T, db *storage.DB, kind pb.EntryKind) (found []*pb.AuditEntry) {
	t.Helper()
	err := storage.Read(t.Context(), db, "ebb", func(r *storage.Snapshot) error {
		entries, _, err := storage.ListEntries(r, storage.EntryFilter{}, storage.Page{}, math.MaxInt64)
		for _, e := range entries {
			if e.Kind == kind {
				found = append(found, e.AuditEntry)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// TestWhatTimeBringsAboutIsOnTheLogOnce: the till is silent, and three servers look
// again and again.
func TestWhatTimeBringsAboutIsOnTheLogOnce(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	begun := time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)
	applied := &pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{
		SectionId: "front", Part: pb.SectionPart_SECTION_PART_MID_STRAND}}}
	silent := store(t, db, "silent", begun, applied)
	look := func(minute float64) []string {
		at := begun.Add(time.Duration(minute * float64(time.Minute)))
		var servers sync.WaitGroup
		for range 3 {
			servers.Go(func() {
				if err := (Service{DB: db, Now: func() time.Time { return at }}).SweepOnce(t.Context()); err != nil {
					t.Error(err)
				}
			})
		}
		servers.Wait()
		var kinds []string
		for _, e := range entries(t, db, pb.EntryKind_ENTRY_KIND_DEVIATION) {
			if e.Session != silent || e.Actor != "server" {
				t.Errorf("%v", e)
			}
			kinds = append(kinds, strings.TrimPrefix(e.ReasonCode, "DEVIATION_KIND_"))
		}
		slices.Sort(kinds)
		return kinds
	}
	if got := look(18.9); slices.Contains(got, "LIMIT_PASSED") {
		t.Errorf("a till has a minute to say that it was rinsed: %v", got)
	}
	want := []string{"LIMIT_PASSED", "RINSED_LATE", "STRAND_TEST_OVERDUE"}
	for _, minute := range []float64{19.1, 19.1, 40} {
		if got := look(minute); !slices.Equal(got, want) {
			t.Errorf("at minute %v the log has %v, want %v", minute, got, want)
		}
	}
	err := storage.Read(t.Context(), db, "ebb", func(r *storage.Snapshot) error {
		session, err := storage.Sessions.GetUnchecked(r, silent)
		for _, d := range session.GetDeviations() {
			if d.Kind == pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED && d.Entry == "" {
				t.Errorf("the session does not name the entry of %v", d)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}
