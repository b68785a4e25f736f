package serve

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
	"time"
)

// A certificate in its last 30 days is warned of once a day, and one that was renewed no
// more.
func TestCertificatesThatExpireSoonAreWarnedOf(t *testing.T) {
	now := time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)
	var log bytes.Buffer
	e := &certificateExpiry{clock: func() time.Time { return now }, log: slog.New(slog.NewTextHandler(&log, nil))}
	warnings := func() int { return strings.Count(log.String(), "expires soon") }
	const till, other = "chains/ebb/salons/quay/tills/one", "chains/ebb/salons/quay/tills/two"
	end := now.Add(expiryWarning)

	e.used(till, end.Add(time.Second))
	if warnings() != 0 || len(e.remaining()) != 0 {
		t.Errorf("before the last 30 days: %s%v", log.String(), e.remaining())
	}
	e.used(till, end)
	e.used(till, end)
	if warnings() != 1 || !strings.Contains(log.String(), till) || e.remaining()["caller"] != expiryWarning.Seconds() {
		t.Errorf("within them: %s%v", log.String(), e.remaining())
	}
	e.used(other, end.Add(-time.Hour))
	if warnings() != 2 || e.remaining()["caller"] != (expiryWarning-time.Hour).Seconds() {
		t.Errorf("two of them: %s%v", log.String(), e.remaining())
	}
	e.used(other, end.AddDate(1, 0, 0)) // renewed
	if e.remaining()["caller"] != expiryWarning.Seconds() {
		t.Errorf("after one was renewed: %v", e.remaining())
	}
	now = now.Add(warnEvery)
	e.used(till, end)
	if warnings() != 3 {
		t.Errorf("a day later: %s", log.String())
	}
}
