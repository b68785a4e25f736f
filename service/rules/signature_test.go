package rules

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

func TestWhoSignsForAStudent(t *testing.T) {
	t.Parallel()
	const teo, imara, north, mill = "chains/ebb/practitioners/teo", "chains/ebb/practitioners/imara", "chains/ebb/salons/north-quay", "chains/ebb/salons/mill-lane"
	now := time.Date(2026, 11, 3, 10, 0, 0, 0, time.UTC)
	type both struct {
		decision *pb.Decision
		by       *pb.Practitioner
	}
	for _, c := range []struct {
		name   string
		change func(both)
		want   pb.ErrorReason
	}{
		{"a supervisor of the salon", func(both) {}, 0},
		{"of all salons", func(b both) { b.by.Salons = nil }, 0},
		{"for a student who did not ask", func(b both) { b.decision.Role, b.decision.Actor = pb.Role_ROLE_SUPERVISOR, imara }, 0},
		{"for a student who asked for another", func(b both) { b.decision.Inputs.Practitioner.Role = pb.Role_ROLE_PRACTITIONER }, 0},
		{"of another salon", func(b both) { b.by.Salons = []string{mill} }, pb.ErrorReason_ERROR_REASON_SUPERVISOR_OF_ANOTHER_SALON},
		{"no student", func(b both) {
			b.decision.Role, b.decision.Inputs.Practitioner.Role = pb.Role_ROLE_PRACTITIONER, pb.Role_ROLE_PRACTITIONER
		}, pb.ErrorReason_ERROR_REASON_NOT_A_STUDENTS_DECISION},
		{"signed", func(b both) { b.decision.Countersignature = &pb.Countersignature{} }, pb.ErrorReason_ERROR_REASON_COUNTERSIGNED_ALREADY},
		{"the student", func(b both) { b.by.Name = teo }, pb.ErrorReason_ERROR_REASON_OWN_DECISION},
		{"who asked as a student for another", func(b both) { b.decision.Actor = imara }, pb.ErrorReason_ERROR_REASON_OWN_DECISION},
		{"a practitioner", func(b both) { b.by.Role = pb.Role_ROLE_PRACTITIONER }, pb.ErrorReason_ERROR_REASON_NOT_A_SUPERVISOR},
		{"a manager", func(b both) { b.by.Role = pb.Role_ROLE_MANAGER }, pb.ErrorReason_ERROR_REASON_NOT_A_SUPERVISOR},
		{"without a licence", func(b both) { b.by.LicenceNumber = "" }, pb.ErrorReason_ERROR_REASON_LICENCE_NOT_VALID},
		{"whose licence ends now", func(b both) { b.by.LicenceExpireTime = timestamppb.New(now) }, pb.ErrorReason_ERROR_REASON_LICENCE_NOT_VALID},
		{"whose licence has no end", func(b both) { b.by.LicenceExpireTime = nil }, pb.ErrorReason_ERROR_REASON_LICENCE_NOT_VALID},
	} {
		b := both{
			&pb.Decision{Role: pb.Role_ROLE_STUDENT, Actor: teo, Inputs: &pb.DecisionInputs{
				Practitioner: &pb.Practitioner{Name: teo, Role: pb.Role_ROLE_STUDENT}, Salon: &pb.Salon{Name: north}}},
			&pb.Practitioner{Name: imara, Role: pb.Role_ROLE_SUPERVISOR, LicenceNumber: "INV-1",
				LicenceExpireTime: timestamppb.New(now.Add(time.Hour)), Salons: []string{mill, north}},
		}
		c.change(b)
		if got, message := JudgeSignature(b.decision, b.by, now); got != c.want || (got == 0) != (message == "") {
			t.Errorf("%s: %v (%s), want %v", c.name, got, message, c.want)
		}
	}
}
