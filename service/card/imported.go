package card

import (
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/type/date"

	pb "alkalog/proto/alkalogv1"
)

// Imported records are no visits. They are shown in a block of their own after the visits,
// are not counted among them, and nothing on the card is computed from them: no rate, no
// growth, no retouch, no reminder. What they say is as the other system had it, in its words
// and not checked by anybody here. Who reads the line decides what to ask the client.

// The texts of an old record are printed as they are; Text and HTML escape what could be taken
// for markup, as for every other text of the card.
//
// importedLine is an imported record in one line: what was done, with what, what came out,
// what it warns of, and by whom and where. What the record does not say is left out. It begins with where it comes from, so
// that nobody takes it for what this chain did or saw.
func importedLine(r *pb.ImportedRecord) string {
	// Everything that the record has is shown, in the order in which a stylist asks: what,
	// with what, for how long, what to be careful of, what came of it, and who can be asked.
	said := []string{}
	add := func(what, text string) {
		if text != "" {
			said = append(said, what+text)
		}
	}
	for _, w := range r.Works {
		add("", enumWords(w.String(), "IMPORTED_WORK_", ""))
	}
	add("", enumWords(r.HydroxideKind.String(), "HYDROXIDE_KIND_", ""))
	add("", strings.TrimSpace(r.ProductText+" "+enumWords(r.Strength.String(), "STRENGTH_", "")))
	add("lot ", r.LotCode)
	if r.Minutes != nil {
		add("", fmt.Sprintf("%.0f min", r.GetMinutes()))
	}
	for _, w := range r.Warnings {
		add("warning: ", enumWords(w.String(), "WARNING_", "not stated"))
	}
	add("result: ", r.ResultText)
	add("by ", r.PractitionerText)
	add("at ", r.PlaceText)
	add("", r.Remarks)
	return fmt.Sprintf("Imported from %s, %s: %s.", r.Source.GetSystem(), dayWords(r.Date), strings.Join(said, ", "))
}

// Days are shown as they were stored, in no time zone: nobody knows more than the card said.

// dayWords is a date, a month or a year, as ISO 8601 has it.
func dayWords(d *date.Date) string {
	switch {
	case d.GetMonth() == 0:
		return fmt.Sprintf("%04d", d.GetYear())
	case d.GetDay() == 0:
		return fmt.Sprintf("%04d-%02d", d.GetYear(), d.GetMonth())
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}
