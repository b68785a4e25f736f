package integration

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a change of a record that decisions depend on makes an entry on the
// audit log in the same write: who, which record, which fields, and the digests of what
// was stored before and is stored now.

// TestChangesAreEntries changes a record of each kind.
func TestChangesAreEntries(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	product := must(t, c.odile, c.catalog.GetProduct, &pb.GetProductRequest{Name: c.relaxer}).Product
	product.Directions.MaximumMinutes = new(product.Directions.GetMaximumMinutes() + 1)
	must(t, c.odile, c.catalog.UpdateProduct, &pb.UpdateProductRequest{Product: product, UpdateMask: updateMask("directions"), RequestId: newID()})
	must(t, c.odile, c.directory.UpdateSalon, &pb.UpdateSalonRequest{Salon: &pb.Salon{Name: c.salon, DisplayName: "South Quay"}, UpdateMask: updateMask("display_name"), RequestId: newID()})
	must(t, c.odile, c.directory.UpdatePractitioner, &pb.UpdatePractitionerRequest{
		Practitioner: &pb.Practitioner{Name: c.teo.name, Role: pb.Role_ROLE_SUPERVISOR}, UpdateMask: updateMask("role"), RequestId: newID()})
	must(t, c.odile, c.directory.UpdateChain, &pb.UpdateChainRequest{
		Chain: &pb.Chain{Name: c.name, Retention: &pb.Retention{ClientDays: 900}}, UpdateMask: updateMask("retention"), RequestId: newID()})
	var policies []string
	for range 2 {
		policy := must(t, c.odile, c.catalog.CreateHousePolicy, c.uploaded()).HousePolicy.Name
		must(t, c.odile, c.catalog.ActivateHousePolicy, &pb.ActivateHousePolicyRequest{Name: policy, RequestId: newID()})
		policies = append(policies, policy)
	}
	must(t, c.odile, c.catalog.RecallLot, &pb.RecallLotRequest{Name: c.relaxer, LotCode: c.relaxerLot, Reason: "a remark of Ottoline's", RequestId: newID()})

	for _, want := range []struct {
		kind, record, fields, table string
	}{
		{"PRODUCT_CHANGED", c.relaxer, "", ""},
		{"PRODUCT_CHANGED", c.relaxer, "directions.maximum_minutes", ""},
		{"LOT_RECALLED", c.relaxer, "lots", "products"},
		{"SALON_CHANGED", c.salon, "", ""},
		{"SALON_CHANGED", c.salon, "display_name", "salons"},
		{"PRACTITIONER_CHANGED", c.teo.name, "", ""},
		{"PRACTITIONER_CHANGED", c.teo.name, "role", ""},
		{"CHAIN_CHANGED", c.name, "", ""},
		{"CHAIN_CHANGED", c.name, "retention", "chains"},
		{"POLICY_CHANGED", policies[0], "", ""},
		{"POLICY_CHANGED", policies[0], "state", "house_policies"},
		{"POLICY_ACTIVATED", policies[1], "activate_time state", "house_policies"},
	} {
		what := want.kind + " " + want.record + " " + want.fields
		found := slices.DeleteFunc(c.entries(t, fmt.Sprintf("kind = %q", want.kind)), func(e *pb.AuditEntry) bool {
			return e.ChangedRecord != want.record || strings.Join(e.ChangedFields, " ") != want.fields
		})
		if len(found) != 1 {
			t.Errorf("%s: %d entries", what, len(found))
			continue
		}
		e := found[0]
		if created := want.fields == ""; created != (len(e.BeforeDigest) == 0) || len(e.AfterDigest) != sha256.Size || e.RequestId == "" || e.Actor == "" {
			t.Errorf("%s: %v", what, e)
		}
		if want.table != "" && !bytes.Equal(e.AfterDigest, s.storedDigest(t, want.table, last(want.record))) {
			t.Errorf("%s: the digest is not that of the stored record", what)
		}
		for _, private := range []string{"Invented teo", "INV-", "South Quay", "Ottoline"} {
			if strings.Contains(e.String(), private) {
				t.Errorf("%s: %q stands in it: %v", what, private, e)
			}
		}
	}
}

// storedDigest is the SHA-256 of a stored record.
func (s *testServer) storedDigest(t *testing.T, table, id string) (digest []byte) {
	t.Helper()
	if err := s.sql.QueryRowContext(t.Context(), "select sha256(body) from "+table+" where id = $1", id).Scan(&digest); err != nil {
		t.Fatal(err)
	}
	return digest
}

// TestChangeThatIsRefusedHasNoEntry: nothing was changed, so there is no entry.
func TestChangeThatIsRefusedHasNoEntry(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	before := len(c.entries(t, `kind = "SALON_CHANGED"`))
	stale := &pb.UpdateSalonRequest{Salon: &pb.Salon{Name: c.salon, DisplayName: "South Quay", Etag: "0"}, UpdateMask: updateMask("display_name"), RequestId: newID()}
	wantError(t, "a stale etag", mustFail(t, c.odile, c.directory.UpdateSalon, stale), codes.Aborted, "ETAG_MISMATCH")
	retried := &pb.UpdateSalonRequest{Salon: &pb.Salon{Name: c.salon, DisplayName: "South Quay"}, UpdateMask: updateMask("display_name"), RequestId: newID()}
	for range 2 {
		must(t, c.odile, c.directory.UpdateSalon, retried)
	}
	if after := len(c.entries(t, `kind = "SALON_CHANGED"`)); after != before+1 {
		t.Errorf("%d entries, and before a refused and a repeated change there were %d", after, before)
	}
}
