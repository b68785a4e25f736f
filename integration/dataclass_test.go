package integration

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
	options "alkalog/proto/contract"
)

// The promise: the file for a client holds every kind of record of the contract
// that belongs to a client and has personal data in it.

// clientKinds are the kinds of records that belong to a client and have a field
// of a personal class, by what their collection is called in resource names.
func clientKinds() map[string]protoreflect.MessageDescriptor {
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
		if !options.Auditable(options.DataClass(m.Fields().Get(i))) {
			return true
		}
	}
	return false
}

// TestExportHasEveryKindOfRecord compares the file, kind by kind, with what the
// calls answer. A kind that is added to the contract is missed until both have it.
func TestExportHasEveryKindOfRecord(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	signed := c.signed(t, c.students(t))
	client := parent(signed.Name)
	session := must(t, c.teo, c.processing.StartSession, &pb.StartSessionRequest{Parent: client, Decision: signed.Name, RequestId: newID()}).Session
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session))
	must(t, c.amara, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, Incident: c.newIncident(), RequestId: newID()})
	refused := c.decisionFor(t, client, brokenSkin)
	must(t, c.imara, c.eligibility.OverrideDecision, c.override(refused, refused.Findings[0]))

	must(t, c.odile, c.consultation.UpdateClient, &pb.UpdateClientRequest{Client: &pb.Client{Name: client, ExternalId: "m-1"}, UpdateMask: updateMask("external_id"), RequestId: newID()})
	must(t, c.odile, c.imports.ImportRecords, c.importing("first", c.recordItem("v-1", "m-1", 300)))

	reported := map[string][]proto.Message{
		"clients":         {must(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: client}).Client},
		"consultations":   messages(must(t, c.amara, c.consultation.ListConsultations, &pb.ListConsultationsRequest{Parent: client}).Consultations),
		"decisions":       messages(must(t, c.amara, c.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: client}).Decisions),
		"outcomes":        messages(must(t, c.amara, c.outcome.ListOutcomes, &pb.ListOutcomesRequest{Parent: client}).Outcomes),
		"incidents":       messages(c.incidentsOf(t, client)),
		"importedRecords": messages(must(t, c.till, c.imports.ListImportedRecords, &pb.ListImportedRecordsRequest{Parent: client}).ImportedRecords),
	}
	whole := must(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name, WithEvents: true})
	whole.Session.State = nil
	whole.ServerTime = nil // of the call, not of the record
	reported["sessions"] = []proto.Message{whole}

	file := map[string]json.RawMessage{}
	if err := json.Unmarshal(c.handedOut(t, client), &file); err != nil {
		t.Fatal(err)
	}
	file["clients"] = slices.Concat([]byte("["), file["client"], []byte("]"))
	for kind, m := range clientKinds() {
		if len(reported[kind]) == 0 {
			t.Errorf("%s: the test has no %s of the client; make one, and hand it out", m.FullName(), kind)
		}
		wantHandedOut(t, kind, file[kind], reported[kind])
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

// plantedText are canaries that were put into requests, by field.
type plantedText struct {
	words map[protoreflect.FullName][]string
	count int
}

// plantIn puts a canary of its own into every text field of a message, and of those
// that it holds, that the contract classes as identity or free text and that a
// caller can fill.
func (p *plantedText) plantIn(m protoreflect.Message) (fields []protoreflect.FullName) {
	for i := range m.Descriptor().Fields().Len() {
		field := m.Descriptor().Fields().Get(i)
		behaviors, _ := proto.GetExtension(field.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
		switch class := options.DataClass(field); {
		case slices.Contains(behaviors, annotations.FieldBehavior_OUTPUT_ONLY):
		case field.Message() != nil && field.IsList():
			for j := range m.Get(field).List().Len() {
				fields = append(fields, p.plantIn(m.Get(field).List().Get(j).Message())...)
			}
		case field.Message() != nil && m.Has(field):
			fields = append(fields, p.plantIn(m.Get(field).Message())...)
		case field.Kind() != protoreflect.StringKind || field.IsList() || field.Name() == "birth_date" || field.ContainingOneof() != nil && !m.Has(field):
		case class == pb.DataClass_DATA_CLASS_FREE_TEXT || class == pb.DataClass_DATA_CLASS_IDENTITY:
			p.count++
			word := fmt.Sprintf("the waltz of zaffre%dquill", 1000+p.count)
			switch field.Name() {
			case "email":
				word = fmt.Sprintf("zaffre%d@invented.example", 1000+p.count)
			case "phone":
				word = fmt.Sprintf("+44 7700 9%05d", 40000+p.count)
			}
			m.Set(field, protoreflect.ValueOfString(word))
			p.words[field.FullName()] = append(p.words[field.FullName()], word)
			fields = append(fields, field.FullName())
		}
	}
	return fields
}

// wantNowhere checks that no planted text is in any of the places.
func (p *plantedText) wantNowhere(t *testing.T, places map[string][]byte) {
	t.Helper()
	for field, words := range p.words {
		for _, word := range words {
			for place, text := range places {
				if bytes.Contains(text, []byte(word)) || bytes.Contains(text, []byte(hex.EncodeToString([]byte(word)))) {
					t.Errorf("%s is in plaintext in %s", field, place)
				}
			}
		}
	}
}

// TestClassifiedTextIsStoredEncrypted sends an example of every RPC with a canary in
// each text field that the contract classes as identity or free text, and looks for
// them in the database, in what the server says and in its errors.
func TestClassifiedTextIsStoredEncrypted(t *testing.T) {
	t.Parallel()
	b := newCanaryTest(t)
	st := b.newWholeFixture(t, "ebb-and-flow")
	p, accepted := &plantedText{words: map[protoreflect.FullName][]string{}}, map[protoreflect.FullName]bool{}
	lessons := &plantedText{words: map[protoreflect.FullName][]string{}, count: 5000}
	var reported strings.Builder
	for _, r := range contract() {
		example := st.example(t, r)
		req := example.make(t)
		planted := p
		if r.inSchool() {
			planted = lessons
		}
		fields := planted.plantIn(req.ProtoReflect())
		_, err := b.ask(t, example.who, r, req)
		if err != nil {
			fmt.Fprintln(&reported, err, violationsOf(err))
		}
		for _, field := range fields {
			accepted[field] = accepted[field] || err == nil
		}
	}
	for field, was := range accepted {
		// A lot that is not one of the product's is refused where a decision rests on it.
		if !was && field.Name() != "lot_code" {
			t.Errorf("no call with a canary in %s was answered", field)
		}
	}
	b.waitLogged(t)
	places := tables(t, b.sql)
	places["what the server said"], places["errors"] = []byte(b.said.String()), []byte(reported.String())
	p.wantNowhere(t, places)
	if !bytes.Contains(places["audit_entries"], []byte(st.names.client)) || !bytes.Contains(places["what the server said"], []byte("CreateClient")) {
		t.Error("the search does not find even what lies there in clear")
	}
	// Records of a school belong to no client and are stored in clear (SECURITY.md), with the
	// answered requests. Nothing of them is on the log, in errors or in what the server says.
	for _, table := range []string{"cases", "attempts", "mark_sheets", "requests"} {
		delete(places, table)
	}
	lessons.wantNowhere(t, places)
	if len(lessons.words) < 3 {
		t.Errorf("canaries were put into %d fields of a school only", len(lessons.words))
	}
	if len(p.words) < 15 {
		t.Errorf("canaries were put into %d fields only", len(p.words))
	}
}
