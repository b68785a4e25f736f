package storage_test

import (
	"bytes"
	"errors"
	"fmt"
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

// of is a consultation of a client.
func of(client, id, remarks string) *pb.Consultation {
	return &pb.Consultation{Name: chainName + "/clients/" + client + "/consultations/" + id, Remarks: remarks}
}

// remarks reads what a consultation says.
func remarks(t testing.TB, db *storage.DB, in, name string) (string, error) {
	t.Helper()
	var text string
	err := storage.Read(t.Context(), db, in, func(s *storage.Snapshot) error {
		c, err := storage.Consultations.GetUnchecked(s, name)
		text = c.GetRemarks()
		return err
	})
	return text, err
}

// TestSealedBytesOpenInTheirPlaceOnly moves what is stored as somebody could who
// has the database: to another row, another table and another chain, and changes
// it. None of it can be read.
func TestSealedBytesOpenInTheirPlaceOnly(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	mine := of("c1", "n1", "mine")
	put(t, db, storage.Consultations.Insert(mine), storage.Consultations.Insert(of("c1", "n2", "too")),
		storage.Consultations.Insert(of("c2", "n1", "another's")), storage.Outcomes.Insert(&pb.Outcome{Name: clientName + "/outcomes/n1", Session: "s", Comments: "even"}))
	if text, err := remarks(t, db, chain, mine.Name); err != nil || text != "mine" {
		t.Fatalf("got %q, %v", text, err)
	}
	const at = "chain = 'ebb-and-flow' and parent = 'c1' and id = 'n1'"
	for what, statement := range map[string]string{
		"of another row":    "update consultations set body = (select body from consultations where parent = 'c1' and id = 'n2') where " + at,
		"of another client": "update consultations set body = (select body from consultations where parent = 'c2' and id = 'n1') where " + at,
		"of another table":  "update consultations set body = (select body from outcomes where parent = 'c1' and id = 'n1') where " + at,
		"changed":           "update consultations set body = set_byte(body, 20, 255 - get_byte(body, 20)) where " + at,
		"cut short":         "update consultations set body = substring(body for 10) where " + at,
		"emptied":           "update consultations set body = '' where " + at,
		"in clear":          "update consultations set body = '\\x7a036d696e65' where " + at,
	} {
		tx, err := pool.BeginTx(t.Context(), nil)
		if err != nil {
			t.Fatal(err)
		}
		var was []byte
		if err := tx.QueryRow("select body from consultations where " + at).Scan(&was); err != nil {
			t.Fatal(err)
		}
		if _, err := tx.Exec(statement); err != nil {
			t.Fatal(err)
		}
		if err := tx.Commit(); err != nil {
			t.Fatal(err)
		}
		if text, err := remarks(t, db, chain, mine.Name); !errors.Is(err, storage.ErrSealed) || text != "" {
			t.Errorf("%s: got %q, %v", what, text, err)
		}
		if _, err := pool.Exec("update consultations set body = $1 where "+at, was); err != nil {
			t.Fatal(err)
		}
	}
	// With its key and all, in another chain.
	for _, statement := range []string{
		"insert into client_keys select 'other', client, version, wrapped from client_keys where client = 'c1'",
		"insert into consultations select 'other', parent, id, etag, body from consultations where " + at,
	} {
		if _, err := pool.Exec(statement); err != nil {
			t.Fatal(err)
		}
	}
	if text, err := remarks(t, db, "other", "chains/other/clients/c1/consultations/n1"); !errors.Is(err, storage.ErrSealed) || text != "" {
		t.Errorf("in another chain: got %q, %v", text, err)
	}
	// The key of one client does not open as that of another.
	if _, err := pool.Exec("update client_keys set wrapped = (select wrapped from client_keys where client = 'c2' and chain = 'ebb-and-flow') where client = 'c1'"); err != nil {
		t.Fatal(err)
	}
	if text, err := remarks(t, db, chain, mine.Name); !errors.Is(err, storage.ErrSealed) || text != "" {
		t.Errorf("under another's key: got %q, %v", text, err)
	}
}

// TestWrongAndMissingKeys opens a database with other keys, and with none.
func TestWrongAndMissingKeys(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	mine := of("c1", "n1", "mine")
	put(t, d.Open(t, storage.Config{}), storage.Consultations.Insert(mine))
	line, err := keyring.NewKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	other := d.Open(t, storage.Config{Keys: &keyring.Ring{Read: func() ([]string, error) { return []string{line}, nil }}})
	sameVersion := d.Open(t, storage.Config{Keys: &keyring.Ring{Read: func() ([]string, error) {
		return []string{strings.Replace(storagetest.KeyLine, "00 A", "00 B", 1)}, nil
	}}})
	for what, db := range map[string]*storage.DB{"another version": other, "another key of that version": sameVersion} {
		if text, err := remarks(t, db, chain, mine.Name); !errors.Is(err, storage.ErrSealed) || text != "" {
			t.Errorf("%s: got %q, %v", what, text, err)
		}
		found, err := storage.CheckKeys(t.Context(), db, chain)
		if err != nil || found.Unreadable() != 1 || found.Opened != 0 {
			t.Errorf("%s: the check says %+v, %v", what, found, err)
		}
	}
	none, err := storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer)})
	if err != nil {
		t.Fatal(err)
	}
	defer none.Close()
	if text, err := remarks(t, none, chain, mine.Name); err == nil || text != "" {
		t.Errorf("without keys: got %q", text)
	}
	_, err = storage.Write(t.Context(), none, chain, salonRequest("any"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		return &pb.CreateSalonResponse{}, storage.Changes{Records: []storage.Record{storage.Clients.Insert(&pb.Client{Name: chainName + "/clients/c9"})}}, nil
	})
	if err == nil || !strings.Contains(err.Error(), "no keys") {
		t.Errorf("without keys a client was taken in: %v", err)
	}
}

