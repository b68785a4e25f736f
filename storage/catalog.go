package storage

import pb "alkalog/proto/alkalogv1"

// Products and HousePolicies are listed by ID. A chain has at most one house policy in
// force; a unique index refuses a second.
var (
	Products      = Mutable[*pb.Product]{Kind[*pb.Product]{table: newTable[*pb.Product]("products")}}
	HousePolicies = Mutable[*pb.HousePolicy]{Kind[*pb.HousePolicy]{table: newTable("house_policies",
		column[*pb.HousePolicy]{"state", "text", func(p *pb.HousePolicy) any { return p.GetState().String() }},
	)}}
)

// ActiveHousePolicy reads the house policy in force; ErrNotFound if there is none.
func ActiveHousePolicy(s *Snapshot) (*pb.HousePolicy, error) {
	var body []byte
	err := s.one(&body, "select body from house_policies where chain = $1 and state = $2",
		s.chain, pb.PolicyState_POLICY_STATE_ACTIVE.String())
	if err != nil {
		return nil, err
	}
	return parse[*pb.HousePolicy](body)
}
