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

// Format is an output format of rows.
type Format string

// Output formats.
const (
	Table  Format = "table"  // aligned columns, for people
	JSON   Format = "json"   // one JSON array
	NDJSON Format = "ndjson" // one JSON value a line (ndjson-spec 1.0.0)
	CSV    Format = "csv"    // RFC 4180, safe for spreadsheets
)

// Sheet defines how rows of type T are written. One definition serves all
// formats, so a column cannot be in one and missing in another by mistake.
type Sheet[T any] struct {
	// Columns are the columns of CSV; those with a TableCell are also columns of the
	// table.
	Columns []Column[T]
	// JSON formats a row as one JSON value.
	JSON func(T) ([]byte, error)
}

// Column is one column.
type Column[T any] struct {
	// Name is the column's header, in snake case.
	Name string
	// Cell returns the cell of a row.
	Cell func(T) string
	// TableCell returns a shorter cell for the table; nil: no column in the table.
	TableCell func(T) string
}

// Write writes all rows. It stops at the first error of rows or w. Rows that were
// written before an error remain.
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

// forEach passes each row to take. The first error ends it.
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

// writeJSON writes an array. It is closed only after the last row, so that
// incomplete output is not valid JSON. An empty list is "[]".
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

// MarshalMessage formats a message as one JSON value with stable whitespace;
// protojson varies it on purpose. Field names are those of the contract in
// lowerCamelCase.
func MarshalMessage(m proto.Message) ([]byte, error) {
	text, err := protojson.Marshal(m)
	if err != nil {
		return nil, err
	}
	var plain bytes.Buffer
	err = json.Compact(&plain, text)
	return plain.Bytes(), err
}

// IsTerminal reports whether w is a terminal. A pipe and a file are none.
func IsTerminal(w io.Writer) bool {
	f, is := w.(*os.File)
	if !is {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// DefaultFormat returns format or, if it is empty, Table for a terminal and
// NDJSON otherwise. A program that reads a pipe gets one value a line, whatever
// the user's terminal.
func DefaultFormat(form Format, w io.Writer) Format {
	switch {
	case form != "":
		return form
	case IsTerminal(w):
		return Table
	}
	return NDJSON
}
