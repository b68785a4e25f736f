package identity_test

import (
	"errors"
	"reflect"
	"strings"
	"testing"

	"google.golang.org/grpc/metadata"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// identify identifies the caller of a call with the given metadata.
func identify(t *testing.T, pairs ...string) (actor.Actor, error) {
	t.Helper()
	return identity.Development{}.Identify(metadata.NewIncomingContext(t.Context(), metadata.Pairs(pairs...)))
}

func TestDevelopmentIdentities(t *testing.T) {
	for _, c := range []struct {
		said string
		want actor.Actor
	}{
		{"Development role=practitioner name=chains/ebb/practitioners/amara",
			actor.Actor{Name: "chains/ebb/practitioners/amara", Role: pb.Role_ROLE_PRACTITIONER, Chain: "chains/ebb"}},
		{"development name=chains/ebb/practitioners/li  role=student",
			actor.Actor{Name: "chains/ebb/practitioners/li", Role: pb.Role_ROLE_STUDENT, Chain: "chains/ebb"}},
		{"Development role=supervisor name=chains/ebb/practitioners/noor",
			actor.Actor{Name: "chains/ebb/practitioners/noor", Role: pb.Role_ROLE_SUPERVISOR, Chain: "chains/ebb"}},
		{"Development role=till name=chains/ebb/salons/north/tills/front-1",
			actor.Actor{Name: "chains/ebb/salons/north/tills/front-1", Role: pb.Role_ROLE_TILL, Chain: "chains/ebb", Salons: []string{"chains/ebb/salons/north"}}},
		{"Development role=manager name=chains/ebb/practitioners/ines",
			actor.Actor{Name: "chains/ebb/practitioners/ines", Role: pb.Role_ROLE_MANAGER, Chain: "chains/ebb"}},
		{"Development role=auditor name=chains/ebb/auditors/oslo",
			actor.Actor{Name: "chains/ebb/auditors/oslo", Role: pb.Role_ROLE_AUDITOR, Chain: "chains/ebb"}},
		{"Development role=operator name=operators/site",
			actor.Actor{Name: "operators/site", Role: pb.Role_ROLE_OPERATOR}},
	} {
		if got, err := identify(t, "authorization", c.said); err != nil || !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: got %+v, %v", c.said, got, err)
		}
	}
}

func TestInvalidDevelopmentIdentities(t *testing.T) {
	const amara = "name=chains/ebb/practitioners/amara"
	for said, want := range map[string]string{
		"":                      "development identities only",
		"Bearer abc":            "development identities only",
		"Developmentrole=till":  "development identities only",
		"Development":           "role and name, each once",
		"Development " + amara:  "role and name, each once",
		"Development role=till": "role and name, each once",
		"Development role=till role=manager " + amara:                                  "role and name, each once",
		"Development role=till x=y " + amara:                                           "role and name, each once",
		"Development role= " + amara:                                                   "role and name, each once",
		"Development role=owner " + amara:                                              "auditor, manager, operator, practitioner, student, supervisor, till",
		"Development role=unspecified " + amara:                                        "role must be one of",
		"Development role=Manager " + amara:                                            "role must be one of",
		"Development role=role_manager " + amara:                                       "role must be one of",
		"Development role=operator " + amara:                                           "must be like operators/{operator}",
		"Development role=operator name=operators/a/b":                                 "must be like operators/{operator}",
		"Development role=practitioner name=operators/site":                            "must be like chains/{chain}/practitioners/{practitioner}",
		"Development role=student name=chains/ebb/salons/north":                        "must be like chains/{chain}/practitioners/{practitioner}",
		"Development role=manager name=chains/ebb":                                     "must be like chains/{chain}/{collection}/{id}",
		"Development role=manager name=chains//managers/x":                             "must be like chains/{chain}/{collection}/{id}",
		"Development role=manager name=chains/-/managers/x":                            "must be like chains/{chain}/{collection}/{id}",
		"Development role=manager name=chains/Ebb/managers/x":                          "must be like chains/{chain}/{collection}/{id}",
		"Development role=manager name=chains/ebb/managers/" + strings.Repeat("x", 64): "must be like chains/{chain}/{collection}/{id}",
	} {
		got, err := identify(t, "authorization", said)
		wantUnauthenticated(t, said, got, err, want)
	}
	got, err := identify(t)
	wantUnauthenticated(t, "nothing", got, err, "exactly one authorization")
	said := "Development role=till name=chains/ebb/tills/a"
	got, err = identify(t, "authorization", said, "authorization", said)
	wantUnauthenticated(t, "the same twice", got, err, "exactly one")
}

