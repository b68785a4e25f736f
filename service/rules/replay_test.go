package rules

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

var update = flag.Bool("update", false, "write the golden files anew, and archive the policy of today")

// keeper is a place where texts are kept by digest.
type keeper map[string][]byte

func (k keeper) keep(texts []Text) {
	for _, text := range texts {
		k[text.Digest] = text.Body
	}
}

func (k keeper) find(digest string) ([]byte, error) {
	if text, ok := k[digest]; ok {
		return text, nil
	}
	return nil, errors.New("not kept")
}

// A decision is made again from its inputs and the texts kept with it.
func TestReplayFromKeptTexts(t *testing.T) {
	e := newEngine(t)
	kept := keeper{}
	for _, in := range story() {
		d := mustDecide(t, e, in)
		kept.keep(e.Texts(in.GetHousePolicy()))
		old, err := Restore(d.GetPolicyDigest(), kept.find)
		if err != nil {
			t.Fatal(err)
		}
		if differences := Compare(d, mustDecide(t, old, d.GetInputs())); len(differences) > 0 {
			t.Errorf("made again, it differs: %v", differences)
		}
	}
}

// A replay uses the code of the revision that decided, and refuses to guess what
// the code of a later revision would have answered.
func TestDecideAsARevision(t *testing.T) {
	e := newEngine(t)
	in := soundHead()
	now, before := mustDecide(t, e, in), decideAs(t, e, 0, in)
	if now.EngineRevision != Revision || before.EngineRevision != 0 {
		t.Errorf("decided as revisions %d and %d", now.EngineRevision, before.EngineRevision)
	}
	for _, c := range before.Conditions {
		if c.Subject != "" || c.BeforeContact {
			t.Errorf("revision 0 did not say when or what a condition is about: %v", c)
		}
	}
	for _, revision := range []int32{-1, Revision + 1} {
		if d, err := e.DecideAs(revision, in); err == nil {
			t.Errorf("decided as revision %d: %v", revision, d)
		}
	}
}

func TestRestoreTrustsNothing(t *testing.T) {
	e := newEngine(t)
	texts := e.Texts(nil)
	kept := keeper{}
	if _, err := Restore(texts[0].Digest, kept.find); err == nil {
		t.Error("restored from nothing")
	}
	kept.keep(texts)
	kept[texts[1].Digest] = []byte(strings.Replace(string(texts[1].Body), "REFUSE", "CONDITION", 1))
	if _, err := Restore(texts[0].Digest, kept.find); err == nil {
		t.Error("restored from a text that was changed")
	}
	kept[texts[0].Digest] = []byte("house rules\n")
	if _, err := Restore(texts[0].Digest, kept.find); err == nil {
		t.Error("restored from a first text that was changed")
	}
}

func TestLoadRefusesWhatItCannotRead(t *testing.T) {
	for name, text := range map[string]string{
		"nothing":                      "",
		"no rules":                     "---\ncautions: [take care]\n",
		"a key that nothing reads":     "---\nrules:\n  - {id: a.b, verdict: REFUSE}\n",
		"a severity that is none":      "---\nrules:\n  - {id: a.b, version: 1, severity: SCOLD, when: 'true', message: m, basis: {kind: HOUSE}}\n",
		"an expression that is none":   "---\nrules:\n  - {id: a.b, version: 1, severity: ASK, when: 'maybe', message: m, basis: {kind: HOUSE}}\n",
		"a parameter that is none":     "---\nparameters: {patience: 3}\n",
		"a strength that is none":      "---\nstrength:\n  - {when: 'true', to: BRUTAL, because: b}\n",
		"a scope that is none":         "---\nalternatives:\n  - {title: t, against: [{when: 'true', scope: ROOM, caution: c}]}\n",
		"not YAML":                     "---\n\t:",
		"a place that is none":         "---\nrules:\n  - {id: a.b, version: 1, severity: ASK, jurisdictions: [MARS], when: 'true', message: m, basis: {kind: HOUSE}}\n",
		"a role that is none":          "---\nrules:\n  - {id: a.b, version: 1, severity: ASK, when: 'true', message: m, basis: {kind: HOUSE}, override: {roles: [OWNER]}}\n",
		"a zone in a rule of the case": "---\nrules:\n  - {id: a.b, version: 1, severity: ASK, when: 'zone.porosity == Porosity.POROUS', message: m, basis: {kind: HOUSE}}\n",
	} {
		if _, err := Load([]byte(text)); err == nil {
			t.Errorf("%s: loaded", name)
		}
	}
}