// TestRewrap rotates the key that clients' keys are wrapped with while the
// database is in use: nothing sealed changes, and the old key can go.
func TestRewrap(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	lines := []string{storagetest.KeyLine}
	var mu sync.Mutex
	ring := &keyring.Ring{Read: func() ([]string, error) { mu.Lock(); defer mu.Unlock(); return lines, nil }}
	db, pool := d.Open(t, storage.Config{Keys: ring}), d.SQL(t, localpg.Superuser)
	const n = 1203 // more than are wrapped at once
	var records []storage.Record
	for i := range n {
		records = append(records, storage.Clients.Insert(&pb.Client{Name: fmt.Sprintf("%s/clients/c%d", chainName, i), DisplayName: "Nia"}))
	}
	put(t, db, records...)
	put(t, db, storage.Consultations.Insert(of("c7", "n1", "mine")))
	sealed := func() (bodies string) {
		if err := pool.QueryRow("select md5(string_agg(body, '' order by id)) from clients").Scan(&bodies); err != nil {
			t.Fatal(err)
		}
		return bodies
	}
	before := sealed()
	line, err := keyring.NewKey(lines)
	if err != nil {
		t.Fatal(err)
	}
	mu.Lock()
	lines = []string{line, storagetest.KeyLine}
	mu.Unlock()
	if err := ring.Reload(); err != nil {
		t.Fatal(err)
	}
	if done, err := storage.Rewrap(t.Context(), db, chain); err != nil || done != n {
		t.Errorf("%d keys wrapped anew, %v; want %d", done, err, n)
	}
	if done, err := storage.Rewrap(t.Context(), db, chain); err != nil || done != 0 {
		t.Errorf("again: %d keys, %v", done, err)
	}
	if sealed() != before {
		t.Error("what is sealed has changed")
	}
	mu.Lock()
	lines = lines[:1]
	mu.Unlock()
	withdrawn := d.Open(t, storage.Config{Keys: &keyring.Ring{Read: func() ([]string, error) { return []string{line}, nil }}})
	if text, err := remarks(t, withdrawn, chain, of("c7", "n1", "").Name); err != nil || text != "mine" {
		t.Errorf("with the new key alone: %q, %v", text, err)
	}
	wantFound(t, withdrawn, chain, storage.ClientLookup{DisplayName: "nia"}, n)
}

