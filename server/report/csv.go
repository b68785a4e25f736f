package report

import (
	"encoding/csv"
	"io"
	"iter"
	"strings"
)

// writeCSV writes a header and the rows. Lines end with a line feed; cells with a
// comma, a quote or a line end are quoted.
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

// EscapeFormula prevents a spreadsheet from evaluating a cell as a formula: it
// puts an apostrophe before a leading formula character (OWASP, CSV Injection,
// https://owasp.org/www-community/attacks/CSV_Injection). Full-width forms of
// these characters and preceding blanks count too. Spreadsheets in locales with a
// decimal comma split cells at semicolons and ignore quotes inside a cell;
// therefore the text after a semicolon, a tab or a line end counts as the start of
// a cell (ibid., on field separators).
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

// Characters that start a formula, with their full-width forms and the minus sign
// U+2212, and blanks that may precede them.
const (
	formulaStarts = "=+-@\uff1d\uff0b\uff0d\uff20\u2212"
	blanks        = " \u00a0\u3000"
)
