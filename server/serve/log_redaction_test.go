package serve

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// An error that nobody foresaw may repeat what was sent; a panic of the runtime
// too. What the contract classes as personal stays off the log.
func TestLogsOfFaultsRepeatNothingPersonal(t *testing.T) {
	var said bytes.Buffer
	in := &interceptors{log: slog.New(slog.NewJSONHandler(&said, nil))}
	c := &call{method: "/alkalog.v1.ConsultationService/CreateConsultation", request: &pb.CreateConsultationRequest{
		Parent: "chains/ebb/clients/c", Consultation: &pb.Consultation{Remarks: "Wrenfeather", Wishes: &pb.Wishes{Words: "obsidianite"}}}}
	err := in.mapErrors(context.Background(), c, func(context.Context) error {
		return errors.New(`chains/ebb/clients/c: invalid input "Wrenfeather" near obsidianite`)
	})
	thrown := in.recoverPanics(context.Background(), c, func(context.Context) error {
		panic(runtimeError{"Wrenfeather is out of range of chains/ebb/clients/c"})
	})
	if err == nil || thrown == nil || strings.Count(said.String(), "\n") != 2 {
		t.Fatalf("%v, %v: %s", err, thrown, &said)
	}
	for _, personal := range []string{"Wrenfeather", "obsidianite"} {
		if strings.Contains(said.String(), personal) {
			t.Errorf("the log holds %q: %s", personal, &said)
		}
	}
	if strings.Count(said.String(), "chains/ebb/clients/c") != 2 || strings.Count(said.String(), "[FREE_TEXT]") != 3 {
		t.Errorf("the log does not say what went wrong: %s", &said)
	}
}

// runtimeError is like one of Go's runtime.
type runtimeError struct{ text string }

func (e runtimeError) Error() string { return e.text }
func (runtimeError) RuntimeError()   {}
