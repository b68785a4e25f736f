package rules

import (
	"maps"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

func newEngine(t testing.TB) *Engine {
	t.Helper()
	e, err := New()
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// eachRule visits every built-in rule with its text.
func eachRule(t *testing.T, e *Engine, visit func(*testing.T, ruleText, *rule)) {
	t.Helper()
	n := 0
	for _, d := range e.documents {
		for _, text := range d.Rules {
			r := e.builtInRules[n]
			n++
			t.Run(text.ID, func(t *testing.T) { visit(t, text, r) })
		}
	}
}

// Every rule carries its own cases; each of them comes out as it says.
func TestRuleCases(t *testing.T) {
	e := newEngine(t)
	eachRule(t, e, func(t *testing.T, text ruleText, r *rule) {
		seen := map[string]bool{}
		for _, c := range text.Cases {
			seen[c.Expect] = true
			t.Run(strings.ReplaceAll(c.Name, " ", "-"), func(t *testing.T) {
				if got := outcome(t, e, r, c); got != c.Expect {
					t.Errorf("%s, want %s", got, c.Expect)
				}
			})
		}
		if !seen["FIRES"] || !seen["SILENT"] || !seen["WAITS"] && r.asks(e.lang) {
			t.Errorf("cases: %v; wanted one that fires, one that is silent and, if it asks, one that waits", seen)
		}
	})
}

// asks tells whether the rule reads any answer; one that reads only what the
// chain knows never waits.
func (r *rule) asks(b *language) bool {
	for _, i := range r.fields {
		if b.fields[i].asked || b.fields[i].derived {
			return true
		}
	}
	return false
}

// outcome puts one rule to one case: FIRES, SILENT, WAITS, or what went wrong.
func outcome(t *testing.T, e *Engine, r *rule, c caseText) string {
	t.Helper()
	in := soundHead()
	zone := pb.Zone_ZONE_MID_STRAND
	if node, ok := c.Given["zone.zone"]; ok {
		zone = pb.Zone(pb.Zone_value["ZONE_"+node.Value])
	}
	changes := maps.Clone(c.Given)
	delete(changes, "zone.zone")
	given(t, in, zone, changes)
	s := opened(t, e, e.withParameters(in))
	s.enterZone(zone)
	s.enterSection(in.GetConsultation().GetHair().GetSections()[0])
	answer, missing, err := r.test(s)
	switch {
	case err != nil:
		return err.Error()
	case r.places&jurisdictionBit(in.GetSalon().GetJurisdiction()) == 0:
		return "SILENT"
	case len(missing) > 0:
		return "WAITS"
	case answer:
		return "FIRES"
	}
	return "SILENT"
}
