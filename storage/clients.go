package storage

import pb "alkalog/proto/alkalogv1"

// Clients and their consultations are listed newest first.
var (
	Clients       = Mutable[*pb.Client]{Kind[*pb.Client]{newestFirst: true, table: clients()}}
	Consultations = Mutable[*pb.Consultation]{Kind[*pb.Consultation]{newestFirst: true,
		table: newSealed[*pb.Consultation]("consultations", "parent")}}
)

// clients is the table of clients, who are found by name and contacts.
func clients() table[*pb.Client] {
	t := newSealed[*pb.Client]("clients", "id")
	t.terms = clientTerms
	return t
}
