package integration

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/report"
)

// The promise: what auditors and operators get, names no
// client and repeats nothing that was said of one, before an erasure and after.

// wantNoCanaryInOutputs looks for canaries in a copy of the log, the report, the sheets
// of the program, the metrics and the answers about health. Each must hold what
// belongs there, so that a search of nothing does not pass.
func (b *canaryTest) wantNoCanaryInOutputs(t *testing.T, when string, c *chain, client string) {
	t.Helper()
	for where, place := range map[string]struct {
		text []byte
		want []string
	}{
		"the copy of the log":      {c.auditCopy(t), []string{client, "ENTRY_KIND_REFUSAL"}},
		"the report":               {c.htmlReport(t), []string{"scalp.broken-skin, version ", last(c.amara.name)}},
		"the metrics":              {b.metricsText(t), []string{"ConsultationService/CreateClient"}},
		"the answers about health": {b.health(t, c), []string{"SERVING"}},
		"the sheets":               {b.sheets(t, c), []string{client, "REFUSAL", "scalp.broken-skin"}},
	} {
		wantNoCanary(t, when+", "+where, place.text)
		for _, want := range place.want {
			if !bytes.Contains(place.text, []byte(want)) {
				t.Errorf("%s, %s: %d bytes without even %q", when, where, len(place.text), want)
			}
		}
	}
}

// auditCopy is all files of a copy of the log, and all entries in words.
func (c *chain) auditCopy(t *testing.T) []byte {
	t.Helper()
	var all bytes.Buffer
	dir, verdict := c.copyOf(t, nil, func(e *pb.AuditEntry) { fmt.Fprintln(&all, e) })
	if !verdict.Valid() {
		t.Errorf("the copy does not hold: %v", verdict.Faults)
	}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		content, err := os.ReadFile(path)
		all.Write(content)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all.Bytes()
}

// htmlReport is the report about all time.
func (c *chain) htmlReport(t *testing.T) []byte {
	t.Helper()
	source := report.Source{Audit: c.audit}
	facts, err := report.Gather(c.odile.calling(t), source, c.name, report.Period{})
	if err != nil {
		t.Fatal(err)
	}
	var page bytes.Buffer
	if err := report.Write(&page, facts); err != nil {
		t.Fatal(err)
	}
	return page.Bytes()
}

// metricsText is the metrics of the server.
func (b *canaryTest) metricsText(t *testing.T) []byte {
	t.Helper()
	answer, err := http.Get("http://" + b.metrics + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// health is what the server answers about its health.
func (b *canaryTest) health(t *testing.T, c *chain) []byte {
	t.Helper()
	var all bytes.Buffer
	for _, service := range []string{"", "liveness", "readiness", "alkalog.clock", c.name, c.name + "/log"} {
		answer, err := grpc_health_v1.NewHealthClient(b.conn).Check(c.odile.calling(t), &grpc_health_v1.HealthCheckRequest{Service: service})
		fmt.Fprintln(&all, service, answer, err)
	}
	return all.Bytes()
}

// sheets is what the program prints of the log, in every form.
func (b *canaryTest) sheets(t *testing.T, c *chain) []byte {
	t.Helper()
	program := filepath.Join(t.TempDir(), "alkalog")
	if out, err := exec.Command("go", "build", "-o", program, "../server").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var all bytes.Buffer
	run := func(args ...string) {
		t.Helper()
		command := exec.Command(program, append(args, c.name, "--address", b.address)...)
		var said bytes.Buffer
		command.Stdout, command.Stderr = &said, &said
		if err := command.Run(); err != nil || said.Len() == 0 {
			t.Errorf("%s: %v: %s", strings.Join(args, " "), err, said.Bytes())
		}
		all.Write(said.Bytes())
	}
	for _, form := range []string{"table", "json", "csv"} {
		run("audit", "list", "--output", form)
		for _, by := range []string{"kind", "salon", "actor", "rule", "reason", "week", "override", "practitioner"} {
			run("audit", "summary", "--output", form, "--by", by)
		}
	}
	return all.Bytes()
}

// wantVisible wants what belongs to the client to be where callers who may see it
// look, so that its absence after an erasure means something.
func (b *canaryTest) wantVisible(t *testing.T, c *chain, client string) {
	t.Helper()
	card := func(format pb.CardFormat) string {
		return must(t, c.amara, c.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: client, Format: format}).Rendered
	}
	var incidents, maker, sessions, found strings.Builder
	for _, i := range c.incidentsOf(t, client) {
		fmt.Fprintln(&incidents, i)
		maker.Write(must(t, c.imara, c.incident.ExportIncident, &pb.ExportIncidentRequest{Name: i.Name}).Content)
	}
	for _, s := range must(t, c.amara, c.processing.ListSessions, &pb.ListSessionsRequest{Parent: client}).Sessions {
		fmt.Fprintln(&sessions, must(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: s.Name, WithEvents: true}))
	}
	for _, by := range wrenSearches(c) {
		fmt.Fprintln(&found, must(t, c.amara, c.consultation.ListClients, by))
	}
	for where, place := range map[string]struct {
		text string
		want []string
	}{
		"the card":                           {fmt.Sprint(c.cardOf(t, client)), []string{wrenOutcome, wrenHomeCare, wrenSeen, wrenFirst, wrenAdvice, wrenPhoto, wrenFollowUp}},
		"the card as text":                   {card(pb.CardFormat_CARD_FORMAT_TEXT), []string{wrenPhoto, wrenSnapshot}},
		"the card for print":                 {card(pb.CardFormat_CARD_FORMAT_HTML), []string{wrenPhoto, wrenSnapshot}},
		"the incidents":                      {incidents.String(), []string{wrenSeen, wrenFirst, wrenAdvice, wrenPhoto, wrenFollowUp}},
		"the maker's file":                   {maker.String(), []string{wrenName, wrenSeen, wrenFirst, wrenFollowUp}},
		"the sessions":                       {sessions.String(), []string{wrenNote, wrenOther, wrenStop, wrenSnapshot, wrenClosing}},
		"the searches":                       {found.String(), []string{wrenName, wrenPhone, wrenEmail, wrenBirth}},
		"the list of the salon's follow-ups": {fmt.Sprint(must(t, c.till, c.incident.ListFollowUps, &pb.ListFollowUpsRequest{Parent: c.salon})), []string{client}},
		"the incidents of the chain":         {fmt.Sprint(must(t, c.amara, c.incident.ListIncidents, &pb.ListIncidentsRequest{Parent: c.name + "/clients/-"})), []string{wrenSeen}},
	} {
		wantAll(t, where, place.text, place.want)
	}
}

