package integration

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/dataclass"
)

// The promise: the file for a client holds every kind of record of the contract
// that belongs to a client and has personal data in it.

// clientsKinds are the kinds of records that belong to a client and have a field
// of a personal class, by what their collection is called in resource names.
func clientsKinds() map[string]protoreflect.MessageDescriptor {
	kinds := map[string]protoreflect.MessageDescriptor{}
	protoregistry.GlobalTypes.RangeMessages(func(m protoreflect.MessageType) bool {
		resource, _ := proto.GetExtension(m.Descriptor().Options(), annotations.E_Resource).(*annotations.ResourceDescriptor)
		for _, pattern := range resource.GetPattern() {
			segments := strings.Split(pattern, "/")
			if len(segments) < 2 || !strings.Contains(pattern, "/clients/{client}") {
				continue
			}
			if personal(m.Descriptor()) {
				kinds[segments[len(segments)-2]] = m.Descriptor()
			}
		}
		return true
	})
	return kinds
}

// personal reports whether a message has a field of a class that stays off the
// audit log.
func personal(m protoreflect.MessageDescriptor) bool {
	for i := range m.Fields().Len() {
		if !dataclass.Auditable(dataclass.Of(m.Fields().Get(i))) {
			return true
		}
	}
	return false
}

// TestExportHasEveryKindOfRecord compares the file, kind by kind, with what the
// calls answer. A kind that is added to the contract is missed until both have it.
func TestExportHasEveryKindOfRecord(t *testing.T) {
	t.Parallel()
	c := newSite(t).newChain(t, "ebb-and-flow")
	signed := c.signed(t, c.students(t))
	client := parent(signed.Name)
	session := must(t, c.teo, c.processing.StartSession, &pb.StartSessionRequest{Parent: client, Decision: signed.Name, RequestId: newID()}).Session
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session))
	must(t, c.amara, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, Incident: c.noticed(), RequestId: newID()})
	refused := c.decisionFor(t, client, brokenSkin)
	must(t, c.imara, c.eligibility.OverrideDecision, c.override(refused, refused.Findings[0]))

	told := map[string][]proto.Message{
		"clients":       {must(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: client}).Client},
		"consultations": messages(must(t, c.amara, c.consultation.ListConsultations, &pb.ListConsultationsRequest{Parent: client}).Consultations),
		"decisions":     messages(must(t, c.amara, c.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: client}).Decisions),
		"outcomes":      messages(must(t, c.amara, c.outcome.ListOutcomes, &pb.ListOutcomesRequest{Parent: client}).Outcomes),
		"incidents":     messages(c.incidentsOf(t, client)),
	}
	whole := must(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name, WithEvents: true})
	whole.Session.State = nil
	whole.ServerTime = nil // of the call, not of the record
	told["sessions"] = []proto.Message{whole}

	file := map[string]json.RawMessage{}
	if err := json.Unmarshal(c.handedOut(t, client), &file); err != nil {
		t.Fatal(err)
	}
	file["clients"] = slices.Concat([]byte("["), file["client"], []byte("]"))
	for kind, m := range clientsKinds() {
		if len(told[kind]) == 0 {
			t.Errorf("%s: the test has no %s of the client; make one, and hand it out", m.FullName(), kind)
		}
		wantHandedOut(t, kind, file[kind], told[kind])
	}
	if decision := must(t, c.amara, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: refused.Name}).Decision; len(decision.Overrides) != 1 {
		t.Errorf("the refusal has %d overrides", len(decision.Overrides))
	}
	for _, inside := range []string{`"countersignature"`, `"overrides"`} {
		if !strings.Contains(string(file["decisions"]), inside) {
			t.Errorf("no decision of the file has %s", inside)
		}
	}
}

// messages are records as messages.
func messages[M proto.Message](records []M) (all []proto.Message) {
	for _, m := range records {
		all = append(all, m)
	}
	return all
}

// wantHandedOut wants a list of the file to be the records that calls answer.
func wantHandedOut(t *testing.T, kind string, list json.RawMessage, want []proto.Message) {
	t.Helper()
	var got []json.RawMessage
	if err := json.Unmarshal(list, &got); err != nil || len(got) != len(want) {
		t.Errorf("%s: %d in the file, want %d, %v", kind, len(got), len(want), err)
		return
	}
	for i := range want {
		m := want[i].ProtoReflect().New().Interface()
		if err := protojson.Unmarshal(got[i], m); err != nil || !proto.Equal(m, want[i]) {
			t.Errorf("%s: in the file %s, %v\nwant %v", kind, got[i], err, want[i])
		}
	}
}
