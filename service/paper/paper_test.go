package paper

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/texts"
)

const hostile = `<script>alert("x")</script>"><img src=x onerror=y>`

// A document has no markup but its own, whatever a name or an advice holds, and the
// same record gives the same bytes.
func TestDocumentsEscapeAndRepeat(t *testing.T) {
	text, ok := texts.ConsentText("", "fr")
	if !ok {
		t.Fatal("there is no current consent text")
	}
	card := &pb.RecordCard{Visits: []*pb.Visit{{HomeCareAdvice: []string{hostile}}}}
	for name, print := range map[string]func() ([]byte, error){
		"consent":   func() ([]byte, error) { return Consent(text, hostile) },
		"aftercare": func() ([]byte, error) { return Aftercare(card, hostile, hostile, time.UTC) },
	} {
		first, err := print()
		if err != nil {
			t.Fatal(err)
		}
		again, _ := print()
		if !bytes.Equal(first, again) {
			t.Errorf("%s: printed twice, it differs", name)
		}
		page := string(first)
		for _, bad := range []string{"<script", "<img", "<link", "src=x onerror=y>", "http"} {
			if strings.Contains(page, bad) {
				t.Errorf("%s contains %q", name, bad)
			}
		}
		if !strings.Contains(page, "&lt;script&gt;") {
			t.Errorf("%s: the name is not on it", name)
		}
	}
}

// The consent page shows every line of the text, its version and its digest.
func TestConsentIsWhole(t *testing.T) {
	text, _ := texts.ConsentText("chemical-1", texts.English)
	page, err := Consent(text, "Wren")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range append(text.Lines, text.Version, text.Digest, "Wren", "Guardian, for a minor") {
		line = strings.ReplaceAll(strings.TrimPrefix(line, "- "), "'", "&#39;")
		if !strings.Contains(string(page), line) {
			t.Errorf("%q is not on the page", line)
		}
	}
}

// The sheet for home has the salon's advice, the usual one, and whom to call.
func TestAftercare(t *testing.T) {
	card := &pb.RecordCard{Visits: []*pb.Visit{{HomeCareAdvice: []string{"Moisturise the ends."}}, {HomeCareAdvice: []string{"Older advice."}}}}
	page, err := Aftercare(card, "Wren", "112", time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range append([]string{"<li>Moisturise the ends.</li>", "Call 112 at once"}, homeCare...) {
		if !strings.Contains(string(page), want) {
			t.Errorf("%q is not on the sheet", want)
		}
	}
	if strings.Contains(string(page), "Older advice") {
		t.Error("the advice of an older visit is on the sheet")
	}
	card.NextRetouchTime = timestamppb.New(time.Date(2026, 12, 28, 22, 0, 0, 0, time.UTC))
	if page, err = Aftercare(card, "Wren", "112", time.FixedZone("east", 11*60*60)); err != nil || !strings.Contains(string(page), "not before 29 December 2026.") {
		t.Errorf("the retouch is not a day of the salon: %s %v", page, err)
	}
	if _, err := Aftercare(nil, "Wren", "112", time.UTC); err != nil {
		t.Error(err)
	}
}
