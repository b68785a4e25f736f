package integration

import (
	"context"
	"maps"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
)

// BenchmarkWebDoor compares a call in every form of the web door with the same call over
// the gRPC listener, in turns, one after the other on open connections. It reports
// ratios of medians: a read, and a check of eligibility with its commit.
func BenchmarkWebDoor(b *testing.B) {
	s, door := newWebServer(b)
	stage := s.newFixture(b, "ebb-and-flow")
	http2 := door.overHTTP2()
	for _, name := range []string{"GetChain", "CheckEligibility"} {
		r := rpcNamed(name)
		example := stage.example(b, r)
		calls := map[string]func(context.Context, proto.Message) error{
			"listener": func(ctx context.Context, req proto.Message) error {
				return s.conn.Invoke(ctx, r.path(), req, r.answer())
			},
		}
		for _, form := range webForms {
			d := door
			if form == formGRPC {
				d = http2
			}
			calls[string(form)] = func(ctx context.Context, req proto.Message) error {
				_, err := d.askOpen(ctx, form, r, req)
				return err
			}
		}
		b.Run(name, func(b *testing.B) {
			took := map[string][]float64{}
			for range max(b.N, 20) {
				for _, form := range slices.Sorted(maps.Keys(calls)) {
					req := example.make(b)
					ctx := example.who.identify(context.Background())
					began := time.Now()
					if err := calls[form](ctx, req); err != nil {
						b.Fatalf("%s: %v", form, err)
					}
					took[form] = append(took[form], float64(time.Since(began)))
				}
			}
			for form, all := range took {
				slices.Sort(all)
				took[form] = all[len(all)/2:]
			}
			for _, form := range slices.Sorted(maps.Keys(took)) {
				b.Logf("%-20s %6.0f us, %.2f of the gRPC listener", form, took[form][0]/1e3, took[form][0]/took["listener"][0])
			}
			b.ReportMetric(took[string(formPaths)][0]/took["listener"][0], "JSON/gRPC")
			b.ReportMetric(took[string(formConnect)][0]/took["listener"][0], "Connect/gRPC")
		})
	}
}
