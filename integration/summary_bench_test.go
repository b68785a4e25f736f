package integration

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage/storagetest"
)

const (
	// refusals is how many decisions are made in one round, by several callers.
	refusals = 120
	// contests is how many rounds with counting are set against one without.
	contests = 25
)

// BenchmarkCountingWhileWriting reports the rate of decisions, each a refusal with
// its entry, with the facts told to the queue and counted as they come, and as a
// ratio to the rate with nothing told. Rounds of either kind alternate. Commits
// are durable.
func BenchmarkCountingWhileWriting(b *testing.B) {
	s := &testServer{clock: &clock{now: time.Now()}, database: storagetest.NewDurable(b), keys: newKeys(b)}
	s.sql = s.database.SQL(b, "")
	s.start(b)
	c := s.newChain(b, "ebb-and-flow")
	asked := c.question(c.submitted(b, c.client(b), brokenSkin).Name)
	round := func(switched string) float64 {
		for _, table := range []string{"decisions", "audit_entries", "sessions", "outcomes"} {
			if _, err := s.sql.Exec("alter table " + table + " " + switched + " trigger tell"); err != nil {
				b.Fatal(err)
			}
		}
		began := time.Now()
		share(refusals, tills, func(int) {
			answer, err := c.eligibility.CheckEligibility(c.amara.identify(b.Context()), again(asked))
			if err != nil || answer.Decision.Verdict != pb.Verdict_VERDICT_REFUSE {
				b.Errorf("no refusal: %v, %v", answer, err)
			}
		})
		return refusals / time.Since(began).Seconds()
	}
	round("enable always")
	round("disable")
	for b.Loop() {
		var with, without, ratios []float64
		for i := range contests {
			a, z := 0.0, 0.0
			if i%2 == 0 {
				a, z = round("enable always"), round("disable")
			} else {
				z, a = round("disable"), round("enable always")
			}
			with, without, ratios = append(with, a), append(without, z), append(ratios, a/z)
		}
		slices.Sort(ratios)
		slices.Sort(with)
		slices.Sort(without)
		b.ReportMetric(with[contests/2], "refusals/s")
		b.ReportMetric(without[contests/2], "untold/s")
		b.ReportMetric(ratios[contests/2], "ratio")
	}
	b.ReportMetric(0, "ns/op") // the whole says nothing
	figures := c.counted(b, &pb.SummarizeEntriesRequest{Parent: c.name, StartTime: timestamppb.New(time.Unix(0, 0))})
	if figures.Total == 0 || figures.Total != figures.Decisions {
		b.Errorf("%d entries and %d decisions counted", figures.Total, figures.Decisions)
	}
}
