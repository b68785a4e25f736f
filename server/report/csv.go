package report

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
	err := s.forEach(rows, func(row T) error {
		for i, c := range s.Columns {
			record[i] = EscapeFormula(c.Cell(row))
		}
		return out.Write(record)
	})
	out.Flush()
	if err != nil {
		return err
	}
	return out.Error()
}

// EscapeFormula makes a cell safe for a spreadsheet, which takes what begins with one of
// these characters for a formula: an apostrophe before it makes it text (OWASP,
// CSV Injection, https://owasp.org/www-community/attacks/CSV_Injection). The
// forms that some spreadsheets take for the same characters count too, and so
// do blanks before them. Where the comma is the decimal sign, spreadsheets part
// cells at semicolons, and know nothing of quotes in the middle of what they take
// for one; so what follows a semicolon, a tab or the end of a line counts as a
// beginning too (ibid., on field separators).
func EscapeFormula(cell string) string {
	bare := strings.TrimLeft(cell, blanks)
	if bare != "" && strings.ContainsRune(formulaStarts+"\t\r\n", []rune(bare)[0]) {
		cell = "'" + cell
	}
	var out strings.Builder
	begins, from := false, 0
	for i, r := range cell {
		switch {
		case strings.ContainsRune(";\t\r\n", r):
			begins = true
		case begins && strings.ContainsRune(formulaStarts, r):
			out.WriteString(cell[from:i] + "'")
			begins, from = false, i
		case !strings.ContainsRune(blanks+`"`, r):
			begins = false
		}
	}
	return out.String() + cell[from:]
}

// What a formula begins with, and what may come before it.
const (
	formulaStarts = "=+-@\uff1d\uff0b\uff0d\uff20\u2212"
	blanks        = " \u00a0\u3000"
)
