package marking

import (
	"bytes"
	_ "embed" // for the criteria
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"

	pb "alkalog/proto/alkalogv1"
)

// criteriaText is the file of the criteria.
//
//go:embed criteria.yaml
var criteriaText []byte

// criteria is the file as it is read.
// A field that it does not have is an error, so a misspelt line cannot be overlooked.
type criteria struct {
	Revision int32
	Sources  map[string]struct{ Kind, Source string }
	Analysis []analysisCriterion
	Findings struct {
		Refuse, Refer, Ask int32
		Invented           criterion
	}
	Verdict criterion
	Plan    struct {
		Condition                                   int32
		Strength, Alternative, Explained, Agreement criterion
	}
	Card      []cardCriterion
	Procedure []procedureCriterion
}

// criterion is a line of the file. Its basis is a name in sources.
type criterion struct {
	ID, Title, Source string
	Weight            int32
}

// analysisCriterion is an element of the analysis. Fields are paths inside the
// consultation, without the keys of lists; each stands for itself and all below it.
type analysisCriterion struct {
	criterion `yaml:",inline"`
	Fields    []string
}

// cardCriterion is an element of the record card; service: of a service that was done.
type cardCriterion struct {
	criterion `yaml:",inline"`
	Element   string
	Service   bool
}

// procedureCriterion is a part of the practice service.
type procedureCriterion struct {
	criterion   `yaml:",inline"`
	Deviations  []string // kinds, without the enum's prefix
	Fact        string   // that must be recorded, as its field in Event; empty: none
	OneIsPartly bool     `yaml:"one_is_partly"`
	Hygiene     bool
}

// builtIn are the criteria of this program.
var builtIn = mustLoad(criteriaText)

// Revision is that of the criteria; a sheet states it.
// Sheets of different revisions can have different criteria and are compared with care.
func Revision() int32 { return builtIn.Revision }

// mustLoad reads the file of the criteria; a mistake in it is a fault of the program.
func mustLoad(text []byte) *criteria {
	c, err := load(text)
	if err != nil {
		panic("marking: criteria.yaml: " + err.Error())
	}
	return c
}

// load reads and checks a file of criteria. A field or an enum's value that does not
// exist is an error: it would be a criterion that everybody meets.
// Every criterion needs a source. What is only our own opinion says so there.
func load(text []byte) (*criteria, error) {
	decoder := yaml.NewDecoder(bytes.NewReader(text))
	decoder.KnownFields(true)
	c := &criteria{}
	if err := decoder.Decode(c); err != nil {
		return nil, err
	}
	for _, e := range c.Card {
		if pb.CardElement_value[e.Element] == 0 {
			return nil, fmt.Errorf("%s: no element %q", e.ID, e.Element)
		}
	}
	for _, p := range c.Procedure {
		for _, kind := range p.Deviations {
			if pb.DeviationKind_value["DEVIATION_KIND_"+kind] == 0 {
				return nil, fmt.Errorf("%s: no deviation %q", p.ID, kind)
			}
		}
		if p.Fact != "" && (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("fact").Fields().ByTextName(p.Fact) == nil {
			return nil, fmt.Errorf("%s: no fact %q", p.ID, p.Fact)
		}
	}
	for _, line := range c.lines() {
		if _, known := c.Sources[line.Source]; !known || line.ID == "" || line.Title == "" || line.Weight <= 0 {
			return nil, fmt.Errorf("%q: needs an id, a title, a weight and a source that is listed", line.ID)
		}
	}
	return c, nil
}

// lines are all criteria that are written out.
// The criteria that are made for a case are not among them: they take their titles and
// sources from the rules.
func (c *criteria) lines() []criterion {
	lines := []criterion{c.Findings.Invented, c.Verdict, c.Plan.Strength, c.Plan.Alternative, c.Plan.Explained, c.Plan.Agreement}
	for _, a := range c.Analysis {
		lines = append(lines, a.criterion)
	}
	for _, e := range c.Card {
		lines = append(lines, e.criterion)
	}
	for _, p := range c.Procedure {
		lines = append(lines, p.criterion)
	}
	return lines
}

// of is a line as the contract's message.
func (c *criteria) of(line criterion, group pb.CriterionGroup) *pb.Criterion {
	source := c.Sources[line.Source]
	kind := strings.ToUpper(strings.ReplaceAll(source.Kind, "-", "_"))
	return &pb.Criterion{CriterionId: line.ID, Title: line.Title, Group: group, Weight: &line.Weight,
		Basis: &pb.Basis{Kind: pb.BasisKind(pb.BasisKind_value["BASIS_KIND_"+kind]), Source: source.Source}}
}

// weightOf is the weight of a finding.
// An unknown severity weighs as much as a refusal.
func (c *criteria) weightOf(severity pb.Severity) int32 {
	switch severity {
	case pb.Severity_SEVERITY_CONDITION:
		return c.Plan.Condition
	case pb.Severity_SEVERITY_ASK:
		return c.Findings.Ask
	case pb.Severity_SEVERITY_REFER:
		return c.Findings.Refer
	}
	return c.Findings.Refuse // also a severity that this program does not know
}