func TestCompare(t *testing.T) {
	e := newEngine(t)
	in := soundHead()
	in.Consultation.Scalp.Redness = pb.Answer_ANSWER_YES
	stored := mustDecide(t, e, in)
	for _, c := range []struct {
		name   string
		change func(*pb.Decision)
		want   string
	}{
		{"nothing", func(*pb.Decision) {}, ""},
		{"what is the record's", func(d *pb.Decision) {
			d.Name, d.CreateTime, d.Actor, d.EngineVersion = "x", timestamppb.New(today), "y", "z"
			d.Overrides, d.StandingVerdict = []*pb.Override{{}}, 1
		}, ""},
		{"the verdict", func(d *pb.Decision) { d.Verdict = 1 }, "verdict: VERDICT_REFER -> VERDICT_PROCEED"},
		{"a message", func(d *pb.Decision) { d.Findings[0].Message = "all is well" }, "findings[0].message: Ask for a doctor's note before any chemical service. The scalp is red or inflamed."},
		{"a finding more", func(d *pb.Decision) { d.Findings = append(d.Findings, &pb.Finding{}) }, "findings: 1 -> 2 of them"},
		{"no basis", func(d *pb.Decision) { d.Findings[0].Basis = nil }, "findings[0].basis: given -> none"},
		{"an input", func(d *pb.Decision) { d.Inputs.Consultation.Scalp.Redness = 1 }, "inputs.consultation.scalp.redness: ANSWER_YES -> ANSWER_NO"},
		{"a caution", func(d *pb.Decision) { d.Cautions[0] = "none" }, "cautions[0]: "},
		{"a plan", func(d *pb.Decision) { d.Plan = &pb.Plan{} }, "plan: none -> given"},
	} {
		t.Run(c.name, func(t *testing.T) {
			again := proto.CloneOf(stored)
			c.change(again)
			got := Compare(stored, again)
			if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || !strings.HasPrefix(got[0], c.want)) {
				t.Errorf("%v, want %q", got, c.want)
			}
		})
	}
}

// The archive holds every policy that was ever released, with decisions made
// under it. Today's engine makes each of them again, to the byte.
func TestArchive(t *testing.T) {
	if *update {
		archive(t)
	}
	policies, err := filepath.Glob("testdata/archive/*/policy.yaml")
	if err != nil || len(policies) == 0 {
		t.Fatalf("the archive is empty: %v", err)
	}
	for _, name := range policies {
		text, err := os.ReadFile(name)
		check0(t, err)
		old, err := Load(text)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		decisions, err := filepath.Glob(filepath.Join(filepath.Dir(name), "*.pb"))
		check0(t, err)
		if len(decisions) == 0 {
			t.Errorf("%s: no decisions were archived with it", name)
		}
		for _, file := range decisions {
			body, err := os.ReadFile(file)
			check0(t, err)
			stored := &pb.Decision{}
			check0(t, proto.Unmarshal(body, stored))
			if differences := Compare(stored, decideAs(t, old, stored.GetEngineRevision(), stored.GetInputs())); len(differences) > 0 {
				t.Errorf("%s: made again, it differs: %v", file, differences)
			}
		}
	}
}

// The policy of today is in the archive once it is released: run the tests with
// -update when the rules have changed.
func TestPolicyOfTodayIsArchived(t *testing.T) {
	e := newEngine(t)
	if _, err := os.Stat(archiveOf(e)); err != nil {
		t.Errorf("the policy %s is not archived: go test ./service/rules -update", e.textDigest)
	}
}

func archiveOf(e *Engine) string { return filepath.Join("testdata/archive", e.textDigest[:12]) }

// archive writes today's policy and the story's decisions under it.
func archive(t *testing.T) {
	t.Helper()
	e := newEngine(t)
	folder := archiveOf(e)
	check0(t, os.MkdirAll(folder, 0o755))
	check0(t, os.WriteFile(filepath.Join(folder, "policy.yaml"), e.PolicyText(), 0o644))
	for name, in := range story() {
		body, err := proto.MarshalOptions{Deterministic: true}.Marshal(mustDecide(t, e, in))
		check0(t, err)
		check0(t, os.WriteFile(filepath.Join(folder, name+".pb"), body, 0o644))
	}
}

