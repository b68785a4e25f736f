package timing

import (
	"testing"

	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// learned is a rate of a section as one client's visits taught it.
func learned(section string, mean, deviation float64) *pb.LearnedRate {
	return &pb.LearnedRate{SectionId: section, Rate: &pb.RateEstimate{Mean: mean, Deviation: deviation, Readings: 3}}
}

// TestLinkNeverSlowsARate: with any rates of any linked clients, the rate that counts for a
// section is as fast as each client's own.
func TestLinkNeverSlowsARate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ids := []string{"", "front", "nape"}
		clients := make([][]*pb.LearnedRate, rapid.IntRange(1, 4).Draw(t, "clients"))
		for i := range clients {
			for _, id := range ids {
				if rapid.Bool().Draw(t, "measured") {
					clients[i] = append(clients[i], learned(id, rapid.Float64Range(-4, 1).Draw(t, "mean"), rapid.Float64Range(0.05, 1).Draw(t, "deviation")))
				}
			}
		}
		got := FastestRates(clients)
		for _, rates := range clients {
			for _, id := range ids {
				own, counts := rateFor(rates, id), rateFor(got, id)
				if counts.Mean < own.Mean {
					t.Fatalf("section %q: %v counts, one client's own is %v; of %v", id, counts, own, clients)
				}
			}
		}
	})
}

// TestRatesOfLinkedClients: a section that only one client's visits measured competes with
// the whole head of the others, and clients without visits say nothing.
func TestRatesOfLinkedClients(t *testing.T) {
	slow, fast := []*pb.LearnedRate{learned("", -3, 0.1), learned("nape", -3.5, 0.1)}, []*pb.LearnedRate{learned("", -1, 0.1)}
	got := FastestRates([][]*pb.LearnedRate{nil, slow, fast})
	if len(got) != 2 || got[0].Rate.Mean != -1 || got[1].SectionId != "nape" || got[1].Rate.Mean != -1 || got[1].Rate.Deviation <= 0.1 {
		t.Errorf("the rates are %v, want those of the fast head", got)
	}
	if got := FastestRates([][]*pb.LearnedRate{slow, fast}); got[0].SectionId != "" || got[0].Rate.Deviation != 0.1 {
		t.Errorf("the rate of the whole head is %v, and both are sure of theirs", got[0])
	}
	if got := FastestRates([][]*pb.LearnedRate{nil, fast}); got[0].Rate.Deviation != headSpread {
		t.Errorf("the rate of the whole head is %v, want the spread of an average head, %v", got[0], headSpread)
	}
	nape := []*pb.LearnedRate{learned("nape", -2, 0.1)}
	if got := FastestRates([][]*pb.LearnedRate{nape, nil}); len(got) != 1 || got[0].SectionId != "nape" {
		t.Errorf("only the nape was measured, and the rates are %v", got)
	}
	unsorted := []*pb.LearnedRate{learned("nape", -2, 0.1), learned("", -1, 0.1)}
	if got := FastestRates([][]*pb.LearnedRate{unsorted}); len(got) != 2 || got[0] != unsorted[0] || got[1] != unsorted[1] {
		t.Errorf("of one client the rates are %v, want %v", got, unsorted)
	}
	if got := FastestRates([][]*pb.LearnedRate{nil, nil}); len(got) != 0 {
		t.Errorf("nobody was measured, and the rates are %v", got)
	}
	if got := SlowestGrowth([]*pb.Estimate{{Value: 300}, nil, {Value: 250}}); got.GetValue() != 250 {
		t.Errorf("the growth is %v, want 250", got)
	}
	if got := SlowestGrowth([]*pb.Estimate{nil}); got != nil {
		t.Errorf("the growth is %v, want none", got)
	}
}

// TestLinkNeverPromisesLonger: with any rates of any linked clients, also of clients who were
// never measured, a plan expects no section to be as slow, or as surely slow, as it would
// from one client alone.
func TestLinkNeverPromisesLonger(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ids := []string{"", "front", "nape"}
		clients := make([][]*pb.LearnedRate, rapid.IntRange(2, 4).Draw(t, "clients"))
		for i := range clients {
			for _, id := range ids {
				if rapid.Bool().Draw(t, "measured") {
					clients[i] = append(clients[i], learned(id, rapid.Float64Range(-4, 1).Draw(t, "mean"), rapid.Float64Range(0.05, 1).Draw(t, "deviation")))
				}
			}
		}
		got := FastestRates(clients)
		for _, id := range []string{"front", "nape", "crown"} {
			section := &pb.HeadSection{SectionId: id}
			counts := learnedEffect(got, section)
			for _, rates := range clients {
				own := learnedEffect(rates, section)
				for _, spreads := range []float64{0, 1, 2} {
					if counts.mean+spreads*counts.deviation < own.mean+spreads*own.deviation-1e-9 {
						t.Fatalf("section %q, %v deviations up: %v counts, one client's own is %v; of %v", id, spreads, counts, own, clients)
					}
				}
			}
		}
	})
}
