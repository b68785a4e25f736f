package storage_test

import (
	"bytes"
	"encoding/hex"
	"strings"
	"sync"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// safeLog collects the log of PostgreSQL.
type safeLog struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write implements io.Writer.
func (l *safeLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *safeLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// TestBatchLogsNoKeys: PostgreSQL logs a failed statement with its text
// (log_min_error_statement is error by default). The migration turns that off for the
// server's role: a log that has the wrapped key of a client outlives the erasure.
func TestBatchLogsNoKeys(t *testing.T) {
	log := &safeLog{}
	cluster, err := localpg.Start(t.Context(), localpg.Config{Dir: storagetest.Dir(t), Log: log})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cluster.Stop() })
	d := storagetest.Database{Cluster: cluster, Name: localpg.Superuser}
	if err := storage.Migrate(t.Context(), d.DSN(localpg.Superuser)); err != nil {
		t.Fatal(err)
	}
	super := d.SQL(t, localpg.Superuser)
	do(t, super, "alter database "+d.Name+" set log_min_error_statement = error") // the default of PostgreSQL
	do(t, super, "alter role alkalog_server set log_min_messages = warning")
	b := newBatch(t, d)
	same := &pb.Salon{Name: chainName + "/salons/same"}
	put(t, b.db, storage.Salons.Insert(same))
	write := func(r storage.Record) func() error {
		return func() error {
			_, err := storage.Write(t.Context(), b.db, chain, salonRequest("any"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
				return &pb.CreateSalonResponse{}, storage.Changes{Records: []storage.Record{r}}, nil
			})
			return err
		}
	}
	errs := b.together(t, 2, nil, write(storage.Clients.Insert(&pb.Client{Name: clientName, DisplayName: "Invented"})), write(storage.Salons.Insert(same)))
	if errs[0] != nil || errs[1] == nil {
		t.Fatalf("got %v", errs)
	}
	var wrapped []byte
	if err := super.QueryRow("select wrapped from client_keys where client = 'c1'").Scan(&wrapped); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(log.String(), hex.EncodeToString(wrapped)) {
		t.Error("the server's log has the wrapped key of a client that is stored")
	}
}
