package sheet

import (
	"encoding/csv"
	"io"
	"iter"
	"strings"
)

// writeCSV writes a head and the rows.
func (s Sheet[T]) writeCSV(w io.Writer, rows iter.Seq2[T, error]) error {
	out := csv.NewWriter(w)
	record := make([]string, len(s.Columns))
	for i, c := range s.Columns {
		record[i] = c.Name
	}
	if err := out.Write(record); err != nil {
		return err
	}
	err := s.each(rows, func(row T) error {
		for i, c := range s.Columns {
			record[i] = Guard(c.Of(row))
		}
		return out.Write(record)
	})
	out.Flush()
	if err != nil {
		return err
	}
	return out.Error()
}

// Guard makes a cell safe for a spreadsheet, which takes what begins with one of
// these characters for a formula: an apostrophe before it makes it text (OWASP,
// CSV Injection, https://owasp.org/www-community/attacks/CSV_Injection). The
// forms that some spreadsheets take for the same characters count too, and so
// do blanks before them.
func Guard(cell string) string {
	bare := strings.TrimLeft(cell, " \u00a0\u3000")
	if bare != "" && strings.ContainsRune("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20\u2212", []rune(bare)[0]) {
		return "'" + cell
	}
	return cell
}
