package demo

import (
	"fmt"
	"io"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// width is the maximum line length, in characters.
const width = 100

// page is the output of the story. What people do starts at the margin; the
// server's answers are behind a bar. After a write error nothing more is written.
type page struct {
	out io.Writer
	// The first error of the writer.
	err error
	// How many parts there were.
	acts int
	// Cautions and alarms that were already printed.
	printed map[string]bool
}

// newPage returns an empty page. Nothing is written before the first line of the
// story.
func newPage(out io.Writer) page { return page{out: out, printed: map[string]bool{}} }

// act prints the heading of a part. Parts are numbered, so that people can talk
// about them.
func (p *page) act(title string) {
	p.acts++
	heading := fmt.Sprintf("%d. %s", p.acts, title)
	p.print("\n" + heading + "\n" + strings.Repeat("-", len(heading)) + "\n")
}

// say prints a paragraph of the story. It is the voice of the people.
func (p *page) say(format string, args ...any) { p.wrap("", "", format, args...) }

// answer prints a line of an answer. It is the voice of the server.
func (p *page) answer(format string, args ...any) { p.wrap("  | ", "  |     ", format, args...) }

// detail prints a further line of the answer above.
func (p *page) detail(format string, args ...any) { p.wrap("  |   ", "  |     ", format, args...) }

// wrap breaks a text between words and keeps runs of spaces, so that columns stay
// aligned. Width is counted in characters, not bytes.
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

// print writes text unchanged. It keeps the first error of the writer; the story
// ends with it.
func (p *page) print(text string) {
	if p.err == nil {
		_, p.err = io.WriteString(p.out, text)
	}
}

// enumLabel formats an enum value: "PROCEED_WITH_CONDITIONS" of Verdict is "proceed
// with conditions". A value that this program does not know yet is printed as its
// number.
func enumLabel(value protoreflect.Enum) string {
	values := value.Descriptor().Values()
	prefix := strings.TrimSuffix(string(values.Get(0).Name()), "UNSPECIFIED")
	named := values.ByNumber(value.Number())
	if named == nil {
		return fmt.Sprintf("value %d", value.Number())
	}
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(string(named.Name()), prefix), "_", " "))
}

// clockTime formats the time of day in UTC, to the second: what happens in a service is
// told apart by seconds. The days of the demo are those of its invented clock, not
// of the machine.
func clockTime(t *timestamppb.Timestamp) string { return formatTime(t, "15:04:05") }

// dateText formats a day, with the day of the week, because readers of the demo follow the
// weeks between two visits. It is the day in UTC, as all times of the demo are; the record
// card that it prints has the days of the salon.
func dateText(t *timestamppb.Timestamp) string { return formatTime(t, "Mon 2 Jan 2006") }

// formatTime formats a time that may be absent. A time that is missing is said to
// be missing and not printed as 1970.
func formatTime(t *timestamppb.Timestamp, layout string) string {
	if t == nil {
		return "none"
	}
	return t.AsTime().Format(layout)
}

// lastSegment is the last segment of a resource name, "amara" of
// "chains/ebb-and-flow/practitioners/amara".
func lastSegment(name string) string { return name[strings.LastIndex(name, "/")+1:] }

// parent returns a resource name without its last n segments.
func parent(name string, n int) string {
	for range n {
		name = name[:max(0, strings.LastIndex(name, "/"))]
	}
	return name
}
