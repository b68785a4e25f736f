package integration

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// The promise: what is taken over from another system is stored once, is marked wherever it
// is shown, goes with its client, and can only make a decision stricter. All data here is
// invented.

// importExamples are examples of the import service.
func (st *fixture) importExamples() map[string]example {
	return map[string]example{
		"ImportRecords": {st.odile, func(testing.TB) proto.Message {
			client := freshID()
			return st.importing(freshID(), clientItem(client, "Ilka Marr"), st.recordItem(freshID(), client, 200))
		}},
		"GetImport":           requestAs(st.odile, &pb.GetImportRequest{Name: st.names.imported}),
		"ListImports":         requestAs(st.odile, &pb.ListImportsRequest{Parent: st.name}),
		"ListImportedRecords": requestAs(st.till, &pb.ListImportedRecordsRequest{Parent: st.names.client}),
	}
}

// importing is a batch of an import from an invented card index.
func (c *chain) importing(id string, items ...*pb.ImportItem) *pb.ImportRecordsRequest {
	for i, item := range items {
		if item.Position == 0 {
			item.Position = int64(i + 1)
		}
	}
	return &pb.ImportRecordsRequest{Parent: c.name, ImportId: id, System: "card-index", Items: items, RequestId: newID()}
}

// clientItem is a client to import.
func clientItem(id, name string) *pb.ImportItem {
	return &pb.ImportItem{ExternalId: id, Content: &pb.ImportItem_Client{Client: &pb.Client{DisplayName: name, Phone: "+44 20 7946 0000"}}}
}

// recordItem is a relaxer to import, some days ago.
func (c *chain) recordItem(id, client string, days int, change ...func(*pb.ImportedRecord)) *pb.ImportItem {
	then := c.clock.Now().AddDate(0, 0, -days)
	r := &pb.ImportedRecord{Date: &date.Date{Year: int32(then.Year()), Month: int32(then.Month()), Day: int32(then.Day())},
		Works: []pb.ImportedWork{pb.ImportedWork_IMPORTED_WORK_HYDROXIDE}, HydroxideKind: pb.HydroxideKind_HYDROXIDE_KIND_SODIUM,
		ProductText: "old jar, invented", Minutes: new(4.0), ResultText: "very straight"}
	for _, f := range change {
		f(r)
	}
	return &pb.ImportItem{ExternalId: id, ClientExternalId: client, Content: &pb.ImportItem_Record{Record: r}}
}

// incidentItem is an incident to import, some days ago.
func (c *chain) incidentItem(id, client string, kind pb.IncidentKind, days int) *pb.ImportItem {
	return &pb.ImportItem{ExternalId: id, ClientExternalId: client, Content: &pb.ImportItem_Incident{Incident: &pb.Incident{Kind: kind, Salon: c.salon,
		OccurTime: timestamppb.New(c.clock.Now().AddDate(0, 0, -days)), Seen: "noted on the old card"}}}
}

// imported stores a client with items and returns the client's name.
func (c *chain) imported(t testing.TB, items ...*pb.ImportItem) string {
	t.Helper()
	answer := must(t, c.odile, c.imports.ImportRecords, c.importing("first", append([]*pb.ImportItem{clientItem("m-1", "Ilka Marr")}, items...)...))
	for _, result := range answer.Results {
		if result.Outcome != pb.ImportOutcome_IMPORT_OUTCOME_CREATED {
			t.Fatalf("%v", result)
		}
	}
	return answer.Results[0].Name
}

// TestImportedWorkCounts: a relaxer on an imported record refuses as one on our own record
// does, the decision says where it is from, and replays the same.
func TestImportedWorkCounts(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "imports")
	client := c.imported(t, c.recordItem("v-1", "m-1", 30))
	d := wantVerdict(t, c.served(t, client, pb.ServiceKind_SERVICE_KIND_VIRGIN), pb.Verdict_VERDICT_REFUSE)
	if !slices.ContainsFunc(d.Findings, func(f *pb.Finding) bool { return strings.Contains(f.Message, "imported from another system") }) {
		t.Errorf("no finding says that it is by an imported record: %v", d.Findings)
	}
	if !slices.ContainsFunc(d.History, func(f *pb.HistoryFact) bool { return f.Source == pb.HistorySource_HISTORY_SOURCE_IMPORTED }) {
		t.Errorf("the history does not show the imported record: %v", d.History)
	}
	if replay := must(t, c.imara, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: d.Name}); len(replay.Differences) > 0 {
		t.Errorf("replayed otherwise: %v", replay.Differences)
	}
	other := c.client(t)
	wantVerdict(t, c.served(t, other, pb.ServiceKind_SERVICE_KIND_VIRGIN), pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
}

