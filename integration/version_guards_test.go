package integration

import (
	"path"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage/localpg"
)

// changeDuring stores another version of a row while call is between its snapshot
// and its commit: an uncommitted update holds the row until the call waits for it,
// as a version guard must, or has returned. The version is one that the server
// itself had stored, which capture reads.
func (s *testServer) changeDuring(t testing.TB, table, id string, version rowVersion, call func()) {
	t.Helper()
	pool := s.database.SQL(t, localpg.Superuser)
	tx, err := pool.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	if _, err := tx.Exec("update "+table+" set etag = $2, body = $3, write_id = $4 where id = $1", id, version.etag, version.body, version.write); err != nil {
		t.Fatal(err)
	}
	var holder int
	if err := tx.QueryRow("select pg_backend_pid()").Scan(&holder); err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() { defer close(done); call() }()
	for end := time.Now().Add(time.Minute); ; {
		var waiting bool
		if err := pool.QueryRow("select exists (select from pg_stat_activity where datname = current_database() and $1 = any(pg_blocking_pids(pid)))", holder).Scan(&waiting); err != nil {
			t.Fatal(err)
		}
		select {
		case <-done:
			t.Errorf("the call returned without waiting for the version of %s", table)
			return
		default:
		}
		if waiting {
			break
		}
		if time.Now().After(end) {
			t.Fatal("the call neither waits nor returns")
		}
	}
	if err := tx.Commit(); err != nil {
		t.Fatal(err)
	}
	<-done
}

// rowVersion is a stored version of a record.
type rowVersion struct {
	etag, write string
	body        []byte
}

// capture reads the stored version of a record.
func (s *testServer) capture(t testing.TB, table, id string) (v rowVersion) {
	t.Helper()
	err := s.database.SQL(t, localpg.Superuser).QueryRow("select etag, body, write_id from "+table+" where id = $1", id).Scan(&v.etag, &v.body, &v.write)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestLegalHoldDuringErasure sets a legal hold between the snapshot of an erasure
// and its commit: the erasure is decided again and refused.
func TestLegalHoldDuringErasure(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	client := c.client(t)
	hold := func(held bool) {
		must(t, c.odile, c.consultation.UpdateClient, &pb.UpdateClientRequest{
			Client: &pb.Client{Name: client, LegalHold: held}, UpdateMask: updateMask("legal_hold"), RequestId: newID()})
	}
	hold(true)
	held := s.capture(t, "clients", path.Base(client))
	hold(false)
	var err error
	s.changeDuring(t, "clients", path.Base(client), held, func() {
		_, err = c.consultation.EraseClient(c.odile.calling(t), &pb.EraseClientRequest{Name: client, RequestId: newID()})
	})
	wantError(t, "a legal hold during an erasure", err, codes.FailedPrecondition, "LEGAL_HOLD")
}

// TestProductChangeDuringStart changes the composition of the product between the
// snapshot of StartSession and its commit. On the snapshot the service may begin; on
// the changed product the decision is outdated. So the refusal, with a new decision on
// the changed version, shows that the start was decided again.
func TestProductChangeDuringStart(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := c.proceedDecision(t)
	product := d.Inputs.Product
	id := path.Base(product.Name)
	was := s.capture(t, "products", id)
	strength := pb.Strength_STRENGTH_SUPER
	if product.Strength == strength {
		t.Fatalf("the product is %v already", strength)
	}
	changed := must(t, c.odile, c.catalog.UpdateProduct, &pb.UpdateProductRequest{
		Product: &pb.Product{Name: product.Name, Strength: strength}, UpdateMask: updateMask("strength"), RequestId: newID()}).Product
	replaced := s.capture(t, "products", id)
	if _, err := s.database.SQL(t, localpg.Superuser).Exec("update products set etag = $2, body = $3, write_id = $4 where id = $1", id, was.etag, was.body, was.write); err != nil {
		t.Fatal(err)
	}
	var err error
	s.changeDuring(t, "products", id, replaced, func() {
		_, err = c.processing.StartSession(c.amara.calling(t), starting(d))
	})
	wantError(t, "a product changed during a start", err, codes.FailedPrecondition, "DECISION_OUTDATED")
	again := must(t, c.amara, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: named(err, "new_decision")}).Decision
	if again.Inputs.Product.Etag != changed.Etag {
		t.Errorf("decided on version %s of the product, want %s", again.Inputs.Product.Etag, changed.Etag)
	}
}
