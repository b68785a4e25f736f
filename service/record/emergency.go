package record

import (
	"cmp"

	pb "alkalog/proto/alkalogv1"
)

// EmergencyNumber is the number that a salon dials for help: its own, or the
// usual one of its place. 112 is the European emergency number (Directive (EU)
// 2018/1972, art. 109, 2018: from memory) and answers in the United Kingdom
// beside 999; 911 is that of the United States. All three from memory. A place
// that says nothing of itself gets 112, which mobile networks put through (3GPP
// TS 22.101, from memory). A salon that knows better states its own number, which
// is shown as it is.
func EmergencyNumber(salon *pb.Salon) string {
	usual := "112"
	switch {
	case len(salon.GetRegionCode()) >= 2 && salon.RegionCode[:2] == "US":
		usual = "911"
	case salon.GetRegionCode() != "":
	case salon.GetJurisdiction() == pb.Jurisdiction_JURISDICTION_US,
		salon.GetJurisdiction() == pb.Jurisdiction_JURISDICTION_US_TEXAS,
		salon.GetJurisdiction() == pb.Jurisdiction_JURISDICTION_US_CALIFORNIA,
		salon.GetJurisdiction() == pb.Jurisdiction_JURISDICTION_US_MARYLAND:
		usual = "911"
	}
	return cmp.Or(salon.GetEmergencyNumber(), usual)
}