// TestImportedFactsSatisfyNothing: nothing that is imported stands for a test, a consent, a
// doctor's word or an answer; nothing is learned from it, and it makes no deviations.
func TestImportedFactsSatisfyNothing(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "imports")
	client := c.imported(t, c.recordItem("v-1", "m-1", 200), c.recordItem("v-2", "m-1", 400))
	origin := func(paths ...string) func(*pb.Consultation) {
		return func(k *pb.Consultation) {
			for _, p := range paths {
				k.Origins = append(k.Origins, &pb.FieldOrigin{Field: p, Origin: pb.AnswerOrigin_ANSWER_ORIGIN_IMPORTED})
			}
		}
	}
	someone := c.client(t)
	for _, path := range []string{"consultation.tests.strand", "consultation.consent.agreed", "consultation.history.allergy", "consultation.scalp.sores"} {
		d := c.served(t, someone, pb.ServiceKind_SERVICE_KIND_VIRGIN, origin(path))
		wantVerdict(t, d, pb.Verdict_VERDICT_ASK)
		if !slices.ContainsFunc(d.OpenQuestions, func(q *pb.OpenQuestion) bool { return q.Field == path }) {
			t.Errorf("%s is not asked: %v", path, d.OpenQuestions)
		}
	}
	if rates := c.cardOf(t, client); len(rates.Rates) > 0 || rates.GrowthUmPerDay != nil || len(rates.Visits) > 0 || rates.NextRetouchTime != nil {
		t.Errorf("the card learned from imported records: %v", rates)
	}
	// The birth date of an imported client spares no question for the age.
	grown := clientItem("m-2", "Ilka Marr")
	grown.GetClient().BirthDate = "1980-01-02"
	dated := must(t, c.odile, c.imports.ImportRecords, c.importing("second", grown)).Results[0].Name
	wantVerdict(t, c.served(t, dated, pb.ServiceKind_SERVICE_KIND_VIRGIN), pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, pb.Verdict_VERDICT_ASK)
	wantVerdict(t, c.served(t, dated, pb.ServiceKind_SERVICE_KIND_VIRGIN, func(k *pb.Consultation) { k.Consent.AgeYears = nil }), pb.Verdict_VERDICT_ASK)
	// An answer about the head that is missing is asked, although an old record has a date.
	silent := func(k *pb.Consultation) {
		k.History.Relaxer, k.Hair.Zones[1].Hydroxide, k.Hair.Zones[2].Hydroxide = nil, nil, nil
	}
	with, without := c.served(t, client, pb.ServiceKind_SERVICE_KIND_VIRGIN, silent), c.served(t, someone, pb.ServiceKind_SERVICE_KIND_VIRGIN, silent)
	wantVerdict(t, without, pb.Verdict_VERDICT_ASK)
	wantVerdict(t, with, pb.Verdict_VERDICT_ASK, pb.Verdict_VERDICT_REFER, pb.Verdict_VERDICT_REFUSE)
	for _, q := range without.OpenQuestions {
		open := slices.ContainsFunc(with.OpenQuestions, func(o *pb.OpenQuestion) bool { return o.Field == q.Field }) ||
			slices.ContainsFunc(with.Conditions, func(o *pb.Condition) bool { return o.ConditionId == "unanswered:"+q.Field })
		if !open {
			t.Errorf("the old record has answered %s: %v, %v", q.Field, with.OpenQuestions, with.Conditions)
		}
	}
	for _, e := range c.entries(t, "") {
		if e.Kind == pb.EntryKind_ENTRY_KIND_DEVIATION || e.Kind == pb.EntryKind_ENTRY_KIND_ALARM || e.Kind == pb.EntryKind_ENTRY_KIND_OVERRIDE {
			t.Errorf("an import left %v", e)
		}
	}
}

