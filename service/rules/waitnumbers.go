package rules

import (
	"fmt"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"

	pb "alkalog/proto/alkalogv1"
)

// How long waits are comes from three sides:
//
//   - The maker's directions for the product come first: what they state takes the
//     place of the default, in either direction, but never counts as less than the
//     floor (24 hours after a shampoo, 28 days between relaxers; our own choice).
//   - Where they are silent the default holds, see 00-parameters.yaml.
//   - A chain's number holds wherever it is longer than either.
//
// The law is not among them: its rules are rules of their own, which no number
// touches. Each section that takes another product is asked about with the
// directions of that product.

// Whether new growth was measured decides between two defaults, because it is the growth
// that matters and the days only stand for it: 42 days with at least 12 mm measured, 56
// without (common practice, 6 to 8 weeks seen). A growth that is not measured is not
// asked for by these fields; the longer wait holds, and measuring is in the message's
// hands.

// waitNumber is a number of a wait, as rules name it.
type waitNumber struct {
	name     string // as in waits.shampoo_hours
	of       string // what it is, for the basis of a finding
	setting  func(*pb.PolicyParameters) *int32
	path     string // of the setting
	directed func(*pb.Directions) *int32
	field    string // of the directions
	floor    func(*pb.PolicyParameters) int32
}

// waitNumbers are the waits whose length the directions can set. measuredDays finds
// the interval between relaxers by its place here.
var waitNumbers = []waitNumber{
	{"shampoo_hours", "wait after a shampoo", setting(func(p *pb.PolicyParameters) *int32 { return p.ShampooWaitHours }), "shampoo_wait_hours",
		func(d *pb.Directions) *int32 { return d.ShampooWaitHours }, "shampoo_wait_hours", (*pb.PolicyParameters).GetShampooFloorHours},
	{"relaxer_days", "interval between relaxers", setting(func(p *pb.PolicyParameters) *int32 { return p.RelaxerWaitDays }), "relaxer_wait_days",
		func(d *pb.Directions) *int32 { return d.RelaxerWaitDays }, "relaxer_wait_days", (*pb.PolicyParameters).GetRelaxerFloorDays},
	{"colour_days", "wait after permanent colour", setting(func(p *pb.PolicyParameters) *int32 { return p.ColourWaitDays }), "colour_wait_days",
		func(d *pb.Directions) *int32 { return d.ColourWaitDays }, "colour_wait_days", noFloor},
	{"smoothing_days", "wait after a smoothing treatment", setting(func(p *pb.PolicyParameters) *int32 { return p.SmoothingWaitDays }), "smoothing_wait_days",
		func(d *pb.Directions) *int32 { return d.SmoothingWaitDays }, "smoothing_wait_days", noFloor},
	{"extensions_days", "wait after braids, weave or extensions", setting(func(p *pb.PolicyParameters) *int32 { return p.ExtensionsWaitDays }), "extensions_wait_days",
		func(d *pb.Directions) *int32 { return d.ExtensionsWaitDays }, "extensions_wait_days", noFloor},
}

// noFloor is that of a wait that the directions may set to any length.
func noFloor(*pb.PolicyParameters) int32 { return 0 }

// waitPath begins the path of a wait's number.
const waitPath = "waits."

// waitFields are the numbers of waits, and whether new growth was measured and is
// enough. They are no questions: growth that was not measured is not asked for here,
// the longer wait holds.
func waitFields() []field {
	var fields []field
	for _, n := range waitNumbers {
		fields = append(fields, field{path: waitPath + n.name, celType: cel.IntType,
			get:      func(s *state) ref.Val { return types.Int(n.value(s)) },
			evidence: n.evidence})
	}
	return append(fields, field{path: waitPath + "growth_measured", celType: cel.BoolType,
		get:      func(s *state) ref.Val { return types.Bool(s.growthMeasured()) },
		evidence: (*state).evidenceOfGrowth})
}

// stated is what the directions of the product in hand state; nil: nothing.
func (n waitNumber) stated(s *state) *int32 {
	if d := s.product.GetDirections(); d != nil {
		return n.directed(d)
	}
	return nil
}

