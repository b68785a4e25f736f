package integration

import (
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "alkalog/proto/alkalogv1"
)

// TestOverridesAreBounded: the number of attempts on one decision is bounded, the next
// one gets an error that says what to do, and the decision can still be read.
func TestOverridesAreBounded(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	refused := c.decision(t, brokenSkin)
	for range 200 {
		must(t, c.imara, c.eligibility.OverrideDecision, c.override(refused, refused.Findings[0]))
	}
	_, err := c.eligibility.OverrideDecision(c.imara.calling(t), c.override(refused, refused.Findings[0]))
	wantError(t, "one more", err, codes.FailedPrecondition, "TOO_MANY_OVERRIDES")
	d := must(t, c.imara, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: refused.Name}).Decision
	if len(d.Overrides) != 200 {
		t.Errorf("%d attempts are recorded, want 200", len(d.Overrides))
	}
}

// TestTimeZonesExist: only names of the IANA time zone database are taken.
func TestTimeZonesExist(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	create := func(id, zone string) error {
		_, err := c.directory.CreateSalon(c.odile.calling(t), &pb.CreateSalonRequest{Parent: c.name, SalonId: id, RequestId: newID(),
			Salon: &pb.Salon{DisplayName: "South Quay", TimeZone: zone}})
		return err
	}
	for _, zone := range []string{"Mars/Olympus", "Local", "posixrules", "Europe", "../etc/passwd", "/etc/localtime"} {
		wantError(t, zone, create("south", zone), codes.InvalidArgument, "INVALID_FIELD")
	}
	for id, zone := range map[string]string{"a": "", "b": "Europe/London", "c": "UTC", "d": "America/Argentina/Buenos_Aires", "e": "Etc/GMT+5"} {
		if err := create(id, zone); err != nil {
			t.Errorf("%q: %v", zone, err)
		}
	}
	salon := must(t, c.odile, c.directory.GetSalon, &pb.GetSalonRequest{Name: c.name + "/salons/b"}).Salon
	salon.TimeZone = "Mars/Olympus"
	_, err := c.directory.UpdateSalon(c.odile.calling(t), &pb.UpdateSalonRequest{Salon: salon, RequestId: newID(), UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"time_zone"}}})
	wantError(t, "an update", err, codes.InvalidArgument, "INVALID_FIELD")
}