// TestImportedIncidentDemandsAndOnlyDemands: an eye on the old card asks for a doctor's word
// that names it. It has no follow-ups, so none is ever overdue.
func TestImportedIncidentDemandsAndOnlyDemands(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "imports")
	client := c.imported(t, c.incidentItem("i-1", "m-1", pb.IncidentKind_INCIDENT_KIND_EYE, 90))
	wantVerdict(t, c.served(t, client, pb.ServiceKind_SERVICE_KIND_VIRGIN), pb.Verdict_VERDICT_REFUSE)
	found := c.incidentsOf(t, client)
	if len(found) != 1 || found[0].Origin != pb.IncidentOrigin_INCIDENT_ORIGIN_IMPORTED || len(found[0].FollowUps) > 0 ||
		found[0].State != pb.IncidentState_INCIDENT_STATE_FOLLOWED_UP || found[0].Source.GetSystem() != "card-index" {
		t.Fatalf("the incident is %v", found)
	}
	today := c.clock.Now()
	word := func(k *pb.Consultation) {
		k.History.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_INCIDENT, Incident: found[0].Name, Reference: "note 7",
			GiveDate: &date.Date{Year: int32(today.Year()), Month: int32(today.Month()), Day: int32(today.Day())}}}
	}
	wantVerdict(t, c.served(t, client, pb.ServiceKind_SERVICE_KIND_VIRGIN, word), pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	entries := c.entries(t, `kind = "INCIDENT"`)
	if len(entries) != 1 || entries[0].ReasonCode != "IMPORTED" {
		t.Errorf("its entries are %v", entries)
	}
	if due := must(t, c.till, c.incident.ListFollowUps, &pb.ListFollowUpsRequest{Parent: c.salon}); len(due.FollowUps) > 0 {
		t.Errorf("follow-ups are due: %v", due.FollowUps)
	}
}

// TestImportedIsMarkedEverywhere: card, lists, text, page and export name the other system.
func TestImportedIsMarkedEverywhere(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "imports")
	client := c.imported(t, c.incidentItem("i-1", "m-1", pb.IncidentKind_INCIDENT_KIND_BURN, 90),
		c.recordItem("v-1", "m-1", 200, func(r *pb.ImportedRecord) { r.Warnings = []pb.Warning{pb.Warning_WARNING_KELOIDS} }))
	for _, format := range []pb.CardFormat{pb.CardFormat_CARD_FORMAT_TEXT, pb.CardFormat_CARD_FORMAT_HTML} {
		answer := must(t, c.amara, c.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: client, Format: format})
		for _, want := range []string{"imported from card-index", "Imported from card-index", "warning: keloids", "old jar, invented", "No service on record here; imported records: 1"} {
			if !strings.Contains(answer.Rendered, want) {
				t.Errorf("%s lacks %q:\n%s", format, want, answer.Rendered)
			}
		}
		if len(answer.RecordCard.ImportedRecords) != 1 || answer.RecordCard.ImportedRecords[0].Source.GetExternalId() != "v-1" {
			t.Errorf("the card has %v", answer.RecordCard.ImportedRecords)
		}
	}
	listed := must(t, c.till, c.imports.ListImportedRecords, &pb.ListImportedRecordsRequest{Parent: client}).ImportedRecords
	if len(listed) != 1 || listed[0].Source.GetSystem() != "card-index" || listed[0].Source.GetImport() != c.name+"/imports/first" || listed[0].Source.GetActor() != c.odile.name {
		t.Errorf("the list has %v", listed)
	}
	got := must(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: client}).Client
	if got.ExternalId != "m-1" || got.Source.GetSystem() != "card-index" {
		t.Errorf("the client is %v", got)
	}
	if file := string(c.handedOut(t, client)); !strings.Contains(file, `"importedRecords"`) || strings.Count(file, "card-index") < 3 {
		t.Errorf("the export has %s", file)
	}
}

