package faults

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
)

// row is what was measured of one fault.
type row struct {
	report
	rounds int
	// firstWrite is the longest time from the end of a fault to an acknowledged
	// write, everyServer until all servers had acknowledged one.
	firstWrite, everyServer time.Duration
	logged                  time.Duration // longest time until entries were on their logs
	health                  string
}

// table is the result of the fault programme.
type table struct {
	mu   sync.Mutex
	rows []tableRow
}

type tableRow struct {
	fault
	*row
}

func (t *table) add(f fault, r *row) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.rows = append(t.rows, tableRow{f, r})
}

// String is the table in Markdown.
func (t *table) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	slices.SortFunc(t.rows, func(a, b tableRow) int { return a.number - b.number })
	var b strings.Builder
	b.WriteString("| # | fault | times | acknowledged | unknown | lost | doubled | first write after, s | every server after, s | on the logs after, s | what health said |\n|---|---|---|---|---|---|---|---|---|---|---|\n")
	for _, r := range t.rows {
		fmt.Fprintf(&b, "| %d | %s | %d | %d | %d | %d | %d | %.2f | %.2f | %.2f | %s |\n", r.number, r.name, r.rounds,
			r.Acknowledged, r.Unknown, r.Lost, r.Doubled, r.firstWrite.Seconds(), r.everyServer.Seconds(), r.logged.Seconds(), r.health)
	}
	return b.String()
}
