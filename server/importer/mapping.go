package importer

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Mapping says which items the columns of a line stand for.
type Mapping struct {
	// Delimiter separates columns; empty: a comma.
	Delimiter string `yaml:"delimiter"`
	// Items are made of each line, in this order.
	Items []ItemMapping `yaml:"items"`
}

// ItemMapping makes one item of a line.
type ItemMapping struct {
	// When names a column: only lines in which it is not empty have the item. Empty: all.
	When string `yaml:"when"`
	// Fields are the fields of the item by their paths, such as "record.date".
	Fields map[string]FieldMapping `yaml:"fields"`

	paths []path // of Fields, sorted
}

// FieldMapping makes the value of one field.
type FieldMapping struct {
	// Column is the column whose text is taken; Text is taken instead if there is no column.
	// An empty cell leaves the field out.
	Column string `yaml:"column"`
	Text   string `yaml:"text"`
	// Prefix is put before the text, for example to keep the ids of two sources apart.
	Prefix string `yaml:"prefix"`
	// Values translates texts, without regard to case; a text that is not listed is a
	// problem of its line.
	Values map[string]string `yaml:"values"`
	// Split separates the texts of a list.
	Split string `yaml:"split"`
	// Date is the form of dates, of YYYY, MM and DD, such as "DD.MM.YYYY" or "YYYY".
	Date string `yaml:"date"`
}

// path is the path of a field with the fields on it.
type path struct {
	text  string
	names []string
	field protoreflect.FieldDescriptor // the last
}

// A mapping is checked when it is read and not when the first line meets it: paths against the
// contract, columns against the first line of the file. A wrong mapping is an error of usage
// and imports nothing; a wrong cell concerns its line alone.

// ReadMapping reads a mapping as YAML and checks every path. Unknown keys are errors, so a
// typing error does not leave a column out.
func ReadMapping(text []byte) (*Mapping, error) {
	m := &Mapping{}
	in := yaml.NewDecoder(strings.NewReader(string(text)))
	in.KnownFields(true)
	if err := in.Decode(m); err != nil {
		return nil, err
	}
	if len(m.Items) == 0 || utf8.RuneCountInString(m.Delimiter) > 1 {
		return nil, errors.New("a mapping must have items, and a delimiter of one character or none")
	}
	for i := range m.Items {
		item := &m.Items[i]
		for text, f := range item.Fields {
			p, err := parsePath(text)
			switch {
			case err != nil:
				return nil, err
			case (f.Column == "") == (f.Text == ""):
				return nil, fmt.Errorf("%s must have either a column or a text", text)
			case p.field.IsList() != (f.Split != ""):
				return nil, fmt.Errorf("%s: split must be given for lists and only for lists", text)
			}
			item.paths = append(item.paths, p)
		}
		slices.SortFunc(item.paths, func(a, b path) int { return strings.Compare(a.text, b.text) })
	}
	return m, nil
}

// parsePath finds the field of an ImportItem that a path names.
func parsePath(text string) (path, error) {
	p := path{text: text, names: strings.Split(text, ".")}
	in := (&pb.ImportItem{}).ProtoReflect().Descriptor()
	for i, name := range p.names {
		if in == nil || in.Fields().ByName(protoreflect.Name(name)) == nil {
			return p, fmt.Errorf("%q is no field of an ImportItem", text)
		}
		p.field = in.Fields().ByName(protoreflect.Name(name))
		if in = p.field.Message(); i < len(p.names)-1 && p.field.IsList() {
			return p, fmt.Errorf("%q is within a list", text)
		}
	}
	return p, nil
}

// delimiter is the character between columns.
func (m *Mapping) delimiter() rune {
	if m.Delimiter == "" {
		return ','
	}
	r, _ := utf8.DecodeRuneInString(m.Delimiter)
	return r
}

// check reports a column that the file does not have.
func (m *Mapping) check(columns map[string]int) error {
	for _, item := range m.Items {
		named := []string{item.When}
		for _, f := range item.Fields {
			named = append(named, f.Column)
		}
		for _, name := range named {
			if _, has := columns[name]; name != "" && !has {
				return fmt.Errorf("the file has no column %q", name)
			}
		}
	}
	return nil
}

