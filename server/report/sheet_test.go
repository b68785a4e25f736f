package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"iter"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// word is a row for tests.
type word struct{ text, more string }

// words is the sheet of such rows.
func words() Sheet[word] {
	text := func(w word) string { return w.text }
	return Sheet[word]{
		Columns: []Column[word]{{Name: "the_word", Cell: text, TableCell: text}, {Name: "more", Cell: func(w word) string { return w.more }}},
		JSON:    func(w word) ([]byte, error) { return json.Marshal(w.text) },
	}
}

// rows returns the rows, followed by the error if there is one.
func rows(end error, all ...word) iter.Seq2[word, error] {
	return func(yield func(word, error) bool) {
		for _, w := range all {
			if !yield(w, nil) {
				return
			}
		}
		if end != nil {
			yield(word{}, end)
		}
	}
}

func TestForms(t *testing.T) {
	for form, want := range map[Format]string{
		JSON:   "[\n\"rinse\"\n,\"=1+1\"\n]\n",
		NDJSON: "\"rinse\"\n\"=1+1\"\n",
		CSV:    "the_word,more\nrinse,at once\n'=1+1,\"a, \"\"b\"\"\"\n",
		Table:  "THE WORD\nrinse\n=1+1\n",
	} {
		var out bytes.Buffer
		if err := words().Write(&out, form, rows(nil, word{"rinse", "at once"}, word{"=1+1", `a, "b"`})); err != nil || out.String() != want {
			t.Errorf("%s: %v\n%s\nwant\n%s", form, err, &out, want)
		}
	}
}

// TestEmptyList checks that a list without rows is valid output of its format.
func TestEmptyList(t *testing.T) {
	for form, want := range map[Format]string{JSON: "[]\n", NDJSON: "", CSV: "the_word,more\n", Table: "THE WORD\n"} {
		var out bytes.Buffer
		if err := words().Write(&out, form, rows(nil)); err != nil || out.String() != want {
			t.Errorf("%s: %v %q, want %q", form, err, &out, want)
		}
	}
}

// TestIncompleteList checks that incomplete output cannot be mistaken for complete
// output, and that the error says why it is incomplete.
func TestIncompleteList(t *testing.T) {
	lost := errors.New("the server went away")
	for _, form := range []Format{JSON, NDJSON, CSV, Table} {
		var out bytes.Buffer
		if err := words().Write(&out, form, rows(lost, word{"rinse", ""})); !errors.Is(err, lost) {
			t.Errorf("%s: %v", form, err)
		}
		if form == JSON && json.Valid(out.Bytes()) {
			t.Errorf("a broken list reads as a whole: %s", &out)
		}
		if err := words().Write(full{}, form, rows(nil, word{"rinse", ""})); !errors.Is(err, errFull) {
			t.Errorf("%s on a full disk: %v", form, err)
		}
	}
}

// full is a writer that fails as a full disk does.
type full struct{}

var errFull = errors.New("no space left")

func (full) Write([]byte) (int, error) { return 0, errFull }

// TestFormulaCells goes through the cells that a spreadsheet takes for a formula
// (OWASP, CSV Injection: cells that begin with = + - @, tab or carriage return; line
// feed and full-width forms are in its list for some spreadsheets).
func TestFormulaCells(t *testing.T) {
	for cell, guarded := range map[string]bool{
		"=1+1": true, "+1": true, "-1": true, "@SUM(A1)": true, "\tx": true, "\rx": true, "\nx": true,
		`=HYPERLINK("http://example.org";"x")`: true, "＝1": true, "＋1": true, "－1": true, "＠x": true, "−1": true,
		" =1": true, "\u00a0=1": true,
		"": false, " ": false, "rinse": false, "a=1": false, "'=1": false, "2026-11-03": false, "chains/ebb": false, "1.5": false,
	} {
		got := EscapeFormula(cell)
		if want := map[bool]string{true: "'" + cell, false: cell}[guarded]; got != want {
			t.Errorf("%q becomes %q, not %q", cell, got, want)
		}
	}
	for cell, want := range map[string]string{
		"lot;=1+1": "lot;'=1+1", "lot\t@x": "lot\t'@x", "lot\n=1;-2": "lot\n'=1;'-2", "lot; \"=1": "lot; \"'=1", "lot;;+1": "lot;;'+1",
		" \t=1": "' \t'=1", "wait; then rinse": "wait; then rinse", "a;b=c": "a;b=c", "lot;2-3": "lot;2-3",
	} {
		if got := EscapeFormula(cell); got != want {
			t.Errorf("%q becomes %q, not %q", cell, got, want)
		}
	}
}

// FuzzCSV checks that every cell can be read back from the file and does not begin
// like a formula.
func FuzzCSV(f *testing.F) {
	for _, seed := range []string{"=1", "a\"b,c\nd", " @x", "\t", "'"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, cell string) {
		var out bytes.Buffer
		if err := words().Write(&out, CSV, rows(nil, word{cell, "end"})); err != nil {
			t.Fatal(err)
		}
		all, err := csv.NewReader(&out).ReadAll()
		if err != nil || len(all) != 2 || len(all[1]) != 2 || all[1][1] != "end" {
			t.Fatalf("%q: %v, %v", cell, all, err)
		}
		got := all[1][0]
		if plain := strings.ReplaceAll(EscapeFormula(cell), "\r\n", "\n"); got != plain { // encoding/csv reads CR LF as LF
			t.Errorf("%q came back as %q", plain, got)
		}
		if got != "" && strings.ContainsAny(got[:1], "=+-@\t\r\n") {
			t.Errorf("%q begins like a formula", got)
		}
	})
}

// TestTable checks that columns are aligned, also after the rows that set their
// width, and that control characters are spelled out.
func TestTable(t *testing.T) {
	both := words()
	both.Columns[1].TableCell = both.Columns[1].Cell
	var all []word
	for range tableRows {
		all = append(all, word{"a", "x"})
	}
	all = append(all, word{"äöü\x1b[31m\u202e", "y"}, word{"b", "z"})
	var out bytes.Buffer
	if err := both.Write(&out, Table, rows(nil, all...)); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(out.String(), "\n")
	if lines[0] != "THE WORD  MORE" || lines[1] != "a         x" {
		t.Errorf("it begins\n%s\n%s", lines[0], lines[1])
	}
	long := lines[tableRows+1]
	if long != "äöü[U+001B][31m[U+202E]  y" || strings.Index(lines[tableRows+2], "z") != len([]rune(long))-1 {
		t.Errorf("it ends\n%s\n%s", long, lines[tableRows+2])
	}
}

// TestMessage checks that the same message always gives the same bytes.
func TestMessage(t *testing.T) {
	for range 50 {
		text, err := MarshalMessage(&pb.AuditEntry{Name: "chains/ebb/entries/e1", Kind: pb.EntryKind_ENTRY_KIND_REFUSAL})
		if err != nil || string(text) != `{"name":"chains/ebb/entries/e1","kind":"ENTRY_KIND_REFUSAL"}` {
			t.Fatalf("%s, %v", text, err)
		}
	}
}
