package record

import (
	"time"

	pb "alkalog/proto/alkalogv1"
)

// Zone is a salon's time zone; UTC where the salon has not stated one that is
// known. The time zone database is linked into the program, see package
// directory, so the answer does not depend on the machine.
func Zone(salon *pb.Salon) *time.Location {
	zone, err := time.LoadLocation(salon.GetTimeZone())
	if err != nil {
		return time.UTC
	}
	return zone
}
