package report

import (
	"fmt"
	"io"
	"iter"
	"os"
	"strings"
	"unicode"
)

// tableRows is how many rows determine the column widths; a later row may be
// wider. A table appears once this many rows have arrived, or all of them. Our
// own choice.
const tableRows = 100

// widest is the maximum column width in characters. Longer cells are not
// truncated. Our own choice.
const widest = 60

// writeTable writes the table columns, aligned. The header is bold on a terminal
// unless NO_COLOR is set.
func (s Sheet[T]) writeTable(w io.Writer, rows iter.Seq2[T, error]) error {
	var brief []Column[T]
	var head []string
	for _, c := range s.Columns {
		if c.TableCell != nil {
			brief, head = append(brief, c), append(head, strings.ToUpper(strings.ReplaceAll(c.Name, "_", " ")))
		}
	}
	t := table{out: w, bold: IsTerminal(w) && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb", head: head}
	err := s.forEach(rows, func(row T) error {
		cells := make([]string, len(brief))
		for i, c := range brief {
			cells[i] = Visible(c.TableCell(row))
		}
		return t.add(cells)
	})
	if err != nil {
		return err
	}
	return t.flush()
}

// table is a table that is being written.
type table struct {
	out     io.Writer
	bold    bool       // the header is bold
	head    []string   // nil once it is written
	waiting [][]string // rows that are not written yet
	widths  []int      // of the columns, in characters; they only grow
}

// add adds a row and writes the waiting ones if there are enough.
func (t *table) add(cells []string) error {
	t.waiting = append(t.waiting, cells)
	if len(t.waiting) < tableRows {
		return nil
	}
	return t.flush()
}

// flush writes the waiting rows, and the header before the first. The first rows
// decide the width, so a table of a million rows needs no more memory than one of
// a hundred.
func (t *table) flush() error {
	head := t.head
	t.widths = append(t.widths, make([]int, len(head))...)
	t.head = nil
	for _, cells := range append([][]string{head}, t.waiting...) {
		for i, cell := range cells {
			t.widths[i] = max(t.widths[i], min(widest, len([]rune(cell))))
		}
	}
	if head != nil {
		if err := t.line(head, t.bold); err != nil {
			return err
		}
	}
	for _, cells := range t.waiting {
		if err := t.line(cells, false); err != nil {
			return err
		}
	}
	t.waiting = nil
	return nil
}

// line writes one line, bold by the terminal's own means (ECMA-48, SGR). Cells
// wider than their column move the rest of the line.
func (t *table) line(cells []string, bold bool) error {
	var line strings.Builder
	for i, cell := range cells {
		fmt.Fprintf(&line, "%-*s  ", t.widths[i], cell)
	}
	text := strings.TrimRight(line.String(), " ")
	if bold {
		text = "\x1b[1m" + text + "\x1b[0m"
	}
	_, err := io.WriteString(t.out, text+"\n")
	return err
}

// Visible spells out, as a code point, every character that a terminal or reader
// would obey instead of showing: control characters and marks that change the
// direction of text. Text without such characters is returned as it is.
func Visible(text string) string {
	if !strings.ContainsFunc(text, obeyed) {
		return text
	}
	var out strings.Builder
	for _, r := range text {
		if obeyed(r) {
			fmt.Fprintf(&out, "[U+%04X]", r)
		} else {
			out.WriteRune(r)
		}
	}
	return out.String()
}

// obeyed reports whether a character is a control character. Joiners are not,
// because some scripts need them.
func obeyed(r rune) bool {
	return r != '\u200c' && r != '\u200d' && unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp)
}
