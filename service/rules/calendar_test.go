package rules

import (
	"testing"
	"time"
	_ "time/tzdata"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// at is a state whose decision is made at an instant in a salon of a time zone.
func at(t *testing.T, zone, instant string) *state {
	t.Helper()
	e := newEngine(t)
	in := soundHead()
	in.DecideTime, in.Salon.TimeZone = timestamppb.New(utc(t, instant)), zone
	return opened(t, e, e.withParameters(in))
}

func utc(t *testing.T, instant string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, instant)
	check0(t, err)
	return at
}

// Calendar days are those of the salon. The offsets were read in the IANA Time Zone
// Database, release 2025b (tzdata.zi), line by line as named.
func TestCalendarDaysOfTheSalon(t *testing.T) {
	for _, c := range []struct {
		name, zone, now, last string
		want                  int64
	}{
		// Rule E 1981 max, March, last Sunday 1u: 29 March 2026 has 23 hours.
		{"24 hours over two midnights in spring", "Europe/London", "2026-03-29T23:30:00Z", "2026-03-28T23:30:00Z", 2},
		// Rule E 1996 max, October, last Sunday 1u: 25 October 2026 has 25 hours.
		{"25 hours over one midnight in autumn", "Europe/London", "2026-10-25T23:30:00Z", "2026-10-24T22:30:00Z", 1},
		// Zone Pacific/Kiritimati 14 since 1994 December 31.
		{"an hour over midnight, UTC+14", "Pacific/Kiritimati", "2026-03-01T10:30:00Z", "2026-03-01T09:30:00Z", 1},
		// Zone Pacific/Niue -11 since 1964 July.
		{"23 hours within a day, UTC-11", "Pacific/Niue", "2026-03-02T10:30:00Z", "2026-03-01T11:30:00Z", 0},
		{"over a leap day", "Europe/London", "2028-03-01T12:00:00Z", "2028-02-28T12:00:00Z", 2},
		{"over no leap day", "Europe/London", "2026-03-01T12:00:00Z", "2026-02-28T12:00:00Z", 1},
		{"56 days to the day and five hours early", "Europe/London", "2026-04-20T08:00:00Z", "2026-02-23T14:00:00Z", 56},
		{"tomorrow", "Europe/London", "2026-03-01T12:00:00Z", "2026-03-02T12:00:00Z", -1},
		{"no time zone counts in UTC", "", "2026-03-02T00:30:00Z", "2026-03-01T23:30:00Z", 1},
		{"a time zone that is none counts in UTC", "Pacific/Atlantis", "2026-03-02T00:30:00Z", "2026-03-01T23:30:00Z", 1},
	} {
		if got := at(t, c.zone, c.now).daysAgo(utc(t, c.last)); got != c.want {
			t.Errorf("%s: %d days ago, want %d", c.name, got, c.want)
		}
	}
}

// A date is an interval of the salon; of a date that reaches to now, the latest
// moment that fits is now. Same source.
func TestDatesAreIntervalsOfTheSalon(t *testing.T) {
	for _, c := range []struct {
		name, zone       string
		given            *date.Date
		earliest, latest string
	}{
		{"a day of 23 hours", "Europe/London", &date.Date{Year: 2025, Month: 3, Day: 30}, "2025-03-30T00:00:00Z", "2025-03-30T22:59:59Z"},
		{"a day at UTC+14", "Pacific/Kiritimati", &date.Date{Year: 2025, Month: 3, Day: 30}, "2025-03-29T10:00:00Z", "2025-03-30T09:59:59Z"},
		// Rule B 2018, November, Sunday on or after 1, 0:00: 4 November 2018 begins at 1:00.
		{"a day without midnight", "America/Sao_Paulo", &date.Date{Year: 2018, Month: 11, Day: 4}, "2018-11-04T03:00:00Z", "2018-11-05T01:59:59Z"},
		{"a month", "Europe/London", &date.Date{Year: 2024, Month: 2}, "2024-02-01T00:00:00Z", "2024-02-29T23:59:59Z"},
		{"a year", "Europe/London", &date.Date{Year: 2023}, "2023-01-01T00:00:00Z", "2023-12-31T23:59:59Z"},
		{"today", "Europe/London", &date.Date{Year: 2026, Month: 3, Day: 2}, "2026-03-02T00:00:00Z", "2026-03-02T10:00:00Z"},
		{"this month", "Europe/London", &date.Date{Year: 2026, Month: 3}, "2026-03-01T00:00:00Z", "2026-03-02T10:00:00Z"},
	} {
		got, ok := at(t, c.zone, "2026-03-02T10:00:00Z").when(&pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastDate: c.given})
		if !ok || !got.earliest.Equal(utc(t, c.earliest)) || !got.latest.Truncate(time.Second).Equal(utc(t, c.latest)) {
			t.Errorf("%s: %s to %s, want %s to %s", c.name, got.earliest.UTC(), got.latest.UTC(), c.earliest, c.latest)
		}
	}
	for _, none := range []*date.Date{nil, {}, {Year: 2026, Month: 2, Day: 30}, {Year: 2026, Day: 3}, {Year: 2026, Month: 13}, {Year: 1850, Month: 1}} {
		if _, ok := at(t, "", "2026-03-02T10:00:00Z").when(&pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastDate: none}); ok {
			t.Errorf("%v is taken for a date", none)
		}
	}
}

