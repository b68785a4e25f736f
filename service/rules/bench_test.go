package rules

import (
	"fmt"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

func benchmark(b *testing.B, e *Engine, in *pb.DecisionInputs) {
	b.Helper()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Decide(in); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkDecide is a check of a complete consultation that nothing speaks
// against, under the whole built-in policy.
func BenchmarkDecide(b *testing.B) { benchmark(b, newEngine(b), soundHead()) }

// BenchmarkDecideRetouch is a usual day under all layers: a retouch with its
// conditions, a card of two visits, a house policy of ten rules.
func BenchmarkDecideRetouch(b *testing.B) { benchmark(b, newEngine(b), retouch()) }

// BenchmarkDecideNothingAnswered is a check of an empty consultation: every rule
// that asks anything waits.
func BenchmarkDecideNothingAnswered(b *testing.B) {
	in := soundHead()
	in.Consultation = &pb.Consultation{}
	benchmark(b, newEngine(b), in)
}

// BenchmarkDecideThousandChains goes round a thousand chains with ten rules each,
// all of them built before.
func BenchmarkDecideThousandChains(b *testing.B) {
	e := newEngine(b)
	var cases []*pb.DecisionInputs
	for chain := range 1000 {
		in := retouch()
		in.HousePolicy = proto.CloneOf(in.HousePolicy)
		in.HousePolicy.Rules[0].Expression = fmt.Sprintf("consultation.consent.age_years > %d", 80+chain)
		cases = append(cases, in)
		e.policyFor(in.HousePolicy)
	}
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Decide(cases[i%1000]); err != nil {
			b.Fatal(err)
		}
		i++
	}
}

// BenchmarkNew builds the whole policy.
func BenchmarkNew(b *testing.B) {
	for b.Loop() {
		newEngine(b)
	}
}
