package demo

import (
	"fmt"
	"io"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// width is how long a line of the story may be, in letters.
const width = 100

// page is what the story is written on. What people do stands at the margin;
// what the server answered stands behind a bar. The first error of the writer
// is kept and the rest is not written.
type page struct {
	out     io.Writer
	err     error
	acts    int
	printed map[string]bool // what need not be told twice: cautions, calls to act
}

// newPage is an empty page.
func newPage(out io.Writer) page { return page{out: out, printed: map[string]bool{}} }

// act begins a new part of the story.
func (p *page) act(title string) {
	p.acts++
	heading := fmt.Sprintf("%d. %s", p.acts, title)
	p.print("\n" + heading + "\n" + strings.Repeat("-", len(heading)) + "\n")
}

// say writes a paragraph of the story.
func (p *page) say(format string, args ...any) { p.wrap("", "", format, args...) }

// answer writes a line of what the server answered.
func (p *page) answer(format string, args ...any) { p.wrap("  | ", "  |     ", format, args...) }

// detail writes a line that belongs to the answer above it.
func (p *page) detail(format string, args ...any) { p.wrap("  |   ", "  |     ", format, args...) }

// wrap breaks a text between words. Blanks within it stay, so that columns do.
func (p *page) wrap(first, rest, format string, args ...any) {
	line := first
	empty := true
	for _, word := range strings.Split(fmt.Sprintf(format, args...), " ") {
		if !empty && len([]rune(line))+1+len([]rune(word)) > width {
			p.print(strings.TrimRight(line, " ") + "\n")
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	p.print(strings.TrimRight(line, " ") + "\n")
}

// print writes as it is.
func (p *page) print(text string) {
	if p.err == nil {
		_, p.err = io.WriteString(p.out, text)
	}
}

// enumLabel says an enum value in plain words: "PROCEED_WITH_CONDITIONS" of Verdict
// is "proceed with conditions".
func enumLabel(value protoreflect.Enum) string {
	values := value.Descriptor().Values()
	prefix := strings.TrimSuffix(string(values.Get(0).Name()), "UNSPECIFIED")
	named := values.ByNumber(value.Number())
	if named == nil {
		return fmt.Sprintf("value %d", value.Number())
	}
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(string(named.Name()), prefix), "_", " "))
}

// clockTime says the time of day. The story keeps to UTC, as the records do.
func clockTime(t *timestamppb.Timestamp) string { return formatTime(t, "15:04:05") }

// dateText says a day, as a client would be told it.
func dateText(t *timestamppb.Timestamp) string { return formatTime(t, "Mon 2 Jan 2006") }

// formatTime says a time that may be absent.
func formatTime(t *timestamppb.Timestamp, layout string) string {
	if t == nil {
		return "none"
	}
	return t.AsTime().Format(layout)
}

// lastSegment is the last segment of a resource name, "amara" of
// "chains/ebb-and-flow/practitioners/amara".
func lastSegment(name string) string { return name[strings.LastIndex(name, "/")+1:] }

// parent is a resource name without its last n segments.
func parent(name string, n int) string {
	for range n {
		name = name[:max(0, strings.LastIndex(name, "/"))]
	}
	return name
}
