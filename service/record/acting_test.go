package record

import (
	"testing"

	pb "alkalog/proto/alkalogv1"
)

func TestWhoMayActForWhom(t *testing.T) {
	t.Parallel()
	const (
		till, student, practitioner, supervisor, manager = pb.Role_ROLE_TILL, pb.Role_ROLE_STUDENT, pb.Role_ROLE_PRACTITIONER, pb.Role_ROLE_SUPERVISOR, pb.Role_ROLE_MANAGER
		north, mill                                      = "chains/ebb/salons/north-quay", "chains/ebb/salons/mill-lane"
	)
	everybody := []pb.Role{student, practitioner, supervisor, manager}
	for _, c := range []struct {
		who    pb.Role
		salons []string
		other  []string
		may    []pb.Role // whom they may act for; for nobody else
	}{
		{till, []string{north}, []string{north, mill}, everybody},
		{till, []string{north}, []string{mill}, nil},
		{till, nil, []string{mill}, everybody},
		{till, []string{north}, nil, everybody},
		{supervisor, []string{north}, []string{north}, []pb.Role{student, practitioner}},
		{supervisor, []string{mill, north}, []string{north}, []pb.Role{student, practitioner}},
		{supervisor, []string{mill}, []string{north}, nil},
		{supervisor, nil, []string{north}, []pb.Role{student, practitioner}},
		{supervisor, []string{mill}, nil, []pb.Role{student, practitioner}},
		{practitioner, []string{north}, []string{north}, nil},
		{student, []string{north}, []string{north}, nil},
		{manager, []string{north}, []string{north}, nil},
		{pb.Role_ROLE_AUDITOR, nil, nil, nil},
		{pb.Role_ROLE_OPERATOR, nil, nil, nil},
		{pb.Role_ROLE_UNSPECIFIED, nil, nil, nil},
	} {
		for _, role := range everybody {
			want := false
			for _, r := range c.may {
				want = want || r == role
			}
			if got := mayActFor(c.who, c.salons, &pb.Practitioner{Role: role, Salons: c.other}); got != want {
				t.Errorf("%s of %v for %s of %v: %t", c.who, c.salons, role, c.other, got)
			}
		}
	}
}
