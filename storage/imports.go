package storage

import pb "alkalog/proto/alkalogv1"

// Imports are listed by ID. ImportedRecords are never changed and are listed newest
// first; they are sealed with the key of their client.
var (
	Imports         = Mutable[*pb.Import]{Kind[*pb.Import]{table: newTable[*pb.Import]("imports")}}
	ImportedRecords = Kind[*pb.ImportedRecord]{newestFirst: true, table: importedRecords()}
)

// ImportsSchema is the first schema version whose servers use imported records. Those
// before it would decide without them, and so too mildly.
const ImportsSchema int64 = 25

// importedRecords returns the table of imported records, which have external ids.
func importedRecords() table[*pb.ImportedRecord] {
	t := newSealed[*pb.ImportedRecord]("imported_records", "parent")
	t.external = func(r *pb.ImportedRecord) externalID {
		return externalID{OfRecords, r.GetSource().GetExternalId()}
	}
	return t
}
