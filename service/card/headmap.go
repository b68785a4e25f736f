package card

import (
	"encoding/xml"
	"fmt"
	"math"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// Measures of the head map in user units: one head a visit, side by side. The
// lowest 26 units of the picture are the legend.
const (
	headWidth  = 150.0
	headHeight = 176.0
	headRadius = 58.0
	mostHeads  = 6 // visits shown; our own choice: about a year
)

// headMap draws the head from above, one picture per visit, the oldest on the
// left: where product was and for how long, where it overlapped relaxed hair,
// where something went wrong. Marks are letters, so that it also works in black
// and white, and the same facts are in the description for a screen reader. The
// newest mostHeads visits are drawn.
func headMap(c *pb.RecordCard, zones Zones) string {
	visits := slices.Clone(c.Visits[:min(mostHeads, len(c.Visits))])
	slices.Reverse(visits)
	var b strings.Builder
	width := headWidth * float64(max(1, len(visits)))
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %.0f %.0f" width="100%%" style="max-width:%.0fpx" role="img" aria-labelledby="head-map-title head-map-desc" font-family="sans-serif" font-size="9">`,
		width, headHeight+26, width)
	b.WriteString(`<title id="head-map-title">Head map, one head a visit, oldest first</title>`)
	fmt.Fprintf(&b, `<desc id="head-map-desc">%s</desc>`, escapeXML(headMapText(c, visits, zones)))
	for i, v := range visits {
		drawHead(&b, c, v, zones.day(v.Salon, v.StartTime.AsTime()), headWidth*float64(i))
	}
	fmt.Fprintf(&b, `<text x="4" y="%.0f">Nose up. ! went wrong  O over relaxed hair  R resistant  F fragile  figures: minutes</text></svg>`, headHeight+16)
	return b.String()
}

// drawHead draws one visit, with its left edge at x. The head is an ellipse with
// the nose at the top, as a stylist behind the chair sees it from above. Sections
// are labelled with the salon's own IDs and the minutes of exposure.
func drawHead(b *strings.Builder, c *pb.RecordCard, v *pb.Visit, day string, x float64) {
	cx, cy := x+headWidth/2, 98.0
	fmt.Fprintf(b, `<text x="%.0f" y="12" text-anchor="middle">%s</text>`, cx, day)
	fmt.Fprintf(b, `<ellipse cx="%.0f" cy="%.0f" rx="%.0f" ry="%.0f" fill="none" stroke="currentColor"/>`, cx, cy, headRadius, headRadius+12)
	fmt.Fprintf(b, `<path d="M%.0f %.0f l6 -10 l6 10" fill="none" stroke="currentColor"/>`, cx-6, cy-headRadius-11)
	for i, s := range v.Sections {
		px, py := sectionPosition(s.SectionId, i, len(v.Sections))
		text := s.SectionId
		if s.ExposureMinutes != nil {
			text = fmt.Sprintf("%s %.0f", s.SectionId, s.GetExposureMinutes())
		}
		fmt.Fprintf(b, `<text x="%.1f" y="%.1f" text-anchor="middle">%s</text>`, cx+px, cy+py, escapeXML(text))
		if marks := sectionMarks(c, v, s); marks != "" {
			fmt.Fprintf(b, `<text x="%.1f" y="%.1f" text-anchor="middle" font-weight="bold">%s</text>`, cx+px, cy+py+10, marks)
		}
	}
}

// sectionMarks are the letters of a section; the legend of the map explains them.
// An incident on the head without a section marks every section of its visit:
// where it was is not known, and none may look safe.
func sectionMarks(c *pb.RecordCard, v *pb.Visit, s *pb.SectionOutcome) string {
	marks := ""
	if slices.ContainsFunc(c.Incidents, func(i *pb.Incident) bool {
		return i.Session == v.Session && (i.SectionId == s.SectionId || i.SectionId == "" && i.Place == pb.Place_PLACE_HEAD)
	}) {
		marks += "!"
	}
	if slices.Contains(v.OverlappedSections, s.SectionId) {
		marks += "O"
	}
	for _, h := range v.Hair.GetSections() {
		if h.SectionId == s.SectionId && h.Resistant == pb.Answer_ANSWER_YES {
			marks += "R"
		}
		if h.SectionId == s.SectionId && h.Fragile == pb.Answer_ANSWER_YES {
			marks += "F"
		}
	}
	if s.Breakage == pb.Answer_ANSWER_YES && !strings.Contains(marks, "F") {
		marks += "F"
	}
	return marks
}

// sectionPosition guesses from the words in the salon's own section ID where it
// is on the head, relative to the middle, in user units. Salons name sections
// freely, so there is no list of IDs; a section that cannot be placed goes on a
// ring. i is the place of the section among of sections, for the ring. Words add
// up: "left-front" is left of the middle and in front of it.
func sectionPosition(id string, i, of int) (x, y float64) {
	parts := strings.Split(id, "-")
	said := func(words ...string) bool {
		return slices.ContainsFunc(parts, func(p string) bool { return slices.Contains(words, p) })
	}
	known := false
	move := func(dx, dy float64) { x, y, known = x+dx, y+dy, true }
	if said("left") {
		move(-30, 0)
	}
	if said("right") {
		move(30, 0)
	}
	if said("front", "hairline", "fringe") {
		move(0, -38)
	}
	if said("back") {
		move(0, 32)
	}
	if said("nape") {
		move(0, 54)
	}
	if said("crown", "top", "middle") {
		move(0, 2)
	}
	if said("temple", "temples", "side", "sides") {
		move(0, -16)
	}
	if known {
		return x, y
	}
	angle := 2 * math.Pi * float64(i) / float64(max(1, of))
	return 36 * math.Sin(angle), -36 * math.Cos(angle)
}

// headMapText describes the map in words. It has the same order and the same
// letters as the picture.
func headMapText(c *pb.RecordCard, visits []*pb.Visit, zones Zones) string {
	if len(visits) == 0 {
		return "No visit on record."
	}
	var lines []string
	for _, v := range visits {
		var parts []string
		for _, s := range v.Sections {
			part := s.SectionId
			if s.ExposureMinutes != nil {
				part += fmt.Sprintf(" %.0f min", s.GetExposureMinutes())
			}
			if marks := sectionMarks(c, v, s); marks != "" {
				part += " " + marks
			}
			parts = append(parts, part)
		}
		lines = append(lines, zones.day(v.Salon, v.StartTime.AsTime())+": "+strings.Join(parts, ", "))
	}
	return strings.Join(lines, ". ") + "."
}

// escapeXML escapes text for XML. Section IDs are text of the salon.
func escapeXML(text string) string {
	var b strings.Builder
	xml.EscapeText(&b, []byte(text)) // a strings.Builder does not fail
	return b.String()
}
