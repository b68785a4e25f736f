// Package importer reads files of other systems and sends what is in them to an
// ImportService. A file has a record a line: JSON of the contract's ImportItem (NDJSON), or
// columns (CSV) that a Mapping turns into items.
//
// # Lines
//
// A line is the unit of everything: of the report, of the position at which an interrupted
// import continues, and of what a batch holds whole. A line that cannot be read is in the
// report and stops nothing.
//
// # Safety
//
// The server stores a batch together with its position, so an import that was killed at any
// moment continues behind the last batch that was stored. It stores an external id once, so
// sending lines again is safe, and the file may be corrected and sent as a whole.
//
// What a file says of people never reaches the report, an error or a log: they name lines,
// fields and what would be right, and quote no value.
//
// # A mapping
//
//	delimiter: ";"
//	items:
//	  - fields:
//	      external_id: {column: Card}
//	      client.display_name: {column: Name}
//	  - when: Done on
//	    fields:
//	      external_id: {column: Visit}
//	      client_external_id: {column: Card}
//	      record.date: {column: Done on, date: DD.MM.YYYY}
//	      record.works: {column: What, split: ",", values: {relaxer: IMPORTED_WORK_HYDROXIDE}}
//
// Each line gives a client and, if the column "Done on" has a value, a record. A mapping
// becomes the JSON of the contract and is read as such, so a field that is added to the
// contract needs no code here.
package importer

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protojson"

	pb "alkalog/proto/alkalogv1"
)

// Line is a line of a file with the items that it stands for.
type Line struct {
	// Number is the number of the line, from 1.
	Number int64
	Items  []*pb.ImportItem
	// Field and Problem say what is wrong with the line itself; Problem is empty for a line
	// that was read.
	Field, Problem string
}

// Source gives the lines of a file, one after the other. Next returns io.EOF at the end.
type Source interface {
	Next() (Line, error)
}

// longestLine bounds a line: the server takes a request of at most 1 MiB. Our own choice.
const longestLine = 512 << 10

// JSONLines reads a file that has an ImportItem as JSON on each line. Empty lines are
// skipped.
func JSONLines(file io.Reader) Source {
	lines := bufio.NewScanner(file)
	lines.Buffer(nil, longestLine)
	return &jsonLines{lines: lines}
}

// A line that is too long ends the file, because nobody can say where the next one begins;
// what comes before it is sent. Everything else that is wrong concerns its line.

// jsonLines is the Source of NDJSON.
type jsonLines struct {
	lines  *bufio.Scanner
	number int64
}

// Next implements Source.
func (s *jsonLines) Next() (Line, error) {
	for s.lines.Scan() {
		s.number++
		text := bytes.TrimSpace(bytes.TrimPrefix(s.lines.Bytes(), []byte("\ufeff")))
		if len(text) == 0 {
			continue
		}
		line, item := Line{Number: s.number}, &pb.ImportItem{}
		if !utf8.Valid(text) {
			line.Problem = "must be UTF-8"
		} else if err := protojson.Unmarshal(text, item); err != nil {
			line.Problem = "must be JSON of an ImportItem: " + reason(err)
		} else {
			item.Position = s.number
			line.Items = []*pb.ImportItem{item}
		}
		return line, nil
	}
	if err := s.lines.Err(); err != nil {
		return Line{}, fmt.Errorf("after line %d: %w", s.number, err)
	}
	return Line{}, io.EOF
}

// reason is the text of an error of protojson without its varying beginning. The texts
// name places and fields; a value that they quote is cut off.
func reason(err error) string {
	text := strings.ReplaceAll(err.Error(), "\u00a0", " ")
	text = strings.TrimPrefix(strings.TrimPrefix(text, "proto: "), "syntax error ")
	if place, _, found := strings.Cut(text, "invalid value for"); found {
		field, _, _ := strings.Cut(text[len(place)+len("invalid value for "):], ":")
		return place + "the value does not fit " + field
	}
	return text
}

// CSV reads a file with a line of column names and then a record a line, which a mapping
// turns into items.
func CSV(file io.Reader, m *Mapping) (Source, error) {
	in := csv.NewReader(file)
	in.Comma = m.delimiter()
	in.ReuseRecord = true
	names, err := in.Read()
	if err != nil {
		return nil, fmt.Errorf("the line with the names of the columns: %w", err)
	}
	s := &csvLines{in: in, mapping: m, columns: map[string]int{}}
	for i, name := range names {
		s.columns[strings.TrimSpace(strings.TrimPrefix(name, "\ufeff"))] = i
	}
	return s, m.check(s.columns)
}

// A cell may have line breaks (RFC 4180, section 2, 2005), so a record has the number of the
// line on which it begins. All records must have as many cells as there are names of columns;
// one with more or fewer is refused, since its cells cannot be told apart. Spaces around a
// cell mean nothing.

// csvLines is the Source of CSV.
type csvLines struct {
	in      *csv.Reader
	mapping *Mapping
	columns map[string]int
}

// Next implements Source.
func (s *csvLines) Next() (Line, error) {
	cells, err := s.in.Read()
	if err == io.EOF {
		return Line{}, err
	}
	bad := new(csv.ParseError)
	if errors.As(err, &bad) {
		return Line{Number: int64(bad.StartLine), Problem: "must be a line of CSV: " + bad.Err.Error()}, nil
	}
	if err != nil {
		return Line{}, err
	}
	number, _ := s.in.FieldPos(0)
	line := Line{Number: int64(number)}
	line.Items, line.Field, line.Problem = s.mapping.items(func(column string) string { return strings.TrimSpace(cells[s.columns[column]]) })
	for _, item := range line.Items {
		item.Position = line.Number
	}
	return line, nil
}
