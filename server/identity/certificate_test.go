package identity_test

import (
	"reflect"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity"
	"alkalog/service/actor"
)

func TestActorFromCertificate(t *testing.T) {
	t.Parallel()
	north := []string{"chains/ebb/salons/north"}
	for name, want := range map[string]actor.Actor{
		"chains/ebb/salons/north/tills/front-1":    {Role: pb.Role_ROLE_TILL, Chain: "chains/ebb", Salons: north},
		"chains/ebb/managers/back-office":          {Role: pb.Role_ROLE_MANAGER, Chain: "chains/ebb"},
		"chains/ebb/salons/north/managers/booking": {Role: pb.Role_ROLE_MANAGER, Chain: "chains/ebb", Salons: north},
		"chains/ebb/auditors/archive":              {Role: pb.Role_ROLE_AUDITOR, Chain: "chains/ebb"},
		"chains/ebb/salons/north/auditors/archive": {Role: pb.Role_ROLE_AUDITOR, Chain: "chains/ebb", Salons: north},
		"operators/site":                           {Role: pb.Role_ROLE_OPERATOR},
	} {
		want.Name = name
		if got, err := identity.ActorFromURI("alkalog:///" + name); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}

// FuzzActorFromURI checks that an accepted caller has a role and a name in its own
// chain and salon, and that only one URI stands for it.
func FuzzActorFromURI(f *testing.F) {
	f.Add("alkalog:///chains/ebb/salons/north/tills/front-1")
	f.Add("alkalog:///chains/ebb/managers/back-office")
	f.Add("alkalog:///operators/site")
	f.Add("alkalog://user@host:1/chains/ebb/managers/x?a=b#c")
	f.Add("alkalog:///chains/ebb/managers/%61")
	f.Fuzz(func(t *testing.T, uri string) {
		got, err := identity.ActorFromURI(uri)
		if err != nil {
			return
		}
		inChain := got.Chain != "" && strings.HasPrefix(got.Name, got.Chain+"/")
		if uri != "alkalog:///"+got.Name || got.Role == pb.Role_ROLE_UNSPECIFIED || inChain == (got.Role == pb.Role_ROLE_OPERATOR) ||
			got.Role == pb.Role_ROLE_TILL && len(got.Salons) != 1 || len(got.Salons) == 1 && !strings.HasPrefix(got.Name, got.Salons[0]+"/") {
			t.Errorf("%q is let in as %+v", uri, got)
		}
	})
}
