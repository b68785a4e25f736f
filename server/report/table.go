package report

import (
	"fmt"
	"io"
	"iter"
	"os"
	"strings"
	"unicode"
)

// tableRows is how many rows are looked at before the widths are set; later
// rows that need more get it.
const tableRows = 100

// widest is the widest that a column of the table gets, in letters; what is
// longer runs over its column, so that nothing is cut.
const widest = 60

// writeTable writes the brief columns, aligned.
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

// table is a table under way.
type table struct {
	out     io.Writer
	bold    bool
	head    []string // nil once it is written
	waiting [][]string
	widths  []int
}

func (t *table) add(cells []string) error {
	t.waiting = append(t.waiting, cells)
	if len(t.waiting) < tableRows {
		return nil
	}
	return t.flush()
}

// flush writes the rows that wait, under the head if that is still to come.
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

// line writes one line, bold by the terminal's own means (ECMA-48, SGR).
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

// Visible is a text in which every character that a terminal or a reader would
// obey rather than show (controls, and marks that turn the direction of
// reading) is written out as its code point.
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

// obeyed reports whether a character is obeyed rather than shown. The joiners are
// not: some scripts cannot be written without them.
func obeyed(r rune) bool {
	return r != '\u200c' && r != '\u200d' && unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp)
}
