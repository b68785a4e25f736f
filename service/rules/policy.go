package rules

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// A policy is a text: YAML files, in order of name, joined. It is written for people who
// know hair and no code, so a rule stands there with its reason, its source, who may set
// it aside, and worked cases. The cases are run as tests and are not part of the text
// that is kept, so that a case can be added without making a new policy.
//
// Everything in the text is checked when it is read: a key that nothing reads, a word
// that is no enum value, a parameter that does not exist. A mistake must not turn into a
// rule that is never asked.

// The built-in policy: one file per family of rules, with the cases that show
// when each rule fires, stays silent and waits for an answer.
//
//go:embed policy/*.yaml
var builtIn embed.FS

// document is one file of a policy. Every part may be missing.
// A later document adds to the earlier ones; only a number or a question of the same
// name takes the place of an earlier one.
type document struct {
	Family       string             `yaml:"family"`
	About        string             `yaml:"about"`
	Parameters   map[string]float64 `yaml:"parameters"`
	Rules        []ruleText         `yaml:"rules"`
	Questions    map[string]string  `yaml:"questions"`
	Strength     []stepText         `yaml:"strength"`
	Alternatives []alternativeText  `yaml:"alternatives"`
	Cautions     []string           `yaml:"cautions"`
	Statements   []statementText    `yaml:"statements"`
	Together     []togetherText     `yaml:"together"`
}

// ruleText is a rule as its file has it.
// A missing layer is BUILT_IN and a missing scope CASE. A missing severity or kind
// of basis is an error. Without terms of override nobody may override the finding.
type ruleText struct {
	ID            string    `yaml:"id"`
	Version       int32     `yaml:"version"`
	Layer         string    `yaml:"layer"`
	Severity      string    `yaml:"severity"`
	Scope         string    `yaml:"scope"`
	Jurisdictions []string  `yaml:"jurisdictions"`
	When          string    `yaml:"when"`
	Message       string    `yaml:"message"`
	BeforeContact bool      `yaml:"before_contact"`
	Wait          *waitText `yaml:"wait"`
	Cause         string    `yaml:"cause"`
	Basis         basisText `yaml:"basis"`
	Override      *struct {
		Roles   []string          `yaml:"roles"`
		Reasons map[string]string `yaml:"reasons"`
		Alone   *struct {
			MinimumHours *int32 `yaml:"minimum_hours"`
			MinimumDays  *int32 `yaml:"minimum_days"`
		} `yaml:"alone"`
	} `yaml:"override"`
	Cases []caseText `yaml:"cases"`
}

// basisText is what something rests on: how well it is founded, and the source in
// words.
type basisText struct {
	Kind   string `yaml:"kind"`
	Source string `yaml:"source"`
}

// caseText is a worked case of a rule: the sound head of the tests with some
// answers changed, and what the rule then does.
type caseText struct {
	Name   string               `yaml:"name"`
	Given  map[string]yaml.Node `yaml:"given"`
	Expect string               `yaml:"expect"`
}

// stepText moves the recommended strength when its condition holds.
// Steps are applied in the order of the file, each to the result of the one before.
type stepText struct {
	When    string `yaml:"when"`
	Scope   string `yaml:"scope"`
	To      string `yaml:"to"`
	AtMost  string `yaml:"at_most"`
	Lower   bool   `yaml:"lower"`
	None    bool   `yaml:"none"`
	Because string `yaml:"because"`
}

// alternativeText is something gentler, and what speaks against it.
type alternativeText struct {
	ID       string    `yaml:"id"`
	Title    string    `yaml:"title"`
	Basis    basisText `yaml:"basis"`
	Cautions []string  `yaml:"cautions"`
	// NotIn are the places whose law does not let it be offered at all.
	NotIn   []string `yaml:"not_in"`
	Against []struct {
		When    string `yaml:"when"`
		Scope   string `yaml:"scope"`
		Caution string `yaml:"caution"`
	} `yaml:"against"`
}

// builtInText is the built-in policy as one text: its files, in order of name.
// That is also the order of the rules in decisions, so a file that gets another name
// makes another policy.
func builtInText() ([]byte, error) {
	entries, err := builtIn.ReadDir("policy")
	if err != nil {
		return nil, err
	}
	var text []byte
	for _, e := range entries {
		file, err := builtIn.ReadFile("policy/" + e.Name())
		if err != nil {
			return nil, err
		}
		text = append(append(text, "---\n"...), file...)
	}
	return text, nil
}

// The text that is kept is compared by digest for as long as decisions are, so what is
// in it must not change by accident. Comments of the files are in it: the reason for a
// rule is evidence too.

// withoutCases leaves the worked cases out of a policy's text: they show what a
// rule does and change nothing in it. A case is one line of its file.
func withoutCases(text []byte) []byte {
	var kept []byte
	for line := range bytes.Lines(text) {
		if !bytes.HasPrefix(line, []byte("    cases:")) && !bytes.HasPrefix(line, []byte("      - {name: ")) {
			kept = append(kept, line...)
		}
	}
	return kept
}

