package storage

import (
	"fmt"
	"time"
)

// Count is how many audit entries share a kind and a key.
type Count struct {
	Kind  string // full name of the enum value
	Key   string // what they were counted by; empty where an entry has none
	Count int64
}

// EntryColumn is what audit entries can be counted by.
type EntryColumn string

// The columns to count by.
const (
	ByKind   EntryColumn = "kind"
	BySalon  EntryColumn = "salon"
	ByActor  EntryColumn = "actor"
	ByRule   EntryColumn = "rules[1]"
	ByReason EntryColumn = "reason"
	ByWeek   EntryColumn = `to_char(record_time at time zone 'UTC', 'IYYY-"W"IW')`
)

// maxCounts bounds a summary.
const maxCounts = 1000

// CountEntries counts the audit entries recorded from one instant to before
// another, largest count first; a zero time does not bound. It reads every
// entry of the time.
func CountEntries(s *Snapshot, by EntryColumn, from, to time.Time) ([]Count, error) {
	query := fmt.Sprintf(`select kind, coalesce(%s, '') as key, count(*) as count from audit_entries
where chain = $1 and ($2::timestamptz is null or record_time >= $2) and ($3::timestamptz is null or record_time < $3)
group by 1, 2 order by 3 desc, 1, 2 limit %d`, by, maxCounts)
	var counts []Count
	err := s.all(&counts, query, s.chain, unbounded(from), unbounded(to))
	return counts, err
}

// unbounded is a time as the database takes it; a zero one is NULL.
func unbounded(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}
