package report

import (
	"fmt"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

// Damage is places of the log whose records were edited or deleted in the
// database. Entries without a readable record are in every report, because nobody
// can tell any more to which period they belong.
type Damage struct {
	Missing    []int64 // no entry is on record, or it cannot be read
	Changed    []int64 // the entry is not the one that was signed
	Mismatched []int64 // search columns do not say what the entry says
}

// addEntry returns the entry as the report shows it, and notes what is wrong with it.
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

// warnings says what of a report cannot be relied upon: what was found while its
// entries were read, and what the server knows of the whole log.
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

// placesText lists places, the first 20 of them.
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
