package storage

import pb "alkalog/proto/alkalogv1"

// Clients and Consultations are listed newest first. Both are sealed: a client with its
// own ID as the owner, a consultation with its parent.
var (
	Clients       = Mutable[*pb.Client]{Kind[*pb.Client]{newestFirst: true, table: clients()}}
	Consultations = Mutable[*pb.Consultation]{Kind[*pb.Consultation]{newestFirst: true,
		table: newSealed[*pb.Consultation]("consultations", "parent")}}
)

// LinksSchema is the first schema version whose servers use links between clients. Those
// before it would decide on the history of one record alone, and so too mildly.
const LinksSchema int64 = 25

// clients returns the table of clients, the only one whose records have index terms.
func clients() table[*pb.Client] {
	t := newSealed[*pb.Client]("clients", "id")
	t.terms = clientTerms
	t.external = func(c *pb.Client) externalID { return externalID{OfClients, c.GetExternalId()} }
	return t
}
