// Package sheet writes rows for people and for programs: as a table, as JSON, as
// JSON lines or as CSV. Rows are written as they come, so that a list may be as
// long as it likes.
package report

import (
	"bytes"
	"encoding/json"
	"io"
	"iter"
	"os"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// Format is how rows are written.
type Format string

// The forms that there are.
const (
	Table  Format = "table"  // columns for the eye, with what matters most
	JSON   Format = "json"   // one JSON array
	NDJSON Format = "ndjson" // one JSON value a line (ndjson-spec 1.0.0)
	CSV    Format = "csv"    // RFC 4180, made safe for spreadsheets
)

// Sheet says how rows of a kind are written.
type Sheet[T any] struct {
	// Columns are the columns of CSV and, those that have a Brief, of the table.
	Columns []Column[T]
	// JSON is a row as one JSON value.
	JSON func(T) ([]byte, error)
}

// Column is one column.
type Column[T any] struct {
	// Name heads the column, in snake case.
	Name string
	// Cell is the cell of a row.
	Cell func(T) string
	// TableCell is the same for the table, where there is less room; nil: the table
	// goes without.
	TableCell func(T) string
}

// Write writes the rows in the form, until there are no more, a row brings an
// error, or w takes no more.
func (s Sheet[T]) Write(w io.Writer, form Format, rows iter.Seq2[T, error]) error {
	switch form {
	case JSON:
		return s.writeJSON(w, rows)
	case NDJSON:
		return s.forEach(rows, func(row T) error { return s.writeLine(w, row) })
	case CSV:
		return s.writeCSV(w, rows)
	default:
		return s.writeTable(w, rows)
	}
}

// forEach hands the rows on.
func (s Sheet[T]) forEach(rows iter.Seq2[T, error], take func(T) error) error {
	for row, err := range rows {
		if err != nil {
			return err
		}
		if err := take(row); err != nil {
			return err
		}
	}
	return nil
}

// writeLine writes a row as one line of JSON.
func (s Sheet[T]) writeLine(w io.Writer, row T) error {
	text, err := s.JSON(row)
	if err != nil {
		return err
	}
	_, err = w.Write(append(text, '\n'))
	return err
}

// writeJSON writes an array; it is closed only when all rows are in it, so that
// one that was broken off does not pass for a whole.
func (s Sheet[T]) writeJSON(w io.Writer, rows iter.Seq2[T, error]) error {
	between := "[\n"
	err := s.forEach(rows, func(row T) error {
		if _, err := io.WriteString(w, between); err != nil {
			return err
		}
		between = ","
		return s.writeLine(w, row)
	})
	if err != nil {
		return err
	}
	end := "]\n"
	if between != "," {
		end = "[]\n"
	}
	_, err = io.WriteString(w, end)
	return err
}

// MarshalMessage is a message as one JSON value, always spelled alike: protojson itself
// varies its blanks on purpose.
func MarshalMessage(m proto.Message) ([]byte, error) {
	text, err := protojson.Marshal(m)
	if err != nil {
		return nil, err
	}
	var plain bytes.Buffer
	err = json.Compact(&plain, text)
	return plain.Bytes(), err
}

// IsTerminal reports whether somebody is watching what is written to w.
func IsTerminal(w io.Writer) bool {
	f, is := w.(*os.File)
	if !is {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// DefaultFormat is the form when none was asked for: a table for somebody who watches,
// JSON lines for a program.
func DefaultFormat(form Format, w io.Writer) Format {
	switch {
	case form != "":
		return form
	case IsTerminal(w):
		return Table
	}
	return NDJSON
}
