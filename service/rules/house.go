package rules

import (
	"cel.dev/cel-go/cel"

	pb "alkalog/proto/alkalogv1"
)

// houseCost is the most that one evaluation of a house rule may cost, in CEL's
// units: about one for each field read or comparison made.
const houseCost = 10_000

// houseRules builds a house policy's rules.
func (e *Engine) houseRules(house *pb.HousePolicy) []*rule {
	var rules []*rule
	for _, text := range house.GetRules() {
		r := e.book.newRule(text, cel.CostLimit(houseCost))
		r.house = true
		rules = append(rules, r)
	}
	return rules
}

// Digest is the SHA-256 of the policy and the house policy, which may be nil.
func (e *Engine) Digest(house *pb.HousePolicy) string { return digest(e.text) }
