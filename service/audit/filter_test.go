package audit

import (
	"errors"
	"math"
	"os"
	"strings"
	"testing"
	"unicode"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

func TestMain(m *testing.M) { os.Exit(storagetest.Run(m)) }

// FuzzFilter: whatever a caller writes as a filter is either told to be wrong,
// or a condition that the database understands.
func FuzzFilter(f *testing.F) {
	for _, seed := range []string{
		``, ` `, `kind = "REFUSAL"`, `kind != "ENTRY_KIND_REFUSAL"`, `NOT (kind = "OVERRIDE" OR salon = "x")`, `-rule = "a"`,
		`rule = "" AND rule != "b"`, `record_time >= "2026-11-01T00:00:00Z"`, `occur_time < timestamp("2026-11-01T00:00:00.123456789+01:00")`,
		`occur_time = "0001-01-01T00:00:00Z"`, `record_time != "9999-12-31T23:59:59Z"`, `client = "x' or 1 = 1 --"`, `kind`, `kind : "a"`,
		`NOT NOT kind = "ALARM"`, `a.b = "c"`, `kind = "REFUSAL" kind = "ALARM"`, `reason = "日本"`, strings.Repeat("(", 400), `session = "\"`,
		`service_practitioner = "a" AND lot != "L-7" OR subject = "zone:ends" OR override_reason = ""`,
		`practitioner = "a" OR NOT practitioner = ""`, `till != "front desk 1"`, `record_time >= "2026-11-01T00:00:00Z" AND NOT record_time >= "2026-12-01T00:00:00Z"`,
	} {
		f.Add(seed)
	}
	db := storagetest.New(f)
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 1000 || strings.ContainsFunc(text, forbidden) || strings.ToValidUTF8(text, "") != text {
			return // the contract refuses it before
		}
		condition, err := parse(text)
		if told := new(fault.Error); err != nil {
			if !errors.As(err, &told) || told.Reason() != pb.ErrorReason_ERROR_REASON_INVALID_FIELD || !strings.HasPrefix(told.Error(), "filter: ") {
				t.Fatalf("%q is answered %v", text, err)
			}
			return
		}
		err = storage.Read(t.Context(), db, "ebb", func(r *storage.Snapshot) error {
			_, _, err := storage.ListEntries(r, condition, storage.Page{Size: 1}, math.MaxInt64)
			return err
		})
		if err != nil {
			t.Fatalf("%q becomes %+v, which the database answers %v", text, condition, err)
		}
	})
}

// forbidden are the characters that the contract lets nobody send.
func forbidden(r rune) bool { return unicode.Is(unicode.Cc, r) && !strings.ContainsRune("\t\r\n", r) }
