package storage_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"

	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

func TestWriteKeepsAllOrNothing(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	refused := errors.New("not today")
	salon := &pb.Salon{Name: "chains/" + chain + "/salons/harbour"}
	entry := &pb.AuditEntry{RecordTime: timestamppb.Now()}
	for name, c := range map[string]struct {
		changes storage.Changes
		err     error
		want    string
	}{
		"an error of the function":    {storage.Changes{Records: []storage.Record{storage.Salons.Insert(salon)}}, refused, "not today"},
		"a record of another chain":   {storage.Changes{Records: []storage.Record{storage.Salons.Insert(salon), storage.Salons.Insert(&pb.Salon{Name: "chains/other/salons/x"})}}, nil, `chain "other"`},
		"an entry of another chain":   {storage.Changes{Entries: []*pb.AuditEntry{{Name: "chains/other/entries/x", RecordTime: timestamppb.Now()}}}, nil, `chain "other"`},
		"an entry without a time":     {storage.Changes{Entries: []*pb.AuditEntry{{}}}, nil, "record time"},
		"a record without a name":     {storage.Changes{Records: []storage.Record{storage.Salons.Insert(&pb.Salon{})}}, nil, "not a resource name"},
		"a replacement of another":    {storage.Changes{Records: []storage.Record{storage.Salons.Replace(&pb.Salon{Name: "chains/a/salons/x"}, salon)}}, nil, "cannot replace"},
		"an override without an id":   {storage.Changes{Records: []storage.Record{storage.InsertOverride("chains/"+chain+"/clients/c/decisions/d", &pb.Override{})}}, nil, "no id"},
		"text that is not UTF-8":      {storage.Changes{Records: []storage.Record{storage.Salons.Insert(&pb.Salon{Name: salon.Name, DisplayName: "\xff"})}}, nil, "UTF-8"},
		"an entry broken by the last": {storage.Changes{Records: []storage.Record{storage.Salons.Insert(salon)}, Entries: []*pb.AuditEntry{entry, {Salon: "\x00", RecordTime: timestamppb.Now()}}}, nil, "invalid byte sequence"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := storage.Write(t.Context(), db, chain, salonRequest("harbour"),
				func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
					return &pb.CreateSalonResponse{}, c.changes, c.err
				})
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q", err, c.want)
			}
			if c.err != nil && err != c.err {
				t.Errorf("the function's error came back as %#v", err)
			}
			if got := count(t, pool); got != (counted{}) {
				t.Errorf("rows are %+v, want none", got)
			}
		})
	}
	answer, err := openSalon(t.Context(), db, salonRequest("harbour"))
	if err != nil {
		t.Fatal(err)
	}
	wantOnce(t, db, pool, answer)
}

func TestWriteNeedsARequestID(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	if _, err := openSalon(t.Context(), db, &pb.CreateSalonRequest{}); err == nil || !strings.Contains(err.Error(), "without an id") {
		t.Errorf("got %v", err)
	}
}

func TestEntriesAreCompleted(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	req := salonRequest("harbour")
	if _, err := openSalon(t.Context(), db, req); err != nil {
		t.Fatal(err)
	}
	err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
		entries, _, err := storage.ListEntries(s, storage.EntryFilter{}, storage.Page{}, math.MaxInt64)
		if len(entries) != 1 || !strings.HasPrefix(entries[0].GetName(), "chains/"+chain+"/entries/") || entries[0].GetRequestId() != req.GetRequestId() {
			t.Errorf("entries are %v", entries)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestRetry asks again with the same id: the answer is given again, and nothing
// is done.
func TestRetry(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	req := salonRequest("harbour")
	first, err := openSalon(t.Context(), db, req)
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		again, err := openSalon(t.Context(), db, proto.CloneOf(req))
		if err != nil || !proto.Equal(again, first) {
			t.Fatalf("got %v, %v, want %v", again, err, first)
		}
	}
	wantOnce(t, db, pool, first)
}

// TestRefusalIsStored: a refusal commits what it is to record, and a retry gets
// the same status again without being decided on.
func TestRefusalIsStored(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	req := salonRequest("harbour")
	status := &spb.Status{Code: 9, Message: "not today"}
	var recorded *pb.CreateSalonResponse
	decided := 0
	for range 3 {
		answer, err := storage.Write(t.Context(), db, chain, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
			decided++
			answer, changes, err := newSalon(s, req)
			recorded = answer
			changes.Refusal = status
			return answer, changes, err
		})
		var refused *storage.Refused
		if answer != nil || !errors.As(err, &refused) || !proto.Equal(refused.Status, status) {
			t.Fatalf("got %v, %v, want the status", answer, err)
		}
	}
	if decided != 1 {
		t.Errorf("decided %d times", decided)
	}
	wantOnce(t, db, pool, recorded)
	other := proto.CloneOf(req)
	other.Salon.DisplayName = "Another"
	if _, err := openSalon(t.Context(), db, other); !errors.Is(err, storage.ErrReused) {
		t.Errorf("other content under a refused id: got %v", err)
	}
}

