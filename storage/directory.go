package storage

import pb "alkalog/proto/alkalogv1"

// Chains, salons and practitioners are listed by name.
var (
	Chains        = Mutable[*pb.Chain]{Kind[*pb.Chain]{table: newTable[*pb.Chain]("chains")}}
	Salons        = Mutable[*pb.Salon]{Kind[*pb.Salon]{table: newTable[*pb.Salon]("salons")}}
	Practitioners = Mutable[*pb.Practitioner]{Kind[*pb.Practitioner]{table: newTable[*pb.Practitioner]("practitioners")}}
)

// ListChains reads a page of all chains, by name. It is the one list that does
// not stay within a chain.
func ListChains(s *Snapshot, page Page) ([]*pb.Chain, string, error) {
	return list[*pb.Chain](s, byID("chains", "true", false), page)
}
