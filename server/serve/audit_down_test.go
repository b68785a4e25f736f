package serve

import (
	"testing"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
)

// TestNothingIsDecidedWithoutTheAuditLog: callers are told that it is the audit log
// and when to retry; the same request goes through when it can be written again.
func TestNothingIsDecidedWithoutTheAuditLog(t *testing.T) {
	t.Parallel()
	s := newPrivateServer(t)
	directory := makeChains(t, s.conn)
	clients := pb.NewConsultationServiceClient(s.conn)
	admin := s.database.SQL(t, "postgres")
	create := &pb.CreateClientRequest{Parent: "chains/ebb", RequestId: uuid.NewString(), Client: &pb.Client{DisplayName: "Invented Person"}}
	s.sql(t, admin, "revoke insert on audit_entries from alkalog_server")
	_, err := clients.CreateClient(manager(t, "ebb"), create)
	wantError(t, err, codes.Unavailable, "AUDIT_UNAVAILABLE", "nothing was decided or recorded")
	retry := false
	for _, detail := range status.Convert(err).Details() {
		_, is := detail.(*errdetails.RetryInfo)
		retry = retry || is
	}
	if !retry {
		t.Error("there is no RetryInfo")
	}
	if _, err := directory.GetSalon(manager(t, "ebb"), &pb.GetSalonRequest{Name: "chains/ebb/salons/north"}); err != nil {
		t.Errorf("a read: %v", err)
	}
	s.is(t, ReadinessHealth, unwell)
	s.sql(t, admin, "grant insert on audit_entries to alkalog_server")
	if _, err := clients.CreateClient(manager(t, "ebb"), create); err != nil {
		t.Errorf("when it can be written again: %v", err)
	}
	s.is(t, ReadinessHealth, well)
}
