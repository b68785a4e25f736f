package storage_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestSearchFindsWhatADeskTypes: beginnings of words in any order, with or without accents
// and case, and digits of a number in any grouping; and nobody else.
func TestSearchFindsWhatADeskTypes(t *testing.T) {
	t.Parallel()
	db := storagetest.NewDatabase(t).Open(t, storage.Config{})
	put(t, db, storage.Clients.Insert(&pb.Client{Name: chainName + "/clients/a1", DisplayName: "María Inês da Silva", Phone: "+44 (0)20 7946 0018", Email: "mi@invented.example"}),
		storage.Clients.Insert(&pb.Client{Name: chainName + "/clients/a2", DisplayName: "Marion O’Brien-Łuk", Phone: "020 7946 0135"}),
		storage.Clients.Insert(&pb.Client{Name: chainName + "/clients/a3", DisplayName: "李 Wei", Phone: "07700 900461"}),
		storage.Clients.Insert(&pb.Client{Name: chainName + "/clients/a4", DisplayName: "Marianna Verylongsurnamethatgoeson"}))
	for typed, want := range map[string]string{
		"Maria": "a1 a4", "maría": "a1 a4", "MARIA SILVA": "a1", "Silva Maria": "a1", "ines": "a1", "da silva m": "a1", "mar": "a1 a2 a4", "ma": "a1 a2 a4",
		"obrien": "a2", "O'Brien": "a2", "luk": "a2", "Łuk Marion": "a2", "brien": "", "silvas": "", "李": "a3", "wei 李": "a3",
		"verylongsurname": "a4", "verylongsurnames": "", "Verylongsurnamethatgoeson": "a4",
		"+44 20": "a1", "+4420": "a1", "0044 20 7946": "a1 a2", "020 7946": "a1 a2", "0207946 0018": "a1", "+44 20 7946 0018": "a1", "44 20 7946 0018": "a1",
		"0018": "a1", "60018": "a1", "+44 20 7946 0135": "a2", "+44 7700 900461": "a3", "07700": "a3", "900 461": "a3", "9461": "", "0461": "a3", "0019": "",
		"maria 0018": "a1", "maria 0135": "", "mi@invented.example": "a1", "MI@Invented.example Silva": "a1", "mi@invented": "",
		"+1 20 7946 0018": "", "020 7946 00181": "",
	} {
		if got := foundBy(t, db, storage.ClientLookup{Search: typed}); got != want {
			t.Errorf("%q finds %q, want %q", typed, got, want)
		}
	}
	if got := foundBy(t, db, storage.ClientLookup{Search: "maria", Email: "mi@invented.example"}); got != "a1" {
		t.Errorf("a search and an address find %q", got)
	}
	for _, vague := range []string{" ", "...", "12", "maria 12", "+4", "w", "M", "m s", "é"} {
		if field, want := (storage.ClientLookup{Search: vague}).Invalid(); field != "search" || want == "" {
			t.Errorf("%q passes: %q %q", vague, field, want)
		}
	}
}

// foundBy are the ids of the clients that a lookup finds, sorted.
func foundBy(t *testing.T, db *storage.DB, l storage.ClientLookup) string {
	t.Helper()
	var ids []string
	err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
		for page := (storage.Page{Size: 2}); ; {
			found, next, err := storage.FindClients(s, l, page)
			if err != nil {
				return err
			}
			for _, c := range found {
				ids = append(ids, c.Name[strings.LastIndex(c.Name, "/")+1:])
			}
			if page.Token = next; next == "" {
				return nil
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(ids)
	return strings.Join(ids, " ")
}

// TestClientsOfOlderVersionsAreIndexed: clients without entries for a search get them, once;
// erased ones and those that were changed meanwhile do not get old ones.
func TestClientsOfOlderVersionsAreIndexed(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	for n := range 5 {
		put(t, db, storage.Clients.Insert(&pb.Client{Name: fmt.Sprintf("%s/clients/b%d", chainName, n), DisplayName: "Nia Quill", Phone: "020 7946 0018"}))
	}
	if _, err := pool.Exec("delete from client_index where chain = 'ebb-and-flow' and field in ('name_start', 'phone_start', 'phone_end') and client <> 'b0'"); err != nil {
		t.Fatal(err)
	}
	if got := foundBy(t, db, storage.ClientLookup{Search: "quill"}); got != "b0" {
		t.Fatalf("before, the search finds %q", got)
	}
	if err := erase(t.Context(), db, "b4"); err != nil {
		t.Fatal(err)
	}
	rows := func() int { return rowsWhere(t, pool, "client_index where chain = 'ebb-and-flow'") }
	var all []int
	for range 2 {
		for after := ""; ; {
			last, err := storage.IndexClients(t.Context(), db, chain, after)
			if err != nil {
				t.Fatal(err)
			}
			if after = last; last == "" {
				break
			}
		}
		all = append(all, rows())
	}
	if got := foundBy(t, db, storage.ClientLookup{Search: "quill 0018"}); got != "b0 b1 b2 b3" || all[0] != all[1] {
		t.Errorf("afterwards it finds %q; entries after each run: %v", got, all)
	}
	if n := rowsWhere(t, pool, "client_index where client = 'b4'"); n != 0 {
		t.Errorf("%d entries of an erased client", n)
	}
}