// value is the number in force.
func (n waitNumber) value(s *state) int32 {
	number := *orZero(n.setting(s.in.GetParameters()))
	measured := n.name == "relaxer_days" && s.growthMeasured()
	if measured {
		number = s.measuredDays()
	}
	stated := n.stated(s)
	if stated == nil {
		return number
	}
	directed := max(*stated, n.floor(s.in.GetParameters()))
	if n.tightened(s, n.setting) || measured && n.tightened(s, measuredSetting) {
		return max(directed, number)
	}
	return directed
}

// tightened tells whether a chain has a number of its own: the house policy states
// one, or the number in force is longer than the default.
func (n waitNumber) tightened(s *state, setting func(*pb.PolicyParameters) *int32) bool {
	return setting(s.in.GetHousePolicy().GetParameters()) != nil ||
		*orZero(setting(s.in.GetParameters())) > *orZero(setting(s.lang.defaults))
}

// A chain that wrote 70 days before measured growth was told apart meant every client. If
// its number held for unmeasured growth only from one release to the next, clients would
// be treated earlier than the chain ever allowed.

// measuredDays is the wait between relaxers for measured growth. A chain that states
// the wait for growth that was not measured, and none for measured growth, means
// every client: house policies of before the two were told apart keep their meaning.
func (s *state) measuredDays() int32 {
	p := s.in.GetParameters()
	number, every := p.GetRelaxerMeasuredWaitDays(), waitNumbers[1]
	if every.tightened(s, every.setting) && !every.tightened(s, measuredSetting) {
		return max(number, p.GetRelaxerWaitDays())
	}
	return number
}

// setting reads a number of parameters that may be absent.
func setting(read func(*pb.PolicyParameters) *int32) func(*pb.PolicyParameters) *int32 {
	return func(p *pb.PolicyParameters) *int32 {
		if p == nil {
			return nil
		}
		return read(p)
	}
}

var measuredSetting = setting(func(p *pb.PolicyParameters) *int32 { return p.RelaxerMeasuredWaitDays })

// growthMeasured tells whether new growth was measured and is enough to work on.
func (s *state) growthMeasured() bool {
	hair := s.in.GetConsultation().GetHair()
	return hair != nil && hair.NewGrowthMm != nil && finite(hair.GetNewGrowthMm()) != nil && hair.GetNewGrowthMm() >= s.in.GetParameters().GetNewGrowthMm()
}

func (s *state) evidenceOfGrowth() []*pb.SeenAnswer {
	if hair := s.in.GetConsultation().GetHair(); hair != nil && hair.NewGrowthMm != nil {
		return []*pb.SeenAnswer{{Field: "consultation.hair.new_growth_mm", Value: displayValue(types.Double(hair.GetNewGrowthMm()))}}
	}
	return nil
}

// evidence is what the number rests on.
func (n waitNumber) evidence(s *state) []*pb.SeenAnswer {
	seen := []*pb.SeenAnswer{{Field: "parameters." + n.path, Value: fmt.Sprint(n.value(s))}}
	if stated := n.stated(s); stated != nil {
		seen = []*pb.SeenAnswer{{Field: "product.directions." + n.field, Value: fmt.Sprint(*stated)}}
	}
	if n.name == "relaxer_days" {
		seen = append(seen, s.evidenceOfGrowth()...)
	}
	return seen
}

// Who refuses must be able to say on whose word. A finding whose length is the maker's
// names the directions; one that a chain made longer keeps the basis of the rule, because
// the maker did not ask for it.

// directedBasis is the basis of a finding whose wait is as long as the directions of
// the product state; nil when it is not.
func (w *wait) directedBasis(s *state) *pb.Basis {
	for k, n := range waitNumbers {
		i := s.lang.waits[k]
		if i != w.hours && i != w.days {
			continue
		}
		if stated := n.stated(s); stated != nil && n.value(s) == max(*stated, n.floor(s.in.GetParameters())) {
			return &pb.Basis{Kind: pb.BasisKind_BASIS_KIND_MANUFACTURER, Source: "The maker's directions for this product: " + n.of}
		}
	}
	return nil
}

func orZero(n *int32) *int32 {
	if n == nil {
		return new(int32)
	}
	return n
}