// TestImportIsDoneOnce: what is not right is named and stops nothing; a dry run and a second
// run change nothing; a repeated request is answered again.
func TestImportIsDoneOnce(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "imports")
	future := func(r *pb.ImportedRecord) { r.Date = &date.Date{Year: 2090, Month: 1, Day: 1} }
	items := func() []*pb.ImportItem {
		return []*pb.ImportItem{clientItem("m-1", "Ilka Marr"), c.recordItem("v-1", "m-1", 30), c.recordItem("v-2", "m-9", 30), c.recordItem("v-3", "m-1", 30, future),
			c.recordItem("v-4", "m-1", 30, func(r *pb.ImportedRecord) { r.Date = &date.Date{Year: 2024, Month: 2, Day: 31} }),
			{ExternalId: "x", Content: nil}, clientItem("m-1", "Somebody else"),
			{ExternalId: "s", ClientExternalId: "m-1", Content: &pb.ImportItem_Incident{Incident: &pb.Incident{Kind: pb.IncidentKind_INCIDENT_KIND_BURN, Salon: c.name + "/salons/nowhere", OccurTime: timestamppb.New(c.clock.Now().Add(-day))}}},
			{ExternalId: "t", ClientExternalId: "m-1", Content: &pb.ImportItem_Incident{Incident: &pb.Incident{Kind: pb.IncidentKind_INCIDENT_KIND_BURN, Salon: c.salon, Product: c.relaxer, OccurTime: timestamppb.New(c.clock.Now().Add(-day))}}},
			clientItem("", "No id"), c.incidentItem("i-1", "m-1", pb.IncidentKind_INCIDENT_KIND_BURN, 400)}
	}
	want := []string{"CREATED", "CREATED", "CLIENT_UNKNOWN client_external_id", "REFUSED record.date", "REFUSED record.date", "REFUSED content", "EXISTED differs",
		"REFUSED incident.salon", "REFUSED incident", "REFUSED external_id", "CREATED"}
	check := func(run string, answer *pb.ImportRecordsResponse, want []string) {
		t.Helper()
		var got []string
		for _, r := range answer.Results {
			line := strings.TrimSpace(strings.TrimPrefix(r.Outcome.String(), "IMPORT_OUTCOME_") + " " + r.Field)
			if r.Differs {
				line += " differs"
			}
			got = append(got, line)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s:\n%q, want\n%q", run, got, want)
		}
	}
	s := c.testServer
	s.waitLogged(t)
	before := s.tableDigests(t)
	dry := c.importing("first", items()...)
	dry.DryRun = true
	check("a dry run", must(t, c.odile, c.imports.ImportRecords, dry), want)
	s.waitLogged(t)
	for table, digest := range s.tableDigests(t) {
		if before[table] != digest {
			t.Errorf("a dry run changed %s", table)
		}
	}
	req := c.importing("first", items()...)
	first := must(t, c.odile, c.imports.ImportRecords, req)
	check("the first run", first, want)
	if i := first.Import; i.CreatedItems != 3 || i.ExistedItems != 1 || i.RefusedItems != 7 || i.Position != 11 || i.State != pb.ImportState_IMPORT_STATE_OPEN {
		t.Errorf("the import is %v", i)
	}
	if again := must(t, c.odile, c.imports.ImportRecords, req); !proto.Equal(again, first) {
		t.Errorf("the same request is answered %v, want %v", again, first)
	}
	reused := proto.CloneOf(req)
	reused.Items = reused.Items[:1]
	if err := mustFail(t, c.odile, c.imports.ImportRecords, reused); status.Code(err) != codes.AlreadyExists {
		t.Errorf("other items with the same id: %v", err)
	}
	clients, records := len(c.clients(t)), len(must(t, c.odile, c.imports.ListImportedRecords, &pb.ListImportedRecordsRequest{Parent: first.Results[0].Name}).ImportedRecords)
	wantAgain := slices.Clone(want)
	wantAgain[0], wantAgain[1], wantAgain[10] = "EXISTED", "EXISTED", "EXISTED"
	second := c.importing("first", items()...)
	second.Finished = true
	check("the second run", must(t, c.odile, c.imports.ImportRecords, second), wantAgain)
	if n := len(c.clients(t)); n != clients {
		t.Errorf("%d clients after the second run, before %d", n, clients)
	}
	if n := len(must(t, c.odile, c.imports.ListImportedRecords, &pb.ListImportedRecordsRequest{Parent: first.Results[0].Name}).ImportedRecords); n != records || n != 1 {
		t.Errorf("%d records after the second run, before %d", n, records)
	}
	if err := mustFail(t, c.odile, c.imports.ImportRecords, c.importing("first", items()...)); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("after the last batch: %v", err)
	}
	if entries := c.entries(t, `kind = "RECORDS_IMPORTED"`); len(entries) != 1 || entries[0].Count != 3 || entries[0].ChangedRecord != c.name+"/imports/first" {
		t.Errorf("the entries are %v", entries)
	}
	for _, who := range []person{c.till, c.amara, c.imara, c.vesna} {
		if err := mustFail(t, who, c.imports.ImportRecords, c.importing("other", items()...)); status.Code(err) != codes.PermissionDenied {
			t.Errorf("%s: %v", who.name, err)
		}
	}
}

