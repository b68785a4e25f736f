package storage_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"

	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestDictionariesNeverChange: records that were written with a dictionary cannot be read
// with another. Add a line for a new one; never change one.
func TestDictionariesNeverChange(t *testing.T) {
	t.Parallel()
	want := map[string]string{
		"1": "7b7954e6d292490e679af58ee74fccc14b99cf3ef5b571fedf4bcd8ad3da22e3",
	}
	found, err := fs.ReadDir(storage.Dictionaries, "dictionaries")
	if err != nil || len(found) != len(want) {
		t.Errorf("%d dictionaries, want %d, %v", len(found), len(want), err)
	}
	for name, digest := range want {
		content, err := fs.ReadFile(storage.Dictionaries, "dictionaries/"+name)
		if sum := sha256.Sum256(content); err != nil || hex.EncodeToString(sum[:]) != digest {
			t.Errorf("dictionary %s is %x, want %s, %v", name, sum, digest, err)
		}
	}
}

// said is a record's text that repeats itself and that the dictionary knows parts of.
var said = []byte(strings.Repeat("Ask for a doctor's note first. consultation.history.pregnancy, unsure. ", 10))

// compressed are stored forms of said, as releases wrote them.
var compressed = []struct {
	format byte
	small  string
}{
	{1, hex.EncodeToString(said)},
	{2, "ecd2b10d80300c44d155aea341de21a3442181086423fb52647bc6a0c902bff87a296e3473641c5668be05d458d1ba0705c534c6c3cc6e2a570f9a4f79bd9e9ab5cc1d43637815a45819ae377fb9f9020000ffff"},
	{3, "28b52ffd6101c601d50000102e2006007c945011b4d5118cd261c0aed5029e0839806d0381"}, // dictionary 1
}

// TestRecordsOfEveryReleaseAreRead.
func TestRecordsOfEveryReleaseAreRead(t *testing.T) {
	t.Parallel()
	for _, c := range compressed {
		small, err := hex.DecodeString(c.small)
		if err != nil {
			t.Fatal(err)
		}
		if plain, err := storage.Decompress(c.format, small); err != nil || !bytes.Equal(plain, said) {
			t.Errorf("format %d: %q, %v", c.format, plain, err)
		}
	}
}

// TestCompression: what is compressed comes back, whatever it is, and is never longer.
func TestCompression(t *testing.T) {
	t.Parallel()
	noise := make([]byte, 5000)
	for i := range noise {
		noise[i] = byte(sha256.Sum256([]byte(fmt.Sprint(i)))[0])
	}
	for _, dictionary := range []bool{false, true} {
		for _, plain := range [][]byte{nil, {0}, []byte("short"), said, noise, bytes.Repeat(said, 200), make([]byte, 100_000)} {
			format, small := storage.Compress(dictionary, plain)
			if len(small) > len(plain) || len(plain) >= 700 && len(small) == len(plain) && !bytes.Equal(plain, noise) {
				t.Errorf("%v: %d bytes became %d", dictionary, len(plain), len(small))
			}
			if back, err := storage.Decompress(format, small); err != nil || !bytes.Equal(back, plain) {
				t.Errorf("%v: %d bytes in format %d came back as %d, %v", dictionary, len(plain), format, len(back), err)
			}
		}
	}
}

// TestNoRecordIsLongerThanTheBound: few bytes that stand for very many are an error and
// no full memory.
func TestNoRecordIsLongerThanTheBound(t *testing.T) {
	t.Parallel()
	for _, dictionary := range []bool{false, true} {
		longest := make([]byte, 16<<20)
		format, small := storage.Compress(dictionary, longest)
		if back, err := storage.Decompress(format, small); err != nil || len(back) != len(longest) {
			t.Errorf("%v: %d bytes, %v", dictionary, len(back), err)
		}
		format, small = storage.Compress(dictionary, append(longest, 0))
		if back, err := storage.Decompress(format, small); err == nil {
			t.Errorf("%v: %d bytes of %d", dictionary, len(back), len(small))
		}
	}
}

// TestDictionaryFiles: a file that is none is a fault of the program, and is said.
func TestDictionaryFiles(t *testing.T) {
	t.Parallel()
	two := fstest.MapFS{"dictionaries/1": {Data: []byte("one dictionary")}, "dictionaries/2": {Data: []byte("and another")}}
	for newest, ok := range map[int]bool{1: true, 2: true, 3: false} {
		if err := storage.WithDictionaries(two, newest, said); (err == nil) != ok {
			t.Errorf("newest %d: %v", newest, err)
		}
	}
	two["dictionaries/readme"] = &fstest.MapFile{}
	if err := storage.WithDictionaries(two, 1, said); err == nil || !strings.Contains(err.Error(), "must be a number") {
		t.Errorf("with a file that is no dictionary: %v", err)
	}
}

// TestOlderServersReadWhatIsWritten: as long as a server that knows no dictionary may
// write, records are written as it can read them. Records of before stay readable.
func TestOlderServersReadWhatIsWritten(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	super := d.SQL(t, localpg.Superuser)
	write := func(db *storage.DB, id string, want int) {
		t.Helper()
		put(t, db, storage.Consultations.Insert(of("c1", id, string(said))))
		var format int
		if err := super.QueryRow("select get_byte(body, 0) from consultations where id = $1", id).Scan(&format); err != nil || format != want {
			t.Errorf("%s is in format %d, want %d, %v", id, format, want, err)
		}
	}
	do(t, d.SQL(t, storage.RoleOwner), fmt.Sprintf("update schema_compatibility set min_server_schema = %d", storage.DictionariesSince-1))
	db := d.Open(t, storage.Config{})
	write(db, "n1", 2)
	if err := storage.FinishMigration(t.Context(), d.DSN(storage.RoleMigrator)); err != nil {
		t.Fatal(err)
	}
	if err := db.Probe(t.Context()); err != nil {
		t.Fatal(err)
	}
	write(db, "n2", 3)
	for _, id := range []string{"n1", "n2"} {
		if text, err := remarks(t, db, chain, of("c1", id, "").Name); err != nil || text != string(said) {
			t.Errorf("%s: %q, %v", id, text, err)
		}
	}
	// The format and the dictionary's number are sealed with the rest.
	for what, statement := range map[string]string{"format": "overlay(body placing '\\x02'::bytea from 1)", "number": "set_byte(body, 20, 255 - get_byte(body, 20))"} {
		do(t, super, "update consultations set body = "+statement+" where id = 'n2'")
		if _, err := remarks(t, db, chain, of("c1", "n2", "").Name); !errors.Is(err, storage.ErrSealed) {
			t.Errorf("another %s: %v", what, err)
		}
	}
}
