package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	pb "alkalog/proto/alkalogv1"
)

// importedVisits is how many invented visits TestImportFile imports; ALKALOG_IMPORT_VISITS
// sets another number. One visit in 500 is a bad line, and at least one of each kind is.
func importedVisits() int {
	if n, err := strconv.Atoi(os.Getenv("ALKALOG_IMPORT_VISITS")); err == nil {
		return n
	}
	return 1000
}

// visitsPerClient is how many visits an invented client has.
const visitsPerClient = 10

// planted are lines that must be refused, by what is wrong with them. %d is a number of the
// line, so that external ids differ.
var planted = []string{
	`{"externalId": "b%d", "clientExternalId": "m0", "record": {"date": {"year": 2024`,
	`{"externalId": "b%d", "clientExternalId": "m0", "record": {"date": {"year": 2024}, "works": ["IMPORTED_WORK_THIO"], "sound": true}}`,
	`{"externalId": "b%d", "clientExternalId": "m0", "record": {"date": {"year": 2931}, "works": ["IMPORTED_WORK_THIO"]}}`,
	`{"externalId": "b%d", "clientExternalId": "m0", "record": {"date": {"year": 2023, "month": 2, "day": 29}, "works": ["IMPORTED_WORK_THIO"]}}`,
	`{"externalId": "b%d", "clientExternalId": "nobody", "record": {"date": {"year": 2023}, "works": ["IMPORTED_WORK_THIO"]}}`,
	`{"externalId": "", "clientExternalId": "m0", "record": {"date": {"year": 2023}, "remarks": "%d"}}`,
	`{"externalId": "b%d", "clientExternalId": "m0"}`,
	`{"externalId": "b%d", "clientExternalId": "m0", "record": {"date": {"year": 2023}, "works": ["IMPORTED_WORK_THIO"], "minutes": 900}}`,
}