// TestExternalIDsAreUnique: a chain has an external id of a client once, no matter who gives it and
// however many at once; another chain has its own.
func TestExternalIDsAreUnique(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c, other := s.newChain(t, "imports"), s.newChain(t, "other")
	const callers = 8
	results := make(chan *pb.ImportRecordsResponse, callers)
	for n := range callers {
		go func() {
			answer, err := c.imports.ImportRecords(c.odile.calling(t), c.importing(fmt.Sprint("at-once-", n), clientItem("m-1", "Ilka Marr"), c.recordItem("v-1", "m-1", 30)))
			if err != nil {
				t.Error(err)
			}
			results <- answer
		}()
	}
	created, names := 0, map[string]bool{}
	for range callers {
		for _, r := range (<-results).GetResults() {
			names[r.Name] = true
			if r.Outcome == pb.ImportOutcome_IMPORT_OUTCOME_CREATED {
				created++
			}
		}
	}
	if created != 2 || len(names) != 2 {
		t.Errorf("%d items were created, with the names %v", created, names)
	}
	create := func(c *chain, id string) (*pb.Client, error) {
		answer, err := c.consultation.CreateClient(c.amara.calling(t), &pb.CreateClientRequest{Parent: c.name, Client: &pb.Client{DisplayName: "Another", ExternalId: id}, RequestId: newID()})
		return answer.GetClient(), err
	}
	if _, err := create(c, "m-1"); status.Code(err) != codes.AlreadyExists {
		t.Errorf("a client with a taken external id: %v", err)
	}
	if _, err := create(other, "m-1"); err != nil {
		t.Errorf("in another chain: %v", err)
	}
	two, err := create(c, "m-2")
	if err != nil {
		t.Fatal(err)
	}
	two.ExternalId = "m-1"
	change := &pb.UpdateClientRequest{Client: two, UpdateMask: updateMask("external_id"), RequestId: newID()}
	if err := mustFail(t, c.amara, c.consultation.UpdateClient, change); status.Code(err) != codes.AlreadyExists {
		t.Errorf("a change to a taken external id: %v", err)
	}
	two.ExternalId, change.RequestId = "m-3", newID()
	must(t, c.amara, c.consultation.UpdateClient, change)
	for id, want := range map[string]int{"m-1": 1, "m-2": 0, "m-3": 1, "m-4": 0} {
		if got := must(t, c.till, c.consultation.ListClients, &pb.ListClientsRequest{Parent: c.name, ExternalId: id}).Clients; len(got) != want {
			t.Errorf("%s finds %v", id, got)
		}
	}
}

