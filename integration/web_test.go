package integration

import (
	"testing"

	"google.golang.org/protobuf/proto"
)

// The promise: what the gRPC listener answers the web door answers too, in every form
// that it speaks.

// TestWebAnswersEveryRPC calls every RPC in every form.
func TestWebAnswersEveryRPC(t *testing.T) {
	t.Parallel()
	s, door := newWebServer(t)
	stage := s.newWholeFixture(t, "ebb-and-flow")
	for _, r := range contract() {
		example := stage.example(t, r)
		for _, form := range webForms {
			if form == formPaths && r.IsStreamingServer() {
				continue // a stream has no path
			}
			req := example.make(t)
			answer, err := door.ask(example.who.identify(t.Context()), form, r, req)
			if err != nil {
				if reasonOf(err) != "NOTHING_TO_ACCEPT" {
					t.Errorf("%s as %s: %v", r.Name(), form, err)
				}
				continue
			}
			if r.access().Mutates || r.IsStreamingServer() || r.Parent().Name() == "AuditService" {
				continue // a second answer differs: something was changed, or the log grew by the read
			}
			if want, err := s.ask(t, example.who, r, req); err != nil || !proto.Equal(durable(want), durable(answer)) {
				t.Errorf("%s as %s is answered %v,\nby gRPC %v, %v", r.Name(), form, answer, want, err)
			}
		}
	}
}
