package main

import (
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
)

// TestStartSaysWhatItDoes starts a server on a new private database: each step that takes
// time is announced before it, and a browser finds the workbench at the web door.
func TestStartSaysWhatItDoes(t *testing.T) {
	t.Parallel()
	p := start(t, "--data-dir", publicDir(t), "--address", "127.0.0.1:0", "--web-address", "127.0.0.1:0")
	said := p.said
	for _, step := range []string{"compiling the rules\n", "starting a private PostgreSQL in ", "migrating the schema\n", "opening the audit logs\n", "alkalog listens on "} {
		_, after, found := strings.Cut(said, step)
		if !found {
			t.Fatalf("%q is missing, or not in its order:\n%s", step, p.said)
		}
		said = after
	}
	page := regexp.MustCompile(`web +(http://\S+) \(a browser shows the workbench there\)`).FindStringSubmatch(p.said)
	if page == nil {
		t.Fatalf("nothing says where the workbench is:\n%s", p.said)
	}
	response, err := http.Get(page[1] + "/")
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil || response.StatusCode != http.StatusOK || !strings.Contains(string(body), "<title>alkalog workbench</title>") {
		t.Errorf("%s answers %s (%v):\n%s", page[1], response.Status, err, body)
	}
}