// wantFound wants a lookup to find so many clients.
func wantFound(t testing.TB, db *storage.DB, in string, l storage.ClientLookup, want int) {
	t.Helper()
	found := 0
	for page := (storage.Page{Size: 500}); ; {
		err := storage.Read(t.Context(), db, in, func(s *storage.Snapshot) error {
			clients, next, err := storage.FindClients(s, l, page)
			found, page.Token = found+len(clients), next
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		if page.Token == "" {
			break
		}
	}
	if found != want {
		t.Errorf("%+v finds %d in %s, want %d", l, found, in, want)
	}
}

// TestClientsAreFound by name and contacts however these are written, in their
// own chain, until they are changed or erased. What is in the table says
// nothing, and differs from chain to chain and field to field.
func TestClientsAreFound(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	zoe := &pb.Client{Name: chainName + "/clients/c1", DisplayName: "Zoë  Straße", Phone: "+44 (20) 7946-0001", Email: "Zoe@Example.org"}
	put(t, db, storage.Clients.Insert(zoe), storage.Clients.Insert(&pb.Client{Name: chainName + "/clients/c2", DisplayName: "Zoë Straße"}),
		storage.Clients.Insert(&pb.Client{Name: chainName + "/clients/c3", DisplayName: "zoe@example.org", Phone: "none"}))
	for l, want := range map[storage.ClientLookup]int{
		{}:                                       3,
		{DisplayName: " zoe\u0308 STRASSE "}:     2,
		{DisplayName: "Zoe Strasse"}:             0,
		{Phone: "0044 20 79460001"}:              1,
		{Phone: "+442079460001"}:                 1,
		{Phone: "442079460001"}:                  0,
		{Email: "zoe@example.ORG"}:               1,
		{DisplayName: "Zoe@example.org"}:         1,
		{DisplayName: "zoë straße", Email: "no"}: 0,
		{DisplayName: "zoë straße", Phone: "+44 20 7946 0001", Email: "zoe@example.org"}: 1,
	} {
		wantFound(t, db, chain, l, want)
		if l != (storage.ClientLookup{}) {
			wantFound(t, db, "other", l, 0)
		}
	}
	var rows, hashes int
	if err := pool.QueryRow("select count(*), count(distinct hash) from client_index where field in ('display_name', 'phone', 'email')").Scan(&rows, &hashes); err != nil || rows != 5 || hashes != 4 {
		t.Errorf("%d marks, %d different, %v; want 5 and 4: two of one name", rows, hashes, err)
	}
	renamed := proto.CloneOf(zoe)
	renamed.DisplayName, renamed.Phone = "Nia", ""
	put(t, db, storage.Clients.Replace(zoe, renamed))
	wantFound(t, db, chain, storage.ClientLookup{DisplayName: "Zoë Straße"}, 1)
	wantFound(t, db, chain, storage.ClientLookup{Phone: "+442079460001"}, 0)
	wantFound(t, db, chain, storage.ClientLookup{DisplayName: "nia", Email: "zoe@example.org"}, 1)
	if err := erase(t.Context(), db, "c1"); err != nil {
		t.Fatal(err)
	}
	wantFound(t, db, chain, storage.ClientLookup{DisplayName: "nia"}, 0)
	if n := rowsWhere(t, pool, "client_index where client = 'c1'"); n != 0 {
		t.Errorf("%d marks of a client who was erased", n)
	}
	for _, l := range []storage.ClientLookup{{DisplayName: " "}, {Phone: "none"}, {Email: " "}} {
		if field, _ := l.Invalid(); field == "" {
			t.Errorf("%+v passes", l)
		}
	}
}

// TestCausesAreNamedAsStored: an entry's digest of its cause is that of the
// sealed bytes, also of a record that was read; of anything else of a client's it
// is one that nobody can make without the key.
func TestCausesAreNamedAsStored(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	written, readOnly, alarm := of("c1", "n2", "written"), of("c1", "n1", "read"), &pb.Alarm{Message: "rinse"}
	put(t, db, storage.Consultations.Insert(readOnly))
	var entries []*pb.AuditEntry
	_, err := storage.Write(t.Context(), db, chain, salonRequest("any"), func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		if _, err := storage.Consultations.GetUnchecked(s, readOnly.Name); err != nil {
			return nil, storage.Changes{}, err
		}
		insert := storage.Consultations.Insert(written)
		entries = nil
		for _, m := range []proto.Message{written, readOnly, alarm} {
			e := caused(t, m, "", pb.EntryKind_ENTRY_KIND_DEVIATION)
			e.Client = clientName
			entries = append(entries, e)
		}
		return &pb.CreateSalonResponse{}, storage.Changes{Records: []storage.Record{insert}, Entries: entries}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, id := range []string{"n2", "n1"} {
		var digest []byte
		if err := pool.QueryRow("select sha256(body) from consultations where id = $1", id).Scan(&digest); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(digest, entries[i].CauseDigest) {
			t.Errorf("%s: the digest is not that of the stored bytes", id)
		}
	}
	plain := caused(t, alarm, "", pb.EntryKind_ENTRY_KIND_DEVIATION).CauseDigest
	if len(entries[2].CauseDigest) == 0 || bytes.Equal(entries[2].CauseDigest, plain) {
		t.Error("the digest of an alarm can be guessed at")
	}
	// Etags are digests too.
	var column string
	if err := pool.QueryRow("select etag from consultations where id = 'n1'").Scan(&column); err != nil || column == "" || column == readOnly.Etag {
		t.Errorf("the etag of %q is stored in clear as %q, %v", readOnly.Etag, column, err)
	}
}
