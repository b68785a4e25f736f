package storage

import pb "alkalog/proto/alkalogv1"

// Imports are listed by ID. ImportedRecords are never changed and are listed newest
// first; they are sealed with the key of their client.
var (
	Imports         = Mutable[*pb.Import]{Kind[*pb.Import]{table: newTable[*pb.Import]("imports")}}
	ImportedRecords = Kind[*pb.ImportedRecord]{newestFirst: true, table: importedRecords()}
)

// importsSchema is the first schema version whose servers heed imported records. Those
// before it would decide without them, and so too mildly.
const importsSchema = 25

// importedRecords returns the table of imported records, which have external ids.
func importedRecords() table[*pb.ImportedRecord] {
	t := newSealed[*pb.ImportedRecord]("imported_records", "parent")
	t.external = func(r *pb.ImportedRecord) externalID {
		return externalID{OfRecords, r.GetSource().GetExternalId()}
	}
	return t
}

// MayImport reports whether every server that may write heeds imported records. It is
// false during an upgrade from a version before them.
func (db *DB) MayImport() bool { return db.MinimumSchema() >= importsSchema }
