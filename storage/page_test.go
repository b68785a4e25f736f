package storage_test

import (
	"encoding/base64"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// names reads a whole list page by page.
func names[M interface{ GetName() string }](t *testing.T, size int32, list func(storage.Page) ([]M, string, error)) (all []string, pages int) {
	t.Helper()
	for token := ""; ; {
		page, next, err := list(storage.Page{Size: size, Token: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range page {
			all = append(all, m.GetName())
		}
		if pages++; next == "" {
			return all, pages
		}
		token = next
	}
}

// TestPages reads lists of both orders in pages of all sizes: whole, in order,
// each item once, and no empty page at the end.
func TestPages(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	const n = 7
	var salons, clients []string
	for i := range n {
		salons = append(salons, fmt.Sprintf("%s/salons/s%d", chainName, i))
		clients = append(clients, chainName+"/clients/"+storage.NewID())
	}
	for i := range n {
		put(t, db, storage.Salons.Insert(&pb.Salon{Name: salons[(i*3)%n]}), storage.Clients.Insert(&pb.Client{Name: clients[(i*3)%n]}))
	}
	slices.Reverse(clients)
	for size := range int32(n + 2) {
		read(t, db, func(s *storage.Snapshot) error {
			wantPages := 1
			if size > 0 {
				wantPages = (n + int(size) - 1) / int(size)
			}
			got, pages := names(t, size, func(p storage.Page) ([]*pb.Salon, string, error) { return storage.Salons.List(s, chainName, p) })
			if !slices.Equal(got, salons) || pages != wantPages {
				t.Errorf("size %d: %d pages: %v", size, pages, got)
			}
			got, pages = names(t, size, func(p storage.Page) ([]*pb.Client, string, error) { return storage.Clients.List(s, chainName, p) })
			if !slices.Equal(got, clients) || pages != wantPages {
				t.Errorf("size %d: %d pages: %v", size, pages, got)
			}
			return nil
		})
	}
}

// TestPageSizes: 0 stands for 50, and 500 is the most.
func TestPageSizes(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	var records []storage.Record
	for i := range 510 {
		records = append(records, storage.Salons.Insert(&pb.Salon{Name: fmt.Sprintf("%s/salons/s%d", chainName, i)}))
	}
	put(t, db, records...)
	for size, want := range map[int32]int{-1: 50, 0: 50, 1: 1, 500: 500, 501: 500, 1 << 30: 500} {
		read(t, db, func(s *storage.Snapshot) error {
			got, next, err := storage.Salons.List(s, chainName, storage.Page{Size: size})
			if len(got) != want || next == "" {
				t.Errorf("size %d: %d items, next %q", size, len(got), next)
			}
			return err
		})
	}
}

// TestPageBytes ends pages at a size in bytes: never without an item, and never
// losing one.
func TestPageBytes(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	var want []string
	for i, kilobytes := range []int{10, 400, 700, 1500, 1500, 10, 10} {
		name := fmt.Sprintf("%s/products/p%d", chainName, i)
		want = append(want, name)
		put(t, db, storage.Products.Insert(&pb.Product{Name: name, SafetyDataSheet: strings.Repeat("x", kilobytes<<10)}))
	}
	read(t, db, func(s *storage.Snapshot) error {
		got, pages := names(t, 100, func(p storage.Page) ([]*pb.Product, string, error) { return storage.Products.List(s, chainName, p) })
		if !slices.Equal(got, want) {
			t.Errorf("got %v", got)
		}
		// 10+400+700 passes 1 MiB; then 1500; then 1500; then the rest.
		if pages != 4 {
			t.Errorf("%d pages, want 4", pages)
		}
		return nil
	})
}

// TestTokens takes a token of one list to others, and changes its letters: it
// is refused, and never shows anything else.
func TestTokens(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	put(t, db, storage.Salons.Insert(&pb.Salon{Name: chainName + "/salons/a"}), storage.Salons.Insert(&pb.Salon{Name: chainName + "/salons/b"}),
		storage.Practitioners.Insert(&pb.Practitioner{Name: chainName + "/practitioners/a"}))
	var token string
	salons := func(s *storage.Snapshot, token string) error {
		_, next, err := storage.Salons.List(s, "chains/"+chain, storage.Page{Size: 1, Token: token})
		if token == "" {
			return errors.Join(err, need(next))
		}
		return err
	}
	read(t, db, func(s *storage.Snapshot) error {
		_, next, err := storage.Salons.List(s, chainName, storage.Page{Size: 1})
		token = next
		return errors.Join(err, need(next), salons(s, next))
	})
	wrong := func(what string, err error) {
		t.Helper()
		if !errors.Is(err, storage.ErrBadToken) {
			t.Errorf("%s: got %v", what, err)
		}
	}
	read(t, db, func(s *storage.Snapshot) error {
		_, _, err := storage.Practitioners.List(s, chainName, storage.Page{Token: token})
		wrong("another kind", err)
		_, _, err = storage.ListSessions(s, storage.SessionFilter{}, storage.Page{Token: token})
		wrong("another list", err)
		_, _, err = storage.ListEntries(s, storage.EntryFilter{}, storage.Page{Token: token}, math.MaxInt64)
		wrong("the log", err)
		for i := range token {
			for _, letter := range []byte{'A', 'b', '_', '=', ' ', 0xff} {
				if changed := token[:i] + string(letter) + token[i+1:]; changed != token {
					wrong(fmt.Sprintf("%q", changed), salons(s, changed))
				}
			}
			if i > 0 {
				wrong("cut", salons(s, token[:i]))
			}
		}
		wrong("longer", salons(s, token+"A"))
		wrong("rubbish", salons(s, base64.RawURLEncoding.EncodeToString(make([]byte, 20))))
		return nil
	})
	err := storage.Read(t.Context(), db, "other", func(s *storage.Snapshot) error {
		_, _, err := storage.Salons.List(s, "chains/other", storage.Page{Token: token})
		return err
	})
	wrong("another chain", err)
}

// need fails on a missing token.
func need(token string) error {
	if token == "" {
		return errors.New("no next page")
	}
	return nil
}