// Ages are those of the calendar in the salon's time zone; a birthday on 29 February
// is on 1 March in other years (our own choice). Offsets: same source.
func TestAgeByBirthDate(t *testing.T) {
	for _, c := range []struct {
		born, zone, now string
		want            int64
	}{
		{"2008-02-29", "Europe/London", "2026-02-28T12:00:00Z", 17},
		{"2008-02-29", "Europe/London", "2026-03-01T12:00:00Z", 18},
		{"2008-02-29", "Europe/London", "2028-02-28T12:00:00Z", 19},
		{"2008-02-29", "Europe/London", "2028-02-29T12:00:00Z", 20},
		{"2010-03-02", "Pacific/Kiritimati", "2026-03-01T10:30:00Z", 16},
		{"2010-03-02", "Europe/London", "2026-03-01T10:30:00Z", 15},
		{"2010-03-02", "Pacific/Niue", "2026-03-02T10:30:00Z", 15},
		{"2010-12-31", "Europe/London", "2026-01-01T12:00:00Z", 15},
		{"1900-01-01", "Europe/London", "2026-03-02T12:00:00Z", 126},
	} {
		s := at(t, c.zone, c.now)
		s.in.BirthDate = c.born
		if got, ok := s.ageByBirth(); !ok || got != c.want {
			t.Errorf("born %s, in %s at %s: %d %v, want %d", c.born, c.zone, c.now, got, ok, c.want)
		}
	}
	for _, none := range []string{"", "2025-02-29", "1899-12-31", "2026-03-03", "1992"} {
		s := at(t, "Europe/London", "2026-03-02T12:00:00Z")
		s.in.BirthDate = none
		if got, ok := s.ageByBirth(); ok {
			t.Errorf("born %q: %d years", none, got)
		}
	}
}

// The lower age counts while the birth date and the typed age disagree; below 12
// nobody may set it aside, from 12 on a supervisor may (our own choice).
func TestAges(t *testing.T) {
	e := newEngine(t)
	for _, c := range []struct {
		born     string // on the day of the decision, 2 March 2026
		typed    int32  // 0: not typed
		verdict  pb.Verdict
		absolute bool // some refusal that nobody may set aside
	}{
		{"1992-03-02", 0, pb.Verdict_VERDICT_PROCEED, false},
		{"1992-03-02", 34, pb.Verdict_VERDICT_PROCEED, false},
		{"1992-03-03", 34, pb.Verdict_VERDICT_ASK, false},
		{"2012-03-02", 34, pb.Verdict_VERDICT_REFUSE, false},
		{"1992-03-02", 14, pb.Verdict_VERDICT_REFUSE, false},
		{"2014-03-02", 0, pb.Verdict_VERDICT_REFUSE, false},
		{"2014-03-03", 0, pb.Verdict_VERDICT_REFUSE, true},
		{"2014-03-03", 34, pb.Verdict_VERDICT_REFUSE, true},
	} {
		in := soundHead()
		in.BirthDate = c.born
		in.Consultation.Consent.GuardianAgreed = pb.Answer_ANSWER_YES
		in.Consultation.Consent.AgeYears = nil
		if c.typed > 0 {
			in.Consultation.Consent.AgeYears = &c.typed
		}
		d := mustDecide(t, e, in)
		absolute := false
		for _, f := range d.GetFindings() {
			absolute = absolute || f.GetSeverity() == pb.Severity_SEVERITY_REFUSE && !f.GetOverrideTerms().GetAllowed()
		}
		if d.GetVerdict() != c.verdict || absolute != c.absolute {
			t.Errorf("born %s, typed %d: %s, absolute %v; want %s, %v", c.born, c.typed, d.GetVerdict(), absolute, c.verdict, c.absolute)
		}
	}
}
