package rules

import (
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// BenchmarkDecide is a full check of a complete consultation under all layers.
func BenchmarkDecide(b *testing.B) {
	e := newEngine(b)
	in := soundHead()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Decide(in); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkDecideNothingAnswered is a check of an empty consultation: every rule
// that asks anything waits.
func BenchmarkDecideNothingAnswered(b *testing.B) {
	e := newEngine(b)
	in := soundHead()
	in.Consultation = &pb.Consultation{}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Decide(in); err != nil {
			b.Fatal(err)
		}
	}
}