// Documents are separated by the line that YAML itself uses for that. They are decoded
// one by one with unknown keys refused: "serverity: REFUSE" would otherwise be a rule
// without a severity.

// parse reads a policy's documents. A key that nothing reads is an error.
func parse(text []byte) ([]document, error) {
	parts := bytes.Split(text, []byte("---\n"))[1:]
	documents, errs := make([]document, len(parts)), make([]error, len(parts))
	var decoding sync.WaitGroup
	for i, part := range parts {
		decoding.Go(func() {
			decoder := yaml.NewDecoder(bytes.NewReader(part))
			decoder.KnownFields(true)
			errs[i] = decoder.Decode(&documents[i])
		})
	}
	decoding.Wait()
	return documents, errors.Join(errs...)
}

// Reasons of override are a map in the file and a list in the contract. They are sorted
// by code, because the order of a map is not one, and decisions that replay must list
// them in the same order.

// rule is the contract's form of a rule text.
// All problems of a rule are reported together, with its id.
func (t *ruleText) rule() (*pb.Rule, error) {
	layer, errLayer := number("LAYER_", pb.Layer_value, or(t.Layer, "BUILT_IN"))
	scope, errScope := number("RULE_SCOPE_", pb.RuleScope_value, or(t.Scope, "CASE"))
	severity, errSeverity := number("SEVERITY_", pb.Severity_value, t.Severity)
	basis, errBasis := number("BASIS_KIND_", pb.BasisKind_value, t.Basis.Kind)
	r := &pb.Rule{
		RuleId: t.ID, Version: t.Version, Layer: pb.Layer(layer), Scope: pb.RuleScope(scope), Severity: pb.Severity(severity),
		Expression: expressionOf(t), Message: strings.TrimSpace(t.Message), Wait: t.Wait.wait(), Cause: t.Cause,
		Basis:         &pb.Basis{Kind: pb.BasisKind(basis), Source: strings.TrimSpace(t.Basis.Source)},
		OverrideTerms: &pb.OverrideTerms{}, BeforeContact: t.BeforeContact,
	}
	errs := []error{errLayer, errScope, errSeverity, errBasis}
	for _, place := range t.Jurisdictions {
		_, err := number("JURISDICTION_", pb.Jurisdiction_value, place)
		errs = append(errs, err)
		r.Jurisdictions = append(r.Jurisdictions, "JURISDICTION_"+place)
	}
	if t.Override != nil {
		r.OverrideTerms.Allowed = true
		for _, name := range t.Override.Roles {
			role, err := number("ROLE_", pb.Role_value, name)
			errs = append(errs, err)
			r.OverrideTerms.Roles = append(r.OverrideTerms.Roles, pb.Role(role))
		}
		for code, description := range t.Override.Reasons {
			r.OverrideTerms.Reasons = append(r.OverrideTerms.Reasons, &pb.OverrideReason{Code: code, Description: description})
		}
		if alone := t.Override.Alone; alone != nil {
			r.OverrideTerms.Alone = true
			r.OverrideTerms.AloneMinimumHours, r.OverrideTerms.AloneMinimumDays = alone.MinimumHours, alone.MinimumDays
		}
		slices.SortFunc(r.OverrideTerms.Reasons, func(a, b *pb.OverrideReason) int { return strings.Compare(a.GetCode(), b.GetCode()) })
	}
	if err := errors.Join(errs...); err != nil {
		return nil, fmt.Errorf("rule %s: %w", t.ID, err)
	}
	return r, nil
}

// expressionOf is when a rule fires; a rule that only waits needs no expression.
func expressionOf(t *ruleText) string {
	if t.Wait != nil && t.When == "" {
		return "true"
	}
	return strings.TrimSpace(t.When)
}

// Files use the short names of enum values, "REFUSE" for SEVERITY_REFUSE: the prefix is
// the contract's business.

// number finds an enum's value by its name without the prefix.
func number(prefix string, values map[string]int32, name string) (int32, error) {
	n, ok := values[prefix+name]
	if !ok {
		return 0, fmt.Errorf("there is no %s%s", prefix, name)
	}
	return n, nil
}

// or is a text, or another when it is empty.
func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// setParameters puts named numbers into parameters. A number that two documents set is
// that of the later one.
func setParameters(into *pb.PolicyParameters, numbers map[string]float64) error {
	m := into.ProtoReflect()
	for name, n := range numbers {
		f := m.Descriptor().Fields().ByName(protoreflect.Name(name))
		switch {
		case f == nil:
			return fmt.Errorf("there is no parameter %s", name)
		case f.Kind() == protoreflect.Int32Kind:
			m.Set(f, protoreflect.ValueOfInt32(int32(n)))
		default:
			m.Set(f, protoreflect.ValueOfFloat64(n))
		}
	}
	return nil
}

// digest is the SHA-256 of a text, in lower-case hex.
func digest(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}
