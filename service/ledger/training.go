package ledger

import (
	"fmt"

	pb "alkalog/proto/alkalogv1"
)

// MarksConfirmed returns the entry of a marking sheet that an instructor confirmed, as
// stored. It names the student and the sheet, and holds neither marks nor score: they are
// nobody's business but the school's.
func (ec EntryContext) MarksConfirmed(sheet *pb.MarkSheet, changed int) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_MARKS_CONFIRMED, sheet)
	e.Practitioner = sheet.Student
	e.ChangedRecord = sheet.Name
	e.Summary = fmt.Sprintf("marks confirmed, %d of them changed by hand", changed)
	return e
}
