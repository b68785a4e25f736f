package card

import (
	"fmt"
	"html/template"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// block is a heading of the card and the lines under it. Text and HTML are made
// from the same blocks, so they never differ in content.
type block struct {
	Heading string
	Lines   []string
}

// blocks are the parts of the card in reading order. Empty ones are left out, so
// that a short history is a short card. What must be read first comes first:
// reminders and incidents before figures.
func blocks(c *pb.RecordCard, zones Zones) []block {
	s := c.Summary
	all := []block{
		{"Mind next time", c.Reminders},
		{"Incidents", s.GetIncidents()},
		{"Tender spots", s.GetTenderSpots()},
		{"Hair", hairLines(c, zones)},
		{"Set aside by", s.GetOverrides()},
		{"Conditions at the last visit", s.GetConditions()},
		{"Neutral at the last visit", nonEmpty(s.GetNeutral())},
		{"Photos kept by the salon", s.GetPhotos()},
		{"Visits", visitLines(c, zones)},
		{"Imported from other systems", s.GetImported()},
	}
	var filled []block
	for _, p := range all {
		if len(p.Lines) > 0 {
			filled = append(filled, p)
		}
	}
	return filled
}

// caution ends every printed card. It is in every rendering, because a card on
// paper is read without the program.
const caution = "The maker's directions come first; local codes and licensed practice decide. This card records what was seen; it is not a diagnosis."

// hairLines are what the card knows about the hair over all visits. Growth is
// stored in micrometres a day and shown in millimetres a month of 30 days, with
// its interval, since an estimate without one would be read as a fact.
func hairLines(c *pb.RecordCard, zones Zones) []string {
	var lines []string
	s := c.Summary
	if e := s.GetRelaxerLineMm(); e != nil {
		lines = append(lines, fmt.Sprintf("Line of the last relaxer: about %.0f mm from the scalp (%.0f to %.0f), estimated from growth.", e.Value, e.Low, e.High))
	}
	if s != nil && s.Overlaps != nil {
		lines = append(lines, fmt.Sprintf("Product over relaxed hair: %d times on record.", s.GetOverlaps()))
	}
	if len(s.GetResistantSections()) > 0 {
		lines = append(lines, "Resistant: "+strings.Join(s.ResistantSections, ", ")+".")
	}
	if len(s.GetFragileSections()) > 0 {
		lines = append(lines, "Fragile: "+strings.Join(s.FragileSections, ", ")+".")
	}
	if g := c.GrowthUmPerDay; g != nil {
		lines = append(lines, fmt.Sprintf("Growth: %.1f mm a month (%.1f to %.1f).", g.Value*30/1000, g.Low*30/1000, g.High*30/1000))
	}
	if c.NextRetouchTime != nil {
		lines = append(lines, "Next retouch not before "+zones.day(retouchSalon(c), c.NextRetouchTime.AsTime())+". "+c.NextRetouchReason)
	}
	return lines
}

// visitLines are the visits, one line each, in the form of the card's first line.
// The newest visit is the first line of the card and also the first of these.
func visitLines(c *pb.RecordCard, zones Zones) []string {
	var lines []string
	for _, v := range c.Visits {
		one := &pb.RecordCard{Visits: []*pb.Visit{v}, Incidents: c.Incidents}
		lines = append(lines, firstLine(one, zones))
	}
	return lines
}

// Text is the card as plain text. It ends with the caution. Lines are not
// wrapped; a till wraps them to its screen.
func Text(c *pb.RecordCard, zones Zones) string {
	var b strings.Builder
	b.WriteString(c.GetSummary().GetFirstLine() + "\n")
	for _, p := range blocks(c, zones) {
		fmt.Fprintf(&b, "\n%s\n", p.Heading)
		for _, line := range p.Lines {
			fmt.Fprintf(&b, "- %s\n", line)
		}
	}
	b.WriteString("\n" + caution + "\n")
	return b.String()
}

// page is one file without script or external resources, so that it can be printed or
// mailed as it is.
// The template escapes every text for HTML; the head map is the only part that is
// inserted as it is.
var page = template.Must(template.New("card").Parse(`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Record card</title>
<style>
:root { color-scheme: light dark; }
body { font: 1rem/1.4 sans-serif; max-width: 46rem; margin: 1rem auto; padding: 0 1rem; }
h1 { font-size: 1.1rem; } h2 { font-size: 1rem; margin: 1rem 0 .2rem; border-bottom: 1px solid; }
ul { margin: .2rem 0; padding-left: 1.2rem; } .map { overflow-x: auto; }
.first { font-weight: bold; } footer { margin-top: 1rem; font-size: .85rem; border-top: 1px solid; }
@media print { body { margin: 0; max-width: none; } h2 { break-after: avoid; } li { break-inside: avoid; } }
</style>
</head>
<body>
<h1>Record card</h1>
<p class="first">{{.First}}</p>
{{range .Parts}}<h2>{{.Heading}}</h2>
<ul>{{range .Lines}}<li>{{.}}</li>{{end}}</ul>
{{end}}<h2>Head map</h2>
<div class="map">{{.Map}}</div>
<footer>{{.Caution}}</footer>
</body>
</html>
`))

// HTML is the card for print. It has no name of the client: the salon writes it
// by hand. The only error is that of the template. It works in dark mode and on
// paper.
func HTML(c *pb.RecordCard, zones Zones) (string, error) {
	var b strings.Builder
	err := page.Execute(&b, struct {
		First, Caution string
		Parts          []block
		Map            template.HTML
	}{c.GetSummary().GetFirstLine(), caution, blocks(c, zones), template.HTML(c.GetSummary().GetHeadMapSvg())}) // the map escapes its own texts
	return b.String(), err
}

// nonEmpty is a list of one text, or an empty list for an empty text.
func nonEmpty(text string) []string {
	if text == "" {
		return nil
	}
	return []string{text}
}