// An item of a line is wanted or not by one column, because a line of an old file often has a
// person and perhaps a visit. If one item of a line cannot be made, none of the line is sent:
// a visit without its person would be refused anyway, and half a line is hard to find again.

// items makes the items of a line. A problem names the field and never quotes the cell.
func (m *Mapping) items(cell func(string) string) (items []*pb.ImportItem, field, problem string) {
	for _, of := range m.Items {
		if of.When != "" && cell(of.When) == "" {
			continue
		}
		tree := map[string]any{}
		for _, p := range of.paths {
			value, problem := of.Fields[p.text].value(p.field, cell)
			if problem != "" {
				return nil, p.text, problem
			}
			if value != nil {
				put(tree, p.names, value)
			}
		}
		text, err := json.Marshal(tree)
		item := &pb.ImportItem{}
		if err == nil {
			err = protojson.Unmarshal(text, item)
		}
		if err != nil {
			return nil, "", "must fit the fields that the mapping names: " + reason(err)
		}
		items = append(items, item)
	}
	return items, "", ""
}

// A cell is never quoted in a problem, because it is about a person: the report names the
// line, and who has the file can look there.

// The tree is that of the JSON form of an item (ProtoJSON), with the names of the contract.

// put puts a value at a path of nested objects.
func put(tree map[string]any, names []string, value any) {
	for _, name := range names[:len(names)-1] {
		next, _ := tree[name].(map[string]any)
		if next == nil {
			next = map[string]any{}
			tree[name] = next
		}
		tree = next
	}
	tree[names[len(names)-1]] = value
}

// value makes the value of a field as JSON has it; nil for an empty cell.
func (f FieldMapping) value(field protoreflect.FieldDescriptor, cell func(string) string) (value any, problem string) {
	text := f.Text
	if f.Column != "" {
		text = cell(f.Column)
	}
	if text == "" {
		return nil, ""
	}
	if !utf8.ValidString(text) {
		return nil, "must be UTF-8"
	}
	if f.Split == "" {
		return f.single(field, text)
	}
	var list []any
	for _, part := range strings.Split(text, f.Split) {
		if part = strings.TrimSpace(part); part == "" {
			continue
		}
		one, problem := f.single(field, part)
		if problem != "" {
			return nil, problem
		}
		list = append(list, one)
	}
	return list, ""
}

// single makes one value of a text.
func (f FieldMapping) single(field protoreflect.FieldDescriptor, text string) (any, string) {
	if f.Values != nil {
		for from, to := range f.Values {
			if strings.EqualFold(from, text) {
				return to, ""
			}
		}
		return nil, "must be one of the values that the mapping lists"
	}
	if f.Date != "" {
		return dated(field, f.Date, text)
	}
	if field.Kind() == protoreflect.DoubleKind {
		n, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil {
			return nil, "must be a number"
		}
		return n, ""
	}
	return f.Prefix + text, ""
}

// layout is the form of a date as package time has it.
var layout = strings.NewReplacer("YYYY", "2006", "MM", "01", "DD", "02", "M", "1", "D", "2")

// Old files write dates in many forms, and some know the year only. A form that lacks the day
// or the month gives a date that lacks it, which the rules take at its latest moment.

// dated makes a date of a text: a google.type.Date without what the form does not have, a
// Timestamp at the end of the day in UTC, or text as YYYY-MM-DD. The end of the day is the
// latest moment that fits, which is the stricter one; today it is now.
func dated(field protoreflect.FieldDescriptor, form, text string) (any, string) {
	at, err := time.Parse(layout.Replace(form), text)
	if err != nil {
		return nil, "must be a date as " + form
	}
	switch {
	case field.Message() == nil:
		return at.Format(time.DateOnly), ""
	case field.Message().Name() == "Timestamp":
		end := at.AddDate(0, 0, 1).Add(-time.Second)
		if now := time.Now(); end.After(now) && at.Before(now) {
			end = now.Add(-time.Second)
		}
		return end.UTC().Format(time.RFC3339), ""
	}
	d := map[string]int{"year": at.Year()}
	if strings.Contains(form, "M") {
		d["month"] = int(at.Month())
	}
	if strings.Contains(form, "D") {
		d["day"] = at.Day()
	}
	return d, ""
}
