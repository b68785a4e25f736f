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

// BenchmarkSummaryOfAYear reports what the summary of a year takes, by rule and by
// salon, in a chain of 200 salons with 5 practitioners each, of which every one had
// something to count on every day.
func BenchmarkSummaryOfAYear(b *testing.B) {
	const summaries = 50
	s := &testServer{clock: &clock{now: time.Now().UTC()}, database: storagetest.NewDatabase(b), keys: newKeys(b)}
	s.sql = s.database.SQL(b, "")
	for _, statement := range []string{
		"insert into tally_days select 'ebb-and-flow', day, 1, 1 from generate_series('2025-01-01'::date, '2025-12-31', '1 day') day",
		`insert into tally_entries select 'ebb-and-flow', 'salon', day, kind, 'chains/ebb-and-flow/salons/s' || n, 3, 3
			from generate_series('2025-01-01'::date, '2025-12-31', '1 day') day, generate_series(1, 200) n,
			unnest(array['', 'ENTRY_KIND_REFUSAL', 'ENTRY_KIND_REFERRAL', 'ENTRY_KIND_OVERRIDE', 'ENTRY_KIND_DEVIATION']) kind`,
		`insert into tally_entries select 'ebb-and-flow', 'rule', day, kind, case when kind <> '' then 'rule-' || n else '' end, 3, 3
			from generate_series('2025-01-01'::date, '2025-12-31', '1 day') day, unnest(array['', 'ENTRY_KIND_REFUSAL', 'ENTRY_KIND_REFERRAL', 'ENTRY_KIND_OVERRIDE']) kind,
			lateral generate_series(1, case when kind = '' then 1 else 100 end) n`,
		`insert into tally_figures (chain, day, practitioner, turned_away, turned_away_overridden, overridable, overridden, begun, deviated, closed, bad)
			select 'ebb-and-flow', day, 'chains/ebb-and-flow/practitioners/p' || n, 3, 1, 2, 1, 1, 0, 1, 0
			from generate_series('2025-01-01'::date, '2025-12-31', '1 day') day, generate_series(1, 1000) n`,
		"vacuum analyze",
	} {
		if _, err := s.sql.Exec(statement); err != nil {
			b.Fatal(err)
		}
	}
	s.start(b)
	c := s.newChain(b, "ebb-and-flow")
	eventually(b, "the months to be rolled up", func() bool {
		var months int
		err := s.sql.QueryRow("select count(*) from tally_months where month < '2026-01-01'").Scan(&months)
		return err == nil && months == 12
	})
	if _, err := s.sql.Exec("vacuum analyze"); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		for unit, by := range map[string]pb.SummaryDimension{"by-rule-ms": pb.SummaryDimension_SUMMARY_DIMENSION_RULE, "by-salon-ms": pb.SummaryDimension_SUMMARY_DIMENSION_SALON} {
			took := make([]time.Duration, summaries)
			for i := range took {
				began := time.Now()
				answer := must(b, c.odile, c.audit.SummarizeEntries, &pb.SummarizeEntriesRequest{Parent: c.name, Dimension: by,
					StartTime: timestamppb.New(time.Date(2024, 12, 20, 0, 0, 0, 0, time.UTC)), EndTime: timestamppb.New(time.Date(2025, 12, 20, 0, 0, 0, 0, time.UTC))})
				took[i] = time.Since(began)
				if len(answer.Rows) < 300 || len(answer.Practitioners) == 0 {
					b.Fatalf("%d rows and %d practitioners", len(answer.Rows), len(answer.Practitioners))
				}
			}
			b.ReportMetric(milliseconds(middle(took)), unit)
		}
	}
	b.ReportMetric(0, "ns/op")
}