// TestIDsOfAnotherSystemAreRefused: two systems can have the same id for two people, so what
// one says never reaches the client, the record or the incident of the other; nor after
// somebody has corrected the client. An id that a person has given is good for every system.
func TestIDsOfAnotherSystemAreRefused(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "imports")
	client := c.imported(t, c.recordItem("v-1", "m-1", 200), c.incidentItem("i-1", "m-1", pb.IncidentKind_INCIDENT_KIND_BURN, 400))
	must(t, c.till, c.consultation.UpdateClient, &pb.UpdateClientRequest{Client: &pb.Client{Name: client, DisplayName: "Ilka Marr-Olsen"}, UpdateMask: updateMask("display_name"), RequestId: newID()})
	own := must(t, c.till, c.consultation.CreateClient, &pb.CreateClientRequest{Parent: c.name, Client: &pb.Client{DisplayName: "Runa Achterberg", ExternalId: "m-2"}, RequestId: newID()}).Client.Name
	other := func(id string, dry bool) *pb.ImportRecordsRequest {
		req := c.importing(id, clientItem("m-1", "Odo Lindqvist"), c.recordItem("w-1", "m-1", 30), c.incidentItem("w-2", "m-1", pb.IncidentKind_INCIDENT_KIND_EYE, 30),
			c.recordItem("v-1", "m-3", 30), c.recordItem("i-1", "m-3", 30), c.incidentItem("v-1", "m-3", pb.IncidentKind_INCIDENT_KIND_BURN, 30),
			clientItem("m-2", "Runa Achterberg"), c.recordItem("w-3", "m-2", 30), clientItem("m-3", "Odo Lindqvist"), c.recordItem("w-4", "m-3", 30), clientItem("m-3", "Odo Lindqvist"))
		req.System, req.DryRun = "old-till", dry
		return req
	}
	want := []string{"REFUSED external_id", "REFUSED client_external_id", "REFUSED client_external_id", "REFUSED external_id", "REFUSED external_id", "REFUSED external_id",
		"EXISTED ", "CREATED ", "CREATED ", "CREATED ", "EXISTED "}
	for _, dry := range []bool{true, false} {
		for i, r := range must(t, c.odile, c.imports.ImportRecords, other("second", dry)).Results {
			got := strings.TrimPrefix(r.Outcome.String(), "IMPORT_OUTCOME_") + " " + r.Field
			if got != want[i] || r.Field != "" && (!strings.Contains(r.Problem, `must not be an id that system "card-index" has brought`) || r.Name != "") {
				t.Errorf("dry run %t: item %d is %v, want %s", dry, i+1, r, want[i])
			}
		}
	}
	for name, want := range map[string]int{client: 1, own: 1} {
		if got := must(t, c.till, c.imports.ListImportedRecords, &pb.ListImportedRecordsRequest{Parent: name}).ImportedRecords; len(got) != want {
			t.Errorf("%s has the records %v", name, got)
		}
	}
	if found := c.incidentsOf(t, client); len(found) != 1 {
		t.Errorf("the incidents of the first system's client are %v", found)
	}
}

// TestErasureReachesImported: with the client go the imported records and the external ids,
// and a legal hold keeps them.
func TestErasureReachesImported(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "imports")
	client := c.imported(t, c.recordItem("v-1", "m-1", 30), c.incidentItem("i-1", "m-1", pb.IncidentKind_INCIDENT_KIND_BURN, 400))
	hold := func(on bool) {
		must(t, c.odile, c.consultation.UpdateClient, &pb.UpdateClientRequest{Client: &pb.Client{Name: client, LegalHold: on}, UpdateMask: updateMask("legal_hold"), RequestId: newID()})
	}
	hold(true)
	if err := mustFail(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: client, RequestId: newID()}); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("under a legal hold: %v", err)
	}
	hold(false)
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: client, RequestId: newID()})
	if err := mustFail(t, c.till, c.imports.ListImportedRecords, &pb.ListImportedRecordsRequest{Parent: client}); status.Code(err) != codes.NotFound {
		t.Errorf("the records of an erased client: %v", err)
	}
	if got := must(t, c.till, c.consultation.ListClients, &pb.ListClientsRequest{Parent: c.name, ExternalId: "m-1"}).Clients; len(got) > 0 {
		t.Errorf("an erased client is found: %v", got)
	}
	answer := must(t, c.odile, c.imports.ImportRecords, c.importing("second", clientItem("m-1", "Ilka Marr"), c.recordItem("v-1", "m-1", 30)))
	for _, r := range answer.Results {
		if r.Outcome != pb.ImportOutcome_IMPORT_OUTCOME_CREATED || strings.HasPrefix(r.Name, client) {
			t.Errorf("after the erasure: %v", r)
		}
	}
	c.clock.advance(time.Minute)
}
