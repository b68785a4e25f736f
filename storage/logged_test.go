package storage_test

import (
	"bytes"
	"database/sql"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/keyring"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// The log of PostgreSQL outlives the erasure of a client. Whatever an operator has it log,
// it must not get the wrapped keys of clients, nor the digests by which they are found.

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

// secretBytes are the keys and digests of clients that a database has had.
type secretBytes [][]byte

// collect adds those that are stored now.
func (s *secretBytes) collect(t *testing.T, super *sql.DB) {
	t.Helper()
	rows, err := super.Query("select wrapped from client_keys union select hash from client_index")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var b []byte
		if err := rows.Scan(&b); err != nil {
			t.Fatal(err)
		}
		*s = append(*s, b)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
}

// written returns the ways in which bytes can be part of a text.
func written(b []byte) []string {
	var octal strings.Builder
	for _, c := range b {
		switch {
		case c == '\\':
			octal.WriteString(`\\`)
		case c < ' ' || c > '~':
			fmt.Fprintf(&octal, `\%03o`, c)
		default:
			octal.WriteByte(c)
		}
	}
	encoded := hex.EncodeToString(b)
	return []string{string(b), encoded, strings.ToUpper(encoded), base64.StdEncoding.EncodeToString(b), base64.RawURLEncoding.EncodeToString(b), octal.String()}
}

// newLogged starts a database whose server logs every statement, and the text of those
// that fail.
func newLogged(t *testing.T) (storagetest.Database, *safeLog) {
	t.Helper()
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
	for _, setting := range []string{"log_min_messages = warning", "log_statement = 'all'", "log_min_error_statement = error", "log_min_duration_statement = 0", "log_error_verbosity = 'default'"} {
		do(t, super, "alter role alkalog_server set "+setting)
	}
	return d, log
}

// TestServerLogHasNoSecrets: clients are made alone, in a batch, and in one of which a
// write is refused; one is changed, looked for and erased; the others get new keys.
func TestServerLogHasNoSecrets(t *testing.T) {
	t.Parallel()
	d, log := newLogged(t)
	b, super := newBatch(t, d), d.SQL(t, localpg.Superuser)
	var secrets secretBytes
	client := func(id string) *pb.Client {
		return &pb.Client{Name: chainName + "/clients/" + id, DisplayName: "Invented " + id, Phone: "+440000" + id, Email: id + "@example.test"}
	}
	insert := func(id string) func() error {
		return func() error {
			_, err := storage.Write(t.Context(), b.db, chain, salonRequest("any"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
				return &pb.CreateSalonResponse{}, storage.Changes{Records: []storage.Record{storage.Clients.Insert(client(id))}}, nil
			})
			return err
		}
	}
	wantNone(t, []error{insert("1")()})
	wantNone(t, b.together(t, 2, nil, insert("2"), insert("3")))
	do(t, super, "create function refuse() returns trigger language plpgsql as $$ begin if new.client = '5' then raise exception 'refused'; end if; return new; end $$;"+
		"create trigger refuse before insert on client_keys for each row execute function refuse(); alter table client_keys enable always trigger refuse")
	errs := b.together(t, 2, nil, insert("4"), insert("5"))
	do(t, super, "drop function refuse cascade") // a server refuses a database with it
	if errs[0] != nil || errs[1] == nil || !strings.Contains(log.String(), "ERROR:  refused") {
		t.Fatalf("got %v, want the second write refused, and the log to say so", errs)
	}
	secrets.collect(t, super)
	var old *pb.Client
	read(t, b.db, func(s *storage.Snapshot) (err error) {
		old, err = storage.Clients.GetUnchecked(s, client("1").Name)
		return err
	})
	changed := proto.CloneOf(old)
	changed.DisplayName = "Invented otherwise"
	put(t, b.db, storage.Clients.Replace(old, changed))
	wantFound(t, b.db, chain, storage.ClientLookup{DisplayName: changed.DisplayName}, 1)
	secrets.collect(t, super)
	if err := eraseClosed(t.Context(), b.db, "2"); err != nil {
		t.Fatal(err)
	}
	line, err := keyring.NewKey([]string{storagetest.KeyLine})
	if err != nil {
		t.Fatal(err)
	}
	newer := d.Open(t, storage.Config{Keys: &keyring.Ring{Read: func() ([]string, error) { return []string{line, storagetest.KeyLine}, nil }}})
	if n, err := storage.Rewrap(t.Context(), newer, chain); err != nil || n != 3 {
		t.Fatalf("%d keys were wrapped anew: %v", n, err)
	}
	secrets.collect(t, super)
	wantNoneLogged(t, log.String(), secrets)
}

// wantNoneLogged fails if a log has one of the secrets, or does not have the statements
// that they were in.
func wantNoneLogged(t *testing.T, text string, secrets secretBytes) {
	t.Helper()
	for _, want := range []string{"insert into client_keys", "insert into client_index", "from client_index", "update client_keys", "delete from client_keys"} {
		if !strings.Contains(text, want) {
			t.Errorf("PostgreSQL was not made to log %q", want)
		}
	}
	if len(secrets) < 20 {
		t.Errorf("only %d keys and digests", len(secrets))
	}
	for _, secret := range secrets {
		if slices.ContainsFunc(written(secret), func(form string) bool { return strings.Contains(text, form) }) {
			t.Errorf("the log of PostgreSQL has the key or digest %x", secret)
		}
	}
}
