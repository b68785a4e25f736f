package integration

import (
	"crypto/sha256"
	"database/sql"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// wantCauses checks in the database itself that causes and audit entries go
// together: none of either is without the other, each entry carries the digest
// of its cause as stored, and both were written by one transaction.
func wantCauses(t *testing.T, db *sql.DB) {
	t.Helper()
	for what, query := range map[string]string{
		"refusals and referrals": `select coalesce(d.name, 'none'), coalesce(e.decision, 'none') from
			(select 'chains/' || chain || '/clients/' || parent || '/decisions/' || id as name, xmin::text as tx
				from decisions where verdict in ('VERDICT_REFUSE', 'VERDICT_REFER')) d
			full outer join
			(select decision, xmin::text as tx from audit_entries where kind in ('ENTRY_KIND_REFUSAL', 'ENTRY_KIND_REFERRAL')) e
			on d.name = e.decision and d.tx = e.tx where d.name is null or e.decision is null`,
		"overrides": `select coalesce(o.decision, 'none'), coalesce(e.decision, 'none') from
			(select parent as decision, xmin::text as tx from overrides) o
			full outer join
			(select split_part(decision, '/', 6) as decision, xmin::text as tx from audit_entries
				where kind in ('ENTRY_KIND_OVERRIDE', 'ENTRY_KIND_OVERRIDE_DENIED')) e
			on o.decision = e.decision and o.tx = e.tx where o.decision is null or e.decision is null`,
		"entries and requests": `select e.id, coalesce(r.id, 'none') from audit_entries e
			left join requests r on r.chain = e.chain and r.xmin::text = e.xmin::text
			where r.id is null and e.kind not in ('ENTRY_KIND_COVERAGE', 'ENTRY_KIND_BASELINE')`, // the leader makes these
	} {
		for _, pair := range pairs(t, db, query) {
			t.Errorf("%s: cause %s, entry %s", what, pair[0], pair[1])
		}
	}
	wantDigests(t, db)
}

// pairs is the rows of a query with two columns of text.
func pairs(t *testing.T, db *sql.DB, query string) (found [][2]string) {
	t.Helper()
	rows, err := db.Query(query)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var pair [2]string
		if err := rows.Scan(&pair[0], &pair[1]); err != nil {
			t.Fatal(err)
		}
		found = append(found, pair)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return found
}

// wantDigests checks the digests of causes that are never changed: decisions,
// overrides and facts.
func wantDigests(t *testing.T, db *sql.DB) {
	t.Helper()
	stored := map[string]bool{}
	for _, body := range bodies(t, db, "select body from decisions union all select body from overrides union all select body from session_events") {
		sum := sha256.Sum256(body)
		stored[string(sum[:])] = true
	}
	for _, body := range bodies(t, db, "select body from audit_entries") {
		e := &pb.AuditEntry{}
		if err := proto.Unmarshal(body, e); err != nil {
			t.Fatal(err)
		}
		switch e.Kind {
		case pb.EntryKind_ENTRY_KIND_REFUSAL, pb.EntryKind_ENTRY_KIND_REFERRAL, pb.EntryKind_ENTRY_KIND_OVERRIDE, pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED:
			if !stored[string(e.CauseDigest)] {
				t.Errorf("the cause of %v is not stored as it was", e)
			}
		}
	}
}

// bodies is a column of bytes.
func bodies(t testing.TB, db *sql.DB, query string) (found [][]byte) {
	t.Helper()
	rows, err := db.Query(query)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var body []byte
		if err := rows.Scan(&body); err != nil {
			t.Fatal(err)
		}
		found = append(found, body)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return found
}
