package report

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// weekChart is the course of the weeks.
type weekChart struct {
	group
	Most        int64
	Width       float64
	Columns     []bar
	First, Last string
}

// newWeekChart draws a column a week, each 10 units wide with a gap of 2.
func newWeekChart(s *pb.SummarizeEntriesResponse) weekChart {
	c := weekChart{group: newGroup("Week by week", "Week", s), Most: 1}
	slices.SortFunc(c.Rows, func(a, b groupRow) int { return cmp.Compare(a.Key, b.Key) })
	c.Rows = withQuiet(c.Rows, len(c.Kinds))
	for _, row := range c.Rows {
		c.Most = max(c.Most, row.Total)
	}
	for i, row := range c.Rows {
		y := float64(scale)
		for j, n := range row.Counts {
			height := float64(n) * scale / float64(c.Most)
			if y -= height; n > 0 {
				c.Columns = append(c.Columns, bar{Class: c.Classes[j], X: float64(10*i + 1), Y: round(y), Width: 8, Height: round(height)})
			}
		}
	}
	if c.Width = float64(10 * len(c.Rows)); len(c.Rows) < 2 {
		c.Width = 60 // one column need not fill the page
	}
	if len(c.Rows) > 0 {
		c.First, c.Last = c.Rows[0].Key, c.Rows[len(c.Rows)-1].Key
	}
	return c
}

// withQuiet puts in the weeks in which nothing was recorded, so that the course
// of time is not shortened. Rows are in order of time.
func withQuiet(rows []groupRow, kinds int) []groupRow {
	var all []groupRow
	for _, row := range rows {
		for len(all) > 0 {
			next := following(all[len(all)-1].Key)
			if next == "" || next >= row.Key {
				break
			}
			all = append(all, groupRow{Key: next, Counts: make([]int64, kinds)})
		}
		all = append(all, row)
	}
	return all
}

// following is the week after an ISO week such as "2026-W48"; empty when the
// text is none. The 4th of January is always in week 1 (ISO 8601, week dates).
func following(week string) string {
	var year, number int
	if n, err := fmt.Sscanf(week, "%4d-W%2d", &year, &number); n != 2 || err != nil || year < 1 {
		return ""
	}
	year, number = time.Date(year, time.January, 4+7*number, 0, 0, 0, 0, time.UTC).ISOWeek()
	return fmt.Sprintf("%04d-W%02d", year, number)
}