// TestReused uses an id again for something else: other content, another kind
// of request. Another chain's ids are another matter.
func TestReused(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	req := salonRequest("harbour")
	first, err := openSalon(t.Context(), db, req)
	if err != nil {
		t.Fatal(err)
	}
	other := proto.CloneOf(req)
	other.Salon.DisplayName = "Another"
	if _, err := openSalon(t.Context(), db, other); !errors.Is(err, storage.ErrReused) {
		t.Errorf("other content: got %v", err)
	}
	_, err = storage.Write(t.Context(), db, chain, &pb.CreatePractitionerRequest{RequestId: req.RequestId},
		func(*storage.Snapshot) (*pb.CreatePractitionerResponse, storage.Changes, error) {
			t.Error("another kind of request was decided on")
			return &pb.CreatePractitionerResponse{}, storage.Changes{}, nil
		})
	if !errors.Is(err, storage.ErrReused) {
		t.Errorf("another kind: got %v", err)
	}
	wantOnce(t, db, pool, first)
	_, err = storage.Write(t.Context(), db, "other-chain", req, func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		return &pb.CreateSalonResponse{}, storage.Changes{}, nil
	})
	if err != nil {
		t.Errorf("another chain: got %v", err)
	}
}

// TestSameBytesOfAnotherKind: two kinds of request may have the same bytes, and
// are two requests all the same.
func TestSameBytesOfAnotherKind(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	one := &pb.CreateSalonRequest{Parent: chainName, RequestId: storage.NewID()}
	other := &pb.CreatePractitionerRequest{Parent: chainName, RequestId: one.RequestId}
	_, err := storage.Write(t.Context(), db, chain, one, func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		return &pb.CreateSalonResponse{}, storage.Changes{}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	_, err = storage.Write(t.Context(), db, chain, other, func(*storage.Snapshot) (*pb.CreatePractitionerResponse, storage.Changes, error) {
		return &pb.CreatePractitionerResponse{}, storage.Changes{}, nil
	})
	if !errors.Is(err, storage.ErrReused) {
		t.Errorf("got %v", err)
	}
}

// TestRacingRetries sends one request from many callers at once.
func TestRacingRetries(t *testing.T) {
	t.Parallel()
	db := storagetest.NewDatabase(t).Open(t, storage.Config{MaxConns: 8})
	const callers, rounds = 8, 20
	for round := range rounds {
		req := salonRequest(fmt.Sprintf("s%d", round))
		answers := make([]*pb.CreateSalonResponse, callers)
		errs := make([]error, callers)
		var wg sync.WaitGroup
		for i := range callers {
			wg.Go(func() { answers[i], errs[i] = openSalon(t.Context(), db, req) })
		}
		wg.Wait()
		for i := range callers {
			if errs[i] != nil || !proto.Equal(answers[i], answers[0]) {
				t.Fatalf("round %d: caller %d got %v, %v; caller 0 got %v", round, i, answers[i], errs[i], answers[0])
			}
		}
	}
	err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
		entries, _, err := storage.ListEntries(s, storage.EntryFilter{}, storage.Page{Size: 500}, math.MaxInt64)
		if len(entries) != rounds {
			t.Errorf("%d entries, want one per round", len(entries))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// addLot adds a lot to a product, as a handler that reads and replaces does.
func addLot(ctx context.Context, db *storage.DB, product, lot string, runs *int) error {
	req := &pb.RecallLotRequest{Name: product, LotCode: lot, RequestId: storage.NewID()}
	_, err := storage.Write(ctx, db, chain, req, func(s *storage.Snapshot) (*pb.RecallLotResponse, storage.Changes, error) {
		*runs++
		old, err := storage.Products.GetUnchecked(s, product)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		changed := proto.CloneOf(old)
		changed.Lots = append(changed.Lots, &pb.Lot{LotCode: lot})
		replace := storage.Products.Replace(old, changed)
		return &pb.RecallLotResponse{Product: changed}, storage.Changes{Records: []storage.Record{replace}}, nil
	})
	return err
}

// put writes records without further ado. Clients whom they are of, and who are
// not there yet, come with them.
func put(t testing.TB, db *storage.DB, records ...storage.Record) {
	t.Helper()
	records = append(missing(t, db, records), records...)
	_, err := storage.Write(t.Context(), db, chain, salonRequest("any"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		return &pb.CreateSalonResponse{}, storage.Changes{Records: records}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// missing makes the clients whom records are of and who are not there yet.
func missing(t testing.TB, db *storage.DB, records []storage.Record) (clients []storage.Record) {
	t.Helper()
	made := map[string]bool{}
	read(t, db, func(s *storage.Snapshot) error {
		for _, r := range records {
			name := chainName + "/clients/" + storage.ClientOf(r)
			if storage.ClientOf(r) == "" || made[name] {
				continue
			}
			made[name] = true
			if _, err := storage.Clients.GetUnchecked(s, name); errors.Is(err, storage.ErrNotFound) {
				clients = append(clients, storage.Clients.Insert(&pb.Client{Name: name}))
			} else if err != nil {
				return err
			}
		}
		return nil
	})
	return clients
}

// TestNoUpdateIsLost lets many callers change one record: each is decided on
// the version that it replaces.
func TestNoUpdateIsLost(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	product := &pb.Product{Name: "chains/" + chain + "/products/relaxer"}
	put(t, db, storage.Products.Insert(product))
	const callers, each = 4, 8
	var wg sync.WaitGroup
	done := make([]map[string]bool, callers)
	for i := range callers {
		done[i] = map[string]bool{}
		wg.Go(func() {
			for n := range each {
				lot, runs := fmt.Sprintf("%d-%d", i, n), 0
				err := addLot(t.Context(), db, product.GetName(), lot, &runs)
				if err != nil && !errors.Is(err, storage.ErrStale) {
					t.Error(err)
				}
				done[i][lot] = err == nil
			}
		})
	}
	wg.Wait()
	err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
		got, err := storage.Products.GetUnchecked(s, product.GetName())
		found := map[string]bool{}
		for _, lot := range got.GetLots() {
			found[lot.GetLotCode()] = true
		}
		for i := range done {
			for lot, acknowledged := range done[i] {
				if acknowledged != found[lot] {
					t.Errorf("lot %s: acknowledged %t, there %t", lot, acknowledged, found[lot])
				}
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestStaleRunsAgain changes a record behind a handler's back, once: the
// handler runs again and sees the change.
func TestStaleRunsAgain(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	product := &pb.Product{Name: "chains/" + chain + "/products/relaxer"}
	put(t, db, storage.Products.Insert(product))
	var runs, other int
	req := &pb.RecallLotRequest{Name: product.GetName(), RequestId: storage.NewID()}
	answer, err := storage.Write(t.Context(), db, chain, req, func(s *storage.Snapshot) (*pb.RecallLotResponse, storage.Changes, error) {
		old, err := storage.Products.GetUnchecked(s, product.GetName())
		if err != nil {
			return nil, storage.Changes{}, err
		}
		if runs++; runs == 1 {
			if err := addLot(t.Context(), db, product.GetName(), "theirs", &other); err != nil {
				t.Error(err)
			}
		}
		changed := proto.CloneOf(old)
		changed.Lots = append(changed.Lots, &pb.Lot{LotCode: "ours"})
		replace := storage.Products.Replace(old, changed)
		return &pb.RecallLotResponse{Product: changed}, storage.Changes{Records: []storage.Record{replace}}, nil
	})
	if err != nil || runs != 2 {
		t.Fatalf("%v after %d runs", err, runs)
	}
	lots := answer.GetProduct().GetLots()
	if len(lots) != 2 || lots[0].GetLotCode() != "theirs" || lots[1].GetLotCode() != "ours" {
		t.Errorf("lots are %v", lots)
	}
}

// TestUnchanged commits only if what was decided on still is so.
func TestUnchanged(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	product := &pb.Product{Name: "chains/" + chain + "/products/relaxer"}
	put(t, db, storage.Products.Insert(product))
	var runs, other int
	req := salonRequest("harbour")
	_, err := storage.Write(t.Context(), db, chain, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		read, err := storage.Products.GetUnchecked(s, product.GetName())
		if err != nil {
			return nil, storage.Changes{}, err
		}
		if runs++; runs == 1 {
			if err := addLot(t.Context(), db, product.GetName(), "theirs", &other); err != nil {
				t.Error(err)
			}
		}
		answer, changes, err := newSalon(s, req)
		changes.Records = append(changes.Records, storage.Products.Unchanged(read))
		return answer, changes, err
	})
	if err != nil || runs != 2 {
		t.Fatalf("%v after %d runs, want a second run", err, runs)
	}
}

// TestTriesEnd gives up on what never fits.
func TestTriesEnd(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	first, err := openSalon(t.Context(), db, salonRequest("harbour"))
	if err != nil {
		t.Fatal(err)
	}
	name := first.GetSalon().GetName()
	for want, record := range map[error]func() storage.Record{
		storage.ErrExists: func() storage.Record { return storage.Salons.Insert(&pb.Salon{Name: name}) },
		storage.ErrStale: func() storage.Record {
			return storage.Salons.Replace(&pb.Salon{Name: name, Etag: "0"}, &pb.Salon{Name: name})
		},
	} {
		runs := 0
		_, err := storage.Write(t.Context(), db, chain, salonRequest("any"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
			runs++
			return &pb.CreateSalonResponse{}, storage.Changes{Records: []storage.Record{record()}}, nil
		})
		if !errors.Is(err, want) || runs < 2 {
			t.Errorf("got %v after %d runs, want %v", err, runs, want)
		}
	}
	wantOnce(t, db, pool, first)
}

// TestDeadlock lets writes take the same two records in opposite orders.
func TestDeadlock(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	names := []string{"chains/" + chain + "/salons/a", "chains/" + chain + "/salons/b"}
	put(t, db, storage.Salons.Insert(&pb.Salon{Name: names[0]}), storage.Salons.Insert(&pb.Salon{Name: names[1]}))
	backwards := slices.Clone(names)
	slices.Reverse(backwards)
	var wg sync.WaitGroup
	for _, order := range [][]string{names, backwards, names, backwards} {
		wg.Go(func() {
			for range 5 {
				_, err := storage.Write(t.Context(), db, chain, salonRequest("any"), func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
					var changes storage.Changes
					for _, name := range order {
						old, err := storage.Salons.GetUnchecked(s, name)
						if err != nil {
							return nil, changes, err
						}
						changed := proto.CloneOf(old)
						changed.DisplayName = storage.NewID()
						changes.Records = append(changes.Records, storage.Salons.Replace(old, changed))
					}
					return &pb.CreateSalonResponse{}, changes, nil
				})
				if err != nil && !errors.Is(err, storage.ErrStale) {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
}

// TestManyRecords writes rows of several kinds, many of one, in one go.
func TestManyRecords(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	session := "chains/" + chain + "/clients/c1/sessions/s1"
	records := []storage.Record{storage.Sessions.Insert(&pb.Session{Name: session})}
	for i := range 200 {
		records = append(records, storage.InsertEvent(session, &pb.StoredEvent{
			Event: &pb.Event{EventId: storage.NewID()}, Sequence: int64(i + 1), Sender: `quotes ", \ and {braces}, NULL`}))
	}
	put(t, db, append(records, storage.Salons.Insert(&pb.Salon{Name: "chains/" + chain + "/salons/a"}))...)
	err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
		all, err := storage.Events(s, session, 0)
		if err != nil {
			return err
		}
		late, err := storage.Events(s, session, 150)
		if len(all) != 200 || len(late) != 50 || late[0].GetSequence() != 151 || all[7].GetSender() != `quotes ", \ and {braces}, NULL` {
			t.Errorf("%d events, %d late ones, %v", len(all), len(late), all[7])
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}
