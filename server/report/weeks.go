package report

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// weekChart shows the weeks one after the other: each row of the table is also a
// column of the chart.
type weekChart struct {
	group
	// Most is the total of the highest column, at least 1.
	Most int64
	// First and Last are the ISO weeks at the ends of the axis.
	First, Last string
}

// newWeekChart returns the weeks in order of time. The highest column fills the
// height.
func newWeekChart(s *pb.SummarizeEntriesResponse) weekChart {
	c := weekChart{group: newGroup("Week by week", "Week", s), Most: 1}
	slices.SortFunc(c.Rows, func(a, b groupRow) int { return cmp.Compare(a.Key, b.Key) })
	c.Rows = fillWeeks(c.Rows, len(c.Classes))
	for _, row := range c.Rows {
		c.Most = max(c.Most, row.Total)
	}
	if len(c.Rows) > 0 {
		c.First, c.Last = c.Rows[0].Key, c.Rows[len(c.Rows)-1].Key
	}
	return c
}

// Column returns the parts of the column of a week.
func (c weekChart) Column(row groupRow) []bar { return stack(row.Counts, c.Classes, c.Most) }

// fillWeeks adds the weeks in which nothing was recorded, so that equal distances
// on the chart are equal times. Rows must be in order of time. kinds is the
// number of columns.
func fillWeeks(rows []groupRow, kinds int) []groupRow {
	var all []groupRow
	for _, row := range rows {
		for len(all) > 0 {
			next := nextWeek(all[len(all)-1].Key)
			if next == "" || next >= row.Key {
				break
			}
			all = append(all, groupRow{Key: next, Counts: make([]int64, kinds)})
		}
		all = append(all, row)
	}
	return all
}

// nextWeek returns the ISO week after one such as "2026-W48"; empty for any other
// text. The 4th of January is always in week 1 (ISO 8601, week dates).
func nextWeek(week string) string {
	var year, number int
	if n, err := fmt.Sscanf(week, "%4d-W%2d", &year, &number); n != 2 || err != nil || year < 1 {
		return ""
	}
	year, number = time.Date(year, time.January, 4+7*number, 0, 0, 0, 0, time.UTC).ISOWeek()
	return fmt.Sprintf("%04d-W%02d", year, number)
}
