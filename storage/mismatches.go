package storage

import (
	"database/sql"
	"strings"

	"github.com/lib/pq"
)

// storedRow is a stored row with its decoded message.
type storedRow[M any] struct {
	key     key
	message M
}

// mismatches returns, by row ID, the search columns that differ from the message. The
// values are computed by the functions that fill the columns on insert, and PostgreSQL
// casts both sides alike, so a difference means that somebody has edited the row. All
// rows are compared in one query.
func (t table[M]) mismatches(s *Snapshot, rows []storedRow[M]) (map[string][]string, error) {
	differ := map[string][]string{}
	var comparable []Record
	for _, row := range rows {
		r := Record{statements: t.statements, key: row.key, values: t.values(row.message)}
		if impossible := t.impossible(r.values, row.message); len(impossible) > 0 {
			differ[row.key.id] = impossible
			continue
		}
		comparable = append(comparable, r)
	}
	if len(comparable) == 0 {
		return differ, nil
	}
	var found []struct {
		Parent, ID string
		Columns    pq.StringArray
	}
	err := s.all(&found, t.mismatched, insertArgs(comparable)...)
	for _, f := range found {
		differ[f.ID] = f.Columns
	}
	return differ, err
}

// impossible returns the columns whose values the database could not store, such as a
// text with a zero byte. No inserted row has one. The body of an edited row can, and
// must not make the query fail for the other rows.
func (t table[M]) impossible(values []sql.NullString, m M) []string {
	var names []string
	for i, c := range t.columns {
		at, isTime := c.value(m).(interface{ CheckValid() error })
		if strings.Contains(values[i].String, "\x00") || isTime && values[i].Valid && at.CheckValid() != nil {
			names = append(names, c.name)
		}
	}
	return names
}