// wantAll wants a text to hold every one of some words.
func wantAll(t *testing.T, where, text string, words []string) {
	t.Helper()
	for _, word := range words {
		if !strings.Contains(text, word) {
			t.Errorf("%s lacks %q", where, word)
		}
	}
}

// wrenSearches are the ways to find the client of the canaries.
func wrenSearches(c *chain) []*pb.ListClientsRequest {
	return []*pb.ListClientsRequest{{Parent: c.name, DisplayName: wrenName}, {Parent: c.name, Phone: wrenPhone}, {Parent: c.name, Email: wrenEmail}}
}

// wantNotVisible asks for all of wantShown after the client was erased; gone is told
// of every error.
func (c *chain) wantNotVisible(t *testing.T, client string, incidents []string, gone func(what string, err error)) {
	t.Helper()
	for _, format := range []pb.CardFormat{pb.CardFormat_CARD_FORMAT_UNSPECIFIED, pb.CardFormat_CARD_FORMAT_TEXT, pb.CardFormat_CARD_FORMAT_HTML} {
		gone("the card as "+format.String(), mustFail(t, c.amara, c.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: client, Format: format}))
	}
	gone("the incidents", mustFail(t, c.amara, c.incident.ListIncidents, &pb.ListIncidentsRequest{Parent: client}))
	for _, name := range incidents {
		gone("an incident", mustFail(t, c.amara, c.incident.GetIncident, &pb.GetIncidentRequest{Name: name}))
		gone("the maker's file", mustFail(t, c.imara, c.incident.ExportIncident, &pb.ExportIncidentRequest{Name: name}))
	}
	stream, err := c.consultation.ExportClient(c.odile.calling(t), &pb.ExportClientRequest{Name: client})
	if err == nil {
		_, err = stream.Recv()
	}
	gone("the file for the client", err)
	due := must(t, c.till, c.incident.ListFollowUps, &pb.ListFollowUpsRequest{Parent: c.salon})
	noticed := must(t, c.amara, c.incident.ListIncidents, &pb.ListIncidentsRequest{Parent: c.name + "/clients/-"})
	sessions := must(t, c.amara, c.processing.ListSessions, &pb.ListSessionsRequest{Parent: c.name + "/clients/-"})
	lists, named := []proto.Message{due, noticed, sessions}, []string{}
	for _, d := range due.FollowUps {
		named = append(named, d.Incident)
	}
	for _, i := range noticed.Incidents {
		named = append(named, i.Name)
	}
	for _, s := range sessions.Sessions {
		named = append(named, s.Name)
	}
	for _, by := range wrenSearches(c) {
		lists = append(lists, must(t, c.amara, c.consultation.ListClients, by))
	}
	for _, name := range named {
		if strings.HasPrefix(name, client+"/") {
			t.Errorf("a list of the chain still has %s", name)
		}
	}
	for _, list := range lists {
		wantNoCanary(t, fmt.Sprintf("%T", list), []byte(fmt.Sprint(list)))
	}
}