// wantUnauthenticated expects a refusal that says what would be right, without any
// part of an identity.
func wantUnauthenticated(t *testing.T, said string, got actor.Actor, err error, want string) {
	t.Helper()
	refusal := new(fault.Error)
	if !errors.As(err, &refusal) || refusal.Reason() != pb.ErrorReason_ERROR_REASON_UNAUTHENTICATED || !reflect.DeepEqual(got, actor.Actor{}) {
		t.Errorf("%q: %+v, %v", said, got, err)
		return
	}
	for _, part := range []string{want, identity.Syntax} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("%q is refused with %q, want %q in it", said, err, part)
		}
	}
}

// TestTraceID has the cases of W3C Trace Context (Recommendation, 2021),
// section 3.2.2, with its own example in the first.
func TestTraceID(t *testing.T) {
	const id = "4bf92f3577b34da6a3ce929d0e0e4736"
	for header, want := range map[string]string{
		"00-" + id + "-00f067aa0ba902b7-01":                      id,
		"cc-" + id + "-00f067aa0ba902b7-01":                      id, // a later version
		"cc-" + id + "-00f067aa0ba902b7-01-what-comes":           id,
		"00-" + id + "-00f067aa0ba902b7-01-what-comes":           "",
		"ff-" + id + "-00f067aa0ba902b7-01":                      "",
		"00-" + strings.ToUpper(id) + "-00f067aa0ba902b7-01":     "",
		"00-" + strings.Repeat("0", 32) + "-00f067aa0ba902b7-01": "",
		"00-" + id + "-0000000000000000-01":                      "",
		"00-" + id:                                               "",
		"":                                                       "",
	} {
		got, err := identify(t, "authorization", "Development role=operator name=operators/site", "traceparent", header)
		if err != nil || got.TraceID != want {
			t.Errorf("%q gives %q, %v", header, got.TraceID, err)
		}
	}
}

// TestTillNames checks that headers of a till that could contain personal data are
// refused, because they are in audit entries.
func TestTillNames(t *testing.T) {
	for header, cases := range map[string]map[string]bool{
		"alkalog-till": {
			"Front desk 2": true, "front-desk-2": true, "till 12": true, "7": true, "chains/ebb/salons/north/tills/2": true, "chains/ebb/tills/till-2": true,
			"01a21590-cc92-7cbb-b0f4-2ed4fa495aeb": true,
			"":                                     false, " 2": false, "Jane Doe": false, "jane-doe": false, "Jane.Doe@example.org": false, "jane 1990": false, "chains/ebb/tills/jane": false,
			"till 12345": false, "front desk": false, "till\u202e2": false, "till\n2": false, "07700900123": false,
		},
		"alkalog-till-version": {
			"4.2.0": true, "4": true, "4.2.0-rc.1": true, "4.2.0+build_7": true, "2026.11.3.1": true,
			"": false, "Jane Doe": false, "4.2.0-jane": false, "4.2.0+jane.doe": false, "v4": false, "07700900123": false,
		},
	} {
		for value, right := range cases {
			got, err := identify(t, "authorization", "Development role=operator name=operators/site", header, value)
			if right != (err == nil) || right && got.Till+got.TillVersion != value {
				t.Errorf("%s %q: %+v, %v", header, value, got, err)
			}
		}
	}
}
