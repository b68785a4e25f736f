package report

import (
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// TestCountsAreInWords: a page counts one as one.
func TestCountsAreInWords(t *testing.T) {
	t.Parallel()
	for attempts, want := range map[int32]string{1: "in 1 attempt with confirmed marks", 2: "in 2 attempts with confirmed marks"} {
		var page strings.Builder
		if err := WriteCertificate(&page, "Ebb School", "Ola", &pb.ClassStudent{PracticeMinutes: 90, Attempts: attempts}); err != nil || !strings.Contains(page.String(), want) {
			t.Errorf("the certificate does not have %q: %v\n%s", want, err, page.String())
		}
	}
	for uncounted, want := range map[int64]string{1: "1 recorded entry is not counted", 2: "2 recorded entries are not counted"} {
		f := facts(t)
		f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_KIND].Uncounted = uncounted
		if !strings.Contains(page(t, f), want) {
			t.Errorf("the report does not have %q", want)
		}
	}
}
