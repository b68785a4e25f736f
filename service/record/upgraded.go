package record

import (
	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/storage"
)

// Upgraded refuses what a server of an older version does not know, while such a server
// may still write during an upgrade. schema is the first version whose servers know it;
// would says what an older one would do. The minimum never falls, so a retried call that
// was answered once is not refused later.
func Upgraded(db *storage.DB, schema int64, reason pb.ErrorReason, name, would string) error {
	if db.MinimumSchema() >= schema {
		return nil
	}
	return fault.Precondition(reason, name, "servers of an older version may still write and would "+would+"; finish the upgrade with alkalog migrate --finish first")
}
