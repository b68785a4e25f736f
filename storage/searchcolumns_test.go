package storage_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// columnsOf reads the search columns that TestRecomputeColumns damages.
const columnsOf = `select coalesce(string_agg(c, E'\n' order by c), '') from (
	select concat_ws('|', 'decision', id, verdict, coalesce(salon, 'none'), coalesce(actor, 'none'), create_time) as c from decisions
	union all select concat_ws('|', 'outcome', id, session, coalesce(bad::text, 'none')) from outcomes
	union all select concat_ws('|', 'event', id, sequence, coalesce(discomfort::text, 'none')) from session_events
	union all select concat_ws('|', 'session', id, decision, sequence, coalesce(open::text, 'none')) from sessions) all_columns`

// TestRecomputeColumns damages search columns of every kind that has them, as a
// migration leaves a new column, interrupts the recomputation after each of its
// first pages, and resumes it.
func TestRecomputeColumns(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	const decisions = 1100 // three pages
	var records []storage.Record
	for i := range decisions {
		records = append(records, storage.Decisions.Insert(&pb.Decision{Name: fmt.Sprintf("%s/decisions/d%04d", clientName, i),
			Verdict: pb.Verdict_VERDICT_PROCEED, Actor: chainName + "/practitioners/p",
			Inputs: &pb.DecisionInputs{Salon: &pb.Salon{Name: chainName + "/salons/s"}}}))
	}
	session := &pb.Session{Name: clientName + "/sessions/s1", Decision: clientName + "/decisions/d0001", Sequence: 1}
	records = append(records, storage.Sessions.Insert(session),
		storage.InsertEvent(session.Name, &pb.StoredEvent{Sequence: 1, Event: &pb.Event{EventId: "e1", Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_BURNING}}}}),
		storage.Outcomes.Insert(&pb.Outcome{Name: clientName + "/outcomes/o1", Session: session.Name}))
	put(t, db, records...)
	var want string
	read := func() (columns string) {
		t.Helper()
		if err := super.QueryRow(columnsOf).Scan(&columns); err != nil {
			t.Fatal(err)
		}
		return columns
	}
	want = read()
	for _, damage := range []string{
		"update decisions set salon = null, actor = 'forged'", "update outcomes set bad = not bad",
		"update session_events set sequence = 7, discomfort = null", "update sessions set open = not open, sequence = 9",
	} {
		table := strings.Fields(damage)[1]
		guarded := table != "sessions"
		if guarded {
			damage = "alter table " + table + " disable trigger refuse_change; " + damage + "; alter table " + table + " enable always trigger refuse_change"
		}
		if _, err := super.Exec(damage); err != nil {
			t.Fatal(damage, err)
		}
	}
	if read() == want {
		t.Fatal("nothing was damaged")
	}
	for _, table := range []string{"decisions", "outcomes", "session_events", "sessions"} {
		if found := columnMismatches(t, db, table); len(found) == 0 {
			t.Errorf("%s: the damage is not reported", table)
		}
	}
	stop := errors.New("interrupted")
	var at storage.ColumnsPosition
	updated, runs := int64(0), 0
	for {
		runs++
		err := storage.RecomputeColumns(t.Context(), db, d.DSN(storage.RoleMigrator), chain, at, func(p storage.ColumnsPosition, n int64) error {
			at, updated = p, updated+n
			return stop
		})
		if err == nil {
			break
		}
		if !errors.Is(err, stop) {
			t.Fatal(err)
		}
	}
	if runs < 6 || updated != decisions+3 {
		t.Errorf("%d runs updated %d rows, want at least 6 runs and %d rows", runs, updated, decisions+3)
	}
	if got := read(); got != want {
		t.Errorf("the columns differ from those before the damage:\n%.500s\nwant:\n%.500s", got, want)
	}
	for _, table := range storage.SearchableTables() {
		if found := columnMismatches(t, db, table); len(found) > 0 {
			t.Errorf("%s: %v", table, found)
		}
	}
	if _, err := super.Exec("update decisions set salon = null"); err == nil {
		t.Error("after the recomputation, a decision could be changed")
	}
	if missing, err := db.Guards(t.Context()); err != nil || len(missing) > 0 {
		t.Errorf("guards that differ afterwards: %v, %v", missing, err)
	}
}

// TestNewSearchColumn adds a column to a sealed table as a migration does: the old
// rows have NULL in it, and the recomputation fills them.
func TestNewSearchColumn(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	put(t, db, storage.Decisions.Insert(&pb.Decision{Name: clientName + "/decisions/d1", Verdict: pb.Verdict_VERDICT_PROCEED,
		Inputs: &pb.DecisionInputs{Salon: &pb.Salon{Name: chainName + "/salons/s"}}}))
	if _, err := super.Exec("alter table decisions drop column salon; alter table decisions add column salon text"); err != nil {
		t.Fatal(err)
	}
	var updated int64
	for range 2 {
		err := storage.RecomputeColumns(t.Context(), db, d.DSN(storage.RoleMigrator), chain, storage.ColumnsPosition{}, func(_ storage.ColumnsPosition, n int64) error {
			updated += n
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	var salon string
	if err := super.QueryRow("select salon from decisions").Scan(&salon); err != nil || salon != chainName+"/salons/s" || updated != 1 {
		t.Errorf("salon %q, %d rows updated in two runs, %v; want 1", salon, updated, err)
	}
}

// columnMismatches is what InspectColumns finds in a table.
func columnMismatches(t *testing.T, db *storage.DB, table string) (all []storage.Mismatch) {
	t.Helper()
	for at, first := ([2]string{}), true; first || at != [2]string{}; first = false {
		err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
			found, next, err := storage.InspectColumns(s, table, at, 400)
			all, at = append(all, found...), next
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return all
}
