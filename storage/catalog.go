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
	rows, planned, err := s.list(activePolicyID)
	switch {
	case !planned:
		err = s.one(&body, "select body from house_policies where chain = $1 and "+activePolicy, s.chain, activeState)
	case err == nil && len(rows) == 0:
		err = ErrNotFound
	case err == nil:
		body = rows[0].Body
	}
	if err != nil {
		return nil, err
	}
	return parse[*pb.HousePolicy](body)
}

// activePolicy is the condition of ActiveHousePolicy, activePolicyID its ID among the
// lists of a plan.
const (
	activePolicy   = "state = $2"
	activePolicyID = "active house policy"
)

// activeState is the state of the policy in force, as the search column has it.
var activeState = pb.PolicyState_POLICY_STATE_ACTIVE.String()
