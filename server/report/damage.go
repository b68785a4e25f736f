package report

import (
	"fmt"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

// Damage lists log indexes whose entries were changed or deleted in the database.
// Unreadable entries are in every report, because their time is unknown. The
// lists are in the order of the log.
type Damage struct {
	Missing    []int64 // the entry is missing or unreadable
	Changed    []int64 // the entry differs from the signed one
	Mismatched []int64 // search columns differ from the entry
}

// addEntry returns the entry as the report shows it, and records its damage. A
// damaged entry is replaced by one with a text that says so. Its summary is shown
// in the place of the original, whose content can be neither trusted nor read.
// The leaf hash that was signed is compared with the hash of the stored bytes. An
// entry without a leaf hash is not compared, because the server had none to send.
func (d *Damage) addEntry(sent *pb.ExportEntriesResponse) *pb.AuditEntry {
	entry, leaf := sent.GetEntry(), sent.GetLeafHash()
	hash := ledger.LeafHash(sent.GetStored())
	switch {
	case entry.GetName() == "":
		d.Missing = append(d.Missing, sent.GetIndex())
		return &pb.AuditEntry{Summary: "NOT AS SIGNED: the entry was deleted or made unreadable; copy the log and verify the copy"}
	case len(leaf) > 0 && string(leaf) != string(hash[:]):
		d.Changed = append(d.Changed, sent.GetIndex())
		return &pb.AuditEntry{Summary: "NOT AS SIGNED: the entry was changed, and its present content is not shown; copy the log and verify the copy"}
	case len(sent.GetMismatchedColumns()) > 0:
		d.Mismatched = append(d.Mismatched, sent.GetIndex())
	}
	return entry
}

// warnings lists what in a report is unreliable: damage found while reading the
// entries, and damage of the log that the server knows of. They are on top of the
// page, because everything below may be affected.
func (f *Data) warnings() []string {
	var all []string
	say := func(places []int64, what string) {
		if len(places) > 0 {
			all = append(all, fmt.Sprintf("%s: %s.", placesText(places), what))
		}
	}
	say(f.Damage.Missing, "the database has no readable entry for what was signed; these are shown below in every report, because their time is unknown")
	say(f.Damage.Changed, "the entry in the database is not the one that was signed; its present content is not shown")
	say(f.Damage.Mismatched, "search columns of the database differ from the signed entry; the entries below are right, but the figures may be wrong")
	// The server inspects the whole log in the background; its last result comes
	// with the counts.
	check := f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_KIND].GetCheck()
	if n := check.GetMissingPlaces() + check.GetChangedPlaces() + check.GetMismatchedPlaces(); n > 0 {
		all = append(all, fmt.Sprintf("When the server last compared the whole log with the database, %d of %d indexes did not match; the first of them: %s.",
			n, check.GetComparedPlaces(), placesText(check.GetPlaces())))
	}
	if check.GetHalted() != "" {
		all = append(all, "The log is halted, and no entries are added to it: "+check.GetHalted()+".")
	}
	return all
}

// placesText lists the first 20 indexes. The rest is counted. Our own choice: a
// reader needs examples, not a list.
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
