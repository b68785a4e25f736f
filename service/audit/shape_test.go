package audit

import (
	"errors"
	"testing"
)

// TestShape: the log shows of a filter how it was asked, and nothing
// that was asked for but kinds and times.
func TestShape(t *testing.T) {
	t.Parallel()
	digest := func(string) (string, error) { return "#d", nil }
	for filter, want := range map[string]string{
		``:                             ``,
		`  `:                           ``,
		`kind = "REFUSAL"`:             `kind = "REFUSAL"`,
		`kind != "ENTRY_KIND_REFUSAL"`: `kind != "REFUSAL"`,
		`actor="Jane.Doe@example.org"`: `actor = #d`,
		`till = "front desk 1"`:        `till = #d`,
		`salon = ""`:                   `salon = ""`,
		`record_time >= "2026-11-01T01:00:00+01:00"`:             `record_time >= "2026-11-01T00:00:00Z"`,
		`kind = "REFUSAL" AND (actor = "a" OR NOT reason = "b")`: `kind = "REFUSAL" AND (actor = #d OR (NOT reason = #d))`,
	} {
		if got, err := Shape(filter, digest); err != nil || got != want {
			t.Errorf("%s: %q, %v; want %q", filter, got, err, want)
		}
	}
	if _, err := Shape(`actor = "a"`, func(string) (string, error) { return "", errors.New("no key") }); err == nil {
		t.Error("a value that cannot be digested was written")
	}
	if _, err := Shape(`moon = "full"`, digest); err == nil {
		t.Error("what is no filter has a shape")
	}
}
