package actor_test

import (
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
)

// TestMay: what an actor may see goes by the chain of a name and by the salon
// that the name lies below.
func TestMay(t *testing.T) {
	const ebb, north, south = "chains/ebb", "chains/ebb/salons/north", "chains/ebb/salons/south"
	free := actor.Actor{Role: pb.Role_ROLE_PRACTITIONER, Chain: ebb}
	till := actor.Actor{Role: pb.Role_ROLE_TILL, Chain: ebb, Salons: []string{north}}
	operator := actor.Actor{Role: pb.Role_ROLE_OPERATOR}
	for _, c := range []struct {
		name                 string
		free, till, operator bool
	}{
		{ebb, true, true, true},
		{ebb + "/clients/c/sessions/s", true, true, true},
		{north, true, true, true},
		{north + "/tills/front", true, true, true},
		{south, true, false, true},
		{south + "/tills/front", true, false, true},
		{north + "x", true, false, true},
		{ebb + "/salons", true, true, true},
		{"chains/ebb-tide", false, false, true},
		{"chains/low/salons/north", false, false, true},
		{"", false, false, true},
	} {
		for who, want := range map[*actor.Actor]bool{&free: c.free, &till: c.till, &operator: c.operator} {
			if got := who.May(c.name); got != want {
				t.Errorf("may %v see %q? %t", who.Role, c.name, got)
			}
		}
	}
	if (actor.Actor{}).May(ebb) || (actor.Actor{}).May("") {
		t.Error("nobody may see something")
	}
}