// story is a handful of invented cases that between them reach every verdict.
func story() map[string]*pb.DecisionInputs {
	calm, nothing := soundHead(), soundHead()
	nothing.Consultation = &pb.Consultation{}
	red, overlap := soundHead(), soundHead()
	red.Consultation.Scalp.Redness = pb.Answer_ANSWER_YES
	maryland := proto.CloneOf(red)
	maryland.Salon.Jurisdiction = pb.Jurisdiction_JURISDICTION_US_MARYLAND
	overlap.Consultation.Hair.Zones[2].Thio = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(300 * day)}
	return map[string]*pb.DecisionInputs{"calm": calm, "nothing-answered": nothing, "red-scalp": red, "red-scalp-maryland": maryland, "thio-ends": overlap, "retouch": retouch()}
}

// retouch is a usual day: relaxed lengths, a base relaxer, a card of two visits
// and a house policy of ten rules.
func retouch() *pb.DecisionInputs {
	in := soundHead()
	in.ServiceKind = pb.ServiceKind_SERVICE_KIND_RETOUCH
	c := in.GetConsultation()
	c.Wishes.ServiceKind = in.ServiceKind
	c.Hair.NewGrowthMm = proto.Float64(18)
	c.History.Relaxer = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(70 * day)}
	c.History.Shampoo = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(5 * day)}
	for _, z := range c.Hair.Zones[1:] {
		z.Hydroxide = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(70 * day)}
		z.HydroxideKind = pb.HydroxideKind_HYDROXIDE_KIND_SODIUM
	}
	c.Hair.Sections = nil
	for _, id := range []string{"back-left", "back-right", "front-left", "front-right", "hairline"} {
		section := &pb.HeadSection{SectionId: id, Resistant: pb.Answer_ANSWER_NO, Fragile: pb.Answer_ANSWER_NO, Hairline: pb.Answer_ANSWER_NO}
		c.Hair.Sections = append(c.Hair.Sections, section)
	}
	c.Hair.Sections[0].Resistant, c.Hair.Sections[4].Hairline = pb.Answer_ANSWER_YES, pb.Answer_ANSWER_YES
	in.Product.Directions.BaseNeeded = pb.Answer_ANSWER_YES
	in.RecordCard = &pb.RecordCard{Visits: []*pb.Visit{{StartTime: ago(70 * day), Completed: true}, {StartTime: ago(140 * day), Completed: true}}}
	in.HousePolicy = &pb.HousePolicy{Parameters: &pb.PolicyParameters{ColourWaitDays: proto.Int32(21)}}
	for i, expression := range []string{
		"consultation.consent.age_years > 80", "consultation.hair.length_mm > 600.0", "consultation.history.undescribed_work == Answer.YES",
		"consultation.scalp.tender == Answer.YES", "product.strength == Strength.SUPER && practitioner.role == Role.STUDENT",
		"product.directions.maximum_minutes > 30", "consultation.tests.elasticity == ElasticityReading.NORMAL ? decide_time - consultation.tests.test_time > days(7) : false",
		"consultation.hair.density == Density.HIGH", "consultation.wishes.straightening_percent > 90.0", "record_card.visits.exists(v, v.strength == Strength.SUPER)",
	} {
		r := houseRuleOf(expression)
		r.RuleId += "-" + string(rune('a'+i))
		in.HousePolicy.Rules = append(in.HousePolicy.Rules, r)
	}
	return in
}

// The story reaches every verdict.
func TestStoryReachesEveryVerdict(t *testing.T) {
	e := newEngine(t)
	var seen []pb.Verdict
	for name, in := range story() {
		d := mustDecide(t, e, in)
		seen = append(seen, d.GetVerdict())
		t.Logf("%s: %s", name, d.GetVerdict())
	}
	slices.Sort(seen)
	if want := []pb.Verdict{1, 2, 3, 4, 4, 5}; !slices.Equal(seen, want) {
		t.Errorf("%v, want %v", seen, want)
	}
}
