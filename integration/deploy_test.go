package integration

import (
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"alkalog/server/serve"
	"alkalog/storage/storagetest"
)

// The promise: the files that an operator deploys fit the server that is shipped with them.

// metricName is a metric of the server in a query.
var metricName = regexp.MustCompile(`\balkalog_[a-z_]+`)

// onlyWithCertificates are metrics that a server without TLS does not have.
var onlyWithCertificates = []string{"alkalog_certificate_remaining_seconds"}

// TestDeployedQueriesNameMetrics: every metric that an alert or the dashboard asks for
// is one that a server serves. An alert on a metric that does not exist never fires.
func TestDeployedQueriesNameMetrics(t *testing.T) {
	t.Parallel()
	s := &testServer{clock: &clock{now: time.Now().UTC()}, database: storagetest.NewDatabase(t), keys: newKeys(t),
		configure: func(c *serve.Config) { c.MetricsAddress = "127.0.0.1:0" }}
	s.sql = s.database.SQL(t, "")
	s.start(t)
	s.newChain(t, "metrics")
	answer, err := http.Get("http://" + s.metrics + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	served := metricName.FindAllString(string(text), -1)
	for _, file := range []string{"alerts.yml", "alerts_test.yml", "dashboard.json"} {
		content, err := os.ReadFile("../server/deploy/" + file)
		if err != nil {
			t.Fatal(err)
		}
		named := metricName.FindAllString(string(content), -1)
		if len(named) < 10 {
			t.Errorf("%s names %d metrics", file, len(named))
		}
		for _, name := range named {
			if !slices.Contains(served, name) && !slices.Contains(onlyWithCertificates, name) {
				t.Errorf("%s asks for %s, which no server has", file, name)
			}
		}
		if strings.HasSuffix(file, ".json") && !json.Valid(content) {
			t.Errorf("%s is no JSON", file)
		}
	}
}

// TestAlertsAreComplete: every metric that the operations page tells an operator to alert
// on has an alert, and every alert fires in a case of the alerts' own tests.
func TestAlertsAreComplete(t *testing.T) {
	t.Parallel()
	read := func(file string) string {
		content, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		return string(content)
	}
	page, alerts, cases := read("../server/OPERATING.md"), read("../server/deploy/alerts.yml"), read("../server/deploy/alerts_test.yml")
	_, table, _ := strings.Cut(page, "\nAlert on these:\n")
	table, _, _ = strings.Cut(table, "\n\nBeside this page")
	named := metricName.FindAllString(table, -1)
	if len(named) < 7 {
		t.Fatalf("the page names only %v", named)
	}
	for _, name := range named {
		if !slices.Contains(metricName.FindAllString(alerts, -1), name) {
			t.Errorf("the page says to alert on %s, and no alert does", name)
		}
	}
	for _, alert := range regexp.MustCompile(`- alert: (\w+)`).FindAllStringSubmatch(alerts, -1) {
		if !strings.Contains(cases, `alertname="`+alert[1]+`"}', value: 1`) {
			t.Errorf("no case shows that %s fires", alert[1])
		}
	}
}

// TestUnitFile: systemd accepts the unit, and the commands in it exist.
func TestUnitFile(t *testing.T) {
	t.Parallel()
	content, err := os.ReadFile("../server/deploy/alkalog.service")
	if err != nil {
		t.Fatal(err)
	}
	for _, command := range []string{"ExecStart=/usr/local/bin/alkalog serve\n", "ExecStartPre=/usr/local/bin/alkalog check-config\n"} {
		if !strings.Contains(string(content), command) {
			t.Errorf("the unit lacks %q", command)
		}
	}
	program, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not installed: the unit is not checked")
	}
	out, _ := exec.Command(program, "verify", "--man=no", "../server/deploy/alkalog.service").CombinedOutput()
	for line := range strings.Lines(string(out)) {
		// The program and its user do not exist on this machine.
		if !strings.Contains(line, "is not executable: No such file") {
			t.Errorf("systemd-analyze: %s", line)
		}
	}
}
