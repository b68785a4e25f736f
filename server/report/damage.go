package report

import (
	"fmt"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

// Damage lists log indexes whose entries were changed or deleted in the database.
// Unreadable entries are in every report, because their time is unknown.
type Damage struct {
	Missing    []int64 // the entry is missing or unreadable
	Changed    []int64 // the entry differs from the signed one
	Mismatched []int64 // search columns differ from the entry
}

// addEntry returns the entry as the report shows it, and records its damage.
func (d *Damage) addEntry(sent *pb.ExportEntriesResponse) *pb.AuditEntry {
	entry, leaf := sent.GetEntry(), sent.GetLeafHash()
	hash := ledger.LeafHash(sent.GetStored())
	switch {
	case entry.GetName() == "":
		d.Missing = append(d.Missing, sent.GetIndex())
		return &pb.AuditEntry{Summary: "NOT what was put on the log: the entry was taken away or made unreadable; copy the log and verify the copy"}
	case len(leaf) > 0 && string(leaf) != string(hash[:]):
		d.Changed = append(d.Changed, sent.GetIndex())
		return &pb.AuditEntry{Summary: "NOT what was put on the log: the entry was changed, and what it says now is left out; copy the log and verify the copy"}
	case len(sent.GetMismatchedColumns()) > 0:
		d.Mismatched = append(d.Mismatched, sent.GetIndex())
	}
	return entry
}

// warnings lists what in a report is unreliable: damage found while reading the
// entries, and damage of the log that the server knows of.
func (f *Data) warnings() []string {
	var all []string
	say := func(places []int64, what string) {
		if len(places) > 0 {
			all = append(all, fmt.Sprintf("%s: %s.", placesText(places), what))
		}
	}
	say(f.Damage.Missing, "no readable entry is on record for what was signed; they are shown below whatever the period, since nobody can tell their time any more")
	say(f.Damage.Changed, "the entry on record is not the one that was signed; what it says now is not shown")
	say(f.Damage.Mismatched, "search columns of the database do not say what the signed entry says; the entries below are right, and the figures may not be")
	check := f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_KIND].GetCheck()
	if n := check.GetMissingPlaces() + check.GetChangedPlaces() + check.GetMismatchedPlaces(); n > 0 {
		all = append(all, fmt.Sprintf("When the server last compared the whole log with its records, %d of %d places did not fit; the first of them: %s.",
			n, check.GetComparedPlaces(), placesText(check.GetPlaces())))
	}
	if check.GetHalted() != "" {
		all = append(all, "Nothing is put on this log any more: "+check.GetHalted()+".")
	}
	return all
}

// placesText lists the first 20 indexes.
func placesText(places []int64) string {
	const most = 20
	var shown []string
	for _, p := range places[:min(len(places), most)] {
		shown = append(shown, fmt.Sprint(p))
	}
	text := "entry " + strings.Join(shown, ", ")
	if len(places) > most {
		text += fmt.Sprintf(" and %d more", len(places)-most)
	}
	return text
}