// writeVisits writes a file of invented clients and visits with bad lines at random places,
// and returns the numbers of the bad lines and how many others there are.
func writeVisits(t *testing.T, path string, visits int) (bad []int64, good int64) {
	t.Helper()
	draw := rand.New(rand.NewPCG(11, 26))
	places := map[int]string{}
	for n := range max(len(planted), visits/500) {
		at := draw.IntN(visits)
		for places[at] != "" {
			at = draw.IntN(visits)
		}
		places[at] = fmt.Sprintf(planted[n%len(planted)], n)
	}
	var text bytes.Buffer
	line := int64(0)
	for v := range visits {
		client := fmt.Sprintf("m%d", v/visitsPerClient)
		if v%visitsPerClient == 0 {
			line, good = line+1, good+1
			fmt.Fprintf(&text, `{"externalId": %q, "client": {"displayName": "Invented client %s", "phone": "+44 20 7946 %04d"}}`+"\n", client, client, v%10000)
		}
		if places[v] != "" {
			line++
			bad = append(bad, line)
			text.WriteString(places[v] + "\n")
		}
		line, good = line+1, good+1
		fmt.Fprintf(&text, `{"externalId": "v%d", "clientExternalId": %q, "record": {"date": {"year": %d, "month": %d, "day": %d}, "works": ["IMPORTED_WORK_HYDROXIDE"], "productText": "old jar, invented", "minutes": %d, "resultText": "smooth"}}`+"\n",
			v, client, 2015+v%10, 1+draw.IntN(12), 1+draw.IntN(28), 10+draw.IntN(8))
	}
	if err := os.WriteFile(path, text.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return bad, good
}

// refusedLine finds the numbers of lines in what the command prints.
var refusedLine = regexp.MustCompile(`(?m)^line (\d+): (.+)$`)

// refusedIn are the numbers of the lines that the command has printed.
func refusedIn(out string) (lines []int64) {
	for _, found := range refusedLine.FindAllStringSubmatch(out, -1) {
		n, _ := strconv.ParseInt(found[1], 10, 64)
		lines = append(lines, n)
	}
	return lines
}

// TestImportFile imports a file with bad lines: a dry run stores nothing and names exactly
// those; an import that was killed continues; importing the file again changes nothing.
func TestImportFile(t *testing.T) {
	t.Parallel()
	visits := importedVisits()
	file, reported := filepath.Join(t.TempDir(), "visits.ndjson"), filepath.Join(t.TempDir(), "report.ndjson")
	bad, good := writeVisits(t, file, visits)
	p := start(t, "serve", "--data-dir", publicDir(t), "--address", "127.0.0.1:0")
	conn := p.healthy(t)
	ctx := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Development role=operator name=operators/site")
	if _, err := pb.NewDirectoryServiceClient(conn).CreateChain(ctx, &pb.CreateChainRequest{ChainId: "ebb", Chain: &pb.Chain{DisplayName: "Invented"}, RequestId: uuid.NewString()}); err != nil {
		t.Fatal(err)
	}
	service := pb.NewImportServiceClient(conn)
	manager := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Development role=manager name=chains/ebb/managers/odile")
	args := []string{"import", file, "--chain", "chains/ebb", "--system", "card-index", "--address", p.address}
	command := func(more ...string) (out, problems string, took time.Duration) {
		t.Helper()
		var o, e bytes.Buffer
		began := time.Now()
		if code := run(t.Context(), append(slices.Clone(args), more...), streams{&o, &e}); code != 3 {
			t.Fatalf("%v: exit code %d\n%s%s", more, code, &o, &e)
		}
		return o.String(), e.String(), time.Since(began)
	}
	imports := func() []*pb.Import {
		t.Helper()
		answer, err := service.ListImports(manager, &pb.ListImportsRequest{Parent: "chains/ebb"})
		if err != nil {
			t.Fatal(err)
		}
		return answer.Imports
	}

	out, _, _ := command("--dry-run")
	if got := refusedIn(out); !slices.Equal(got, bad) {
		t.Errorf("a dry run refuses the lines %v, want %v\n%s", got, bad, out)
	}
	if !strings.Contains(out, fmt.Sprintf("items would be stored: %d,", good)) {
		t.Errorf("a dry run says %s", out)
	}
	if left := imports(); len(left) > 0 {
		t.Errorf("a dry run left %v", left)
	}

	killed := exec.Command(os.Args[0], args...)
	killed.Env = append(os.Environ(), "ALKALOG_TEST_AS_SERVER=1")
	if err := killed.Start(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the import has begun", func() bool { return len(imports()) > 0 })
	killed.Process.Kill()
	killed.Wait()
	at := imports()[0]
	if at.CreatedItems == 0 {
		t.Fatalf("before it was killed it had stored %v", at)
	}
	t.Logf("killed after line %d of %d", at.Position, good+int64(len(bad)))

	out, problems, took := command()
	if at.CreatedItems < good && !strings.Contains(problems, "continuing after line ") {
		t.Errorf("it does not continue: %s", problems)
	}
	done := imports()[0]
	if done.CreatedItems != good {
		t.Errorf("%d items are stored, want %d\n%s", done.CreatedItems, good, out)
	}
	t.Logf("%d items in %s: %.0f visits a second", done.CreatedItems-at.CreatedItems, took.Round(time.Millisecond), float64(done.CreatedItems-at.CreatedItems)*float64(visits)/float64(good)/took.Seconds())

	out, _, took = command("--from-start", "--report", reported)
	if got := refusedIn(out); !slices.Equal(got, bad) {
		t.Errorf("the second run refuses the lines %v, want %v", got, bad)
	}
	if want := fmt.Sprintf("items stored: 0, there already: %d (saying something else than the file: 0), refused: %d", good, len(bad)); !strings.Contains(out, want) {
		t.Errorf("the second run says %s, want %s", out, want)
	}
	t.Logf("the second run took %s", took.Round(time.Millisecond))
	wantReport(t, reported, good, bad)
	listed, err := service.ListImportedRecords(manager, &pb.ListImportedRecordsRequest{Parent: clientOfFirst(t, manager, conn)})
	if err != nil || len(listed.ImportedRecords) != visitsPerClient {
		t.Errorf("the first client has %d records, %v; want %d", len(listed.GetImportedRecords()), err, visitsPerClient)
	}
}

// wantReport checks the file of the report: a line for each item, and nothing of what the
// items say.
func wantReport(t *testing.T, path string, good int64, bad []int64) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.Split(bytes.TrimSpace(text), []byte("\n"))
	if len(lines) != int(good)+len(bad) {
		t.Errorf("the report has %d lines, want %d", len(lines), int(good)+len(bad))
	}
	var refused []int64
	for _, line := range lines {
		var r struct {
			Line    int64
			Outcome string
		}
		if err := json.Unmarshal(line, &r); err != nil {
			t.Fatal(err)
		}
		if r.Outcome == "REFUSED" || r.Outcome == "CLIENT_UNKNOWN" {
			refused = append(refused, r.Line)
		}
	}
	if !slices.Equal(refused, bad) {
		t.Errorf("the report refuses %v, want %v", refused, bad)
	}
	for _, secret := range []string{"Invented client", "+44 20", "old jar", "smooth"} {
		if bytes.Contains(text, []byte(secret)) {
			t.Errorf("the report holds %q", secret)
		}
	}
}

// TestImportCSV imports columns by a mapping: several items a line, dates, values, lists, and
// cells that do not fit.
func TestImportCSV(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	csv := write("cards.csv", "Card;Name;Born;Done on;What;Minutes;Warnings;Remark\n"+
		"17;Ilka Marr;04.03.1991;17.05.2024;Relaxer;12,5;allergy|keloids;\"two\nlines\"\n"+
		"17;Ilka Marr;04.03.1991;2024;Colour;;;\n"+
		"18;Bo Tarn;;18.05.2024;Juggling;;;\n"+
		"19;Una Feld;31.02.1990;18.05.2024;Colour;;;\n"+
		"20;Ada Holm;01.01.1980;18.06.2024;Colour;a lot;;\n"+
		"21;Eik Roon;01.01.1980;;;;;\n")
	mapping := write("cards.yaml", `
delimiter: ";"
items:
  - fields:
      external_id: {column: Card}
      client.display_name: {column: Name}
      client.birth_date: {column: Born, date: DD.MM.YYYY}
  - when: Done on
    fields:
      external_id: {column: Done on, prefix: "card-17-"}
      client_external_id: {column: Card}
      record.date: {column: Done on, date: DD.MM.YYYY}
      record.works: {column: What, split: "|", values: {relaxer: IMPORTED_WORK_HYDROXIDE, colour: IMPORTED_WORK_PERMANENT_COLOUR}}
      record.minutes: {column: Minutes}
      record.warnings: {column: Warnings, split: "|", values: {allergy: WARNING_ALLERGY, keloids: WARNING_KELOIDS}}
      record.remarks: {column: Remark}
`)
	p := start(t, "serve", "--data-dir", publicDir(t), "--address", "127.0.0.1:0")
	conn := p.healthy(t)
	ctx := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Development role=operator name=operators/site")
	if _, err := pb.NewDirectoryServiceClient(conn).CreateChain(ctx, &pb.CreateChainRequest{ChainId: "ebb", Chain: &pb.Chain{DisplayName: "Invented"}, RequestId: uuid.NewString()}); err != nil {
		t.Fatal(err)
	}
	var o, e bytes.Buffer
	code := run(t.Context(), []string{"import", csv, "--mapping", mapping, "--chain", "chains/ebb", "--system", "card-index", "--address", p.address}, streams{&o, &e})
	// A cell with a line break makes the second card one of lines 2 and 3.
	if got := refusedIn(o.String()); code != 3 || !slices.Equal(got, []int64{4, 5, 6, 7}) {
		t.Errorf("exit code %d, refused %v\n%s%s", code, got, &o, &e)
	}
	for _, want := range []string{"record.date must be a date as DD.MM.YYYY", "record.works must be one of the values that the mapping lists", "client.birth_date must be a date", "record.minutes must be a number",
		"items stored: 3,"} {
		if !strings.Contains(o.String(), want) {
			t.Errorf("it does not say %q:\n%s", want, &o)
		}
	}
	for _, quoted := range []string{"Juggling", "a lot", "31.02"} {
		if strings.Contains(o.String()+e.String(), quoted) {
			t.Errorf("it quotes the cell %q:\n%s%s", quoted, &o, &e)
		}
	}
	manager := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Development role=manager name=chains/ebb/managers/odile")
	clients, err := pb.NewConsultationServiceClient(conn).ListClients(manager, &pb.ListClientsRequest{Parent: "chains/ebb", ExternalId: "17"})
	if err != nil || len(clients.Clients) != 1 || clients.Clients[0].BirthDate != "1991-03-04" {
		t.Fatalf("%v, %v", clients, err)
	}
	records, err := pb.NewImportServiceClient(conn).ListImportedRecords(manager, &pb.ListImportedRecordsRequest{Parent: clients.Clients[0].Name})
	if err != nil || len(records.ImportedRecords) != 1 {
		t.Fatalf("%v, %v", records, err)
	}
	if r := records.ImportedRecords[0]; r.GetMinutes() != 12.5 || len(r.Warnings) != 2 || r.Date.Day != 17 || r.Remarks != "two\nlines" {
		t.Errorf("the record is %v", r)
	}
	for text, want := range map[string]string{
		"items: []": "must have items",
		"items: [{fields: {record.works: {text: x}}}]":   "split must be given",
		"items: [{fields: {record.verdict: {text: x}}}]": "is no field",
		"items: [{fields: {external_id: {}}}]":           "either a column or a text",
		"items: [{fields: {external_id: {columns: x}}}]": "columns not found",
		"items: [{fields: {external_id: {column: x}}}]":  `no column "x"`,
	} {
		o.Reset()
		e.Reset()
		code := run(t.Context(), []string{"import", csv, "--mapping", write("bad.yaml", text), "--chain", "chains/ebb", "--system", "card-index", "--address", p.address}, streams{&o, &e})
		if code != 2 || !strings.Contains(e.String(), want) {
			t.Errorf("%s: exit code %d, %s; want 2 and %q", text, code, &e, want)
		}
	}
}

// clientOfFirst is the name of the first client of the file.
func clientOfFirst(t *testing.T, ctx context.Context, conn grpc.ClientConnInterface) string {
	t.Helper()
	answer, err := pb.NewConsultationServiceClient(conn).ListClients(ctx, &pb.ListClientsRequest{Parent: "chains/ebb", ExternalId: "m0"})
	if err != nil || len(answer.Clients) != 1 {
		t.Fatalf("%v, %v", answer, err)
	}
	return answer.Clients[0].Name
}
