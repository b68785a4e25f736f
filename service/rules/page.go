package rules

import (
	"fmt"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// RULES.md is generated, so that what people read and sign off is what the program runs.
// It shows each rule with its expression as it is, for those who want to check, and its
// worked cases in words, for those who do not.

// The page is part of the review of a rule: a change of a file shows here in words, with
// the basis and the terms of override beside it, and the test fails until the page is
// made anew. So nothing of a rule that matters to somebody who signs it off may be left
// out of rulePage.

// Page is the whole policy as a page of Markdown for somebody who reads no code:
// the numbers, every rule with what it demands, when, on which basis and who may
// override it, and the worked cases.
func (e *Engine) Page() []byte {
	var b []byte
	b = fmt.Appendf(b, "# The rules\n\nGenerated from the files in `policy`; do not edit. %d rules, policy text SHA-256 `%s`, engine version %s.\n", len(e.builtInRules), e.textDigest, Version)
	b = append(b, pageHead...)
	// The built rules are in the order of the documents, so each document takes its
	// own from the front.
	next := e.builtInRules
	for _, d := range e.documents {
		b = fmt.Appendf(b, "\n## %s\n", d.Family)
		if d.About != "" {
			b = fmt.Appendf(b, "\n%s\n", strings.TrimSpace(d.About))
		}
		b = append(b, e.numbers(d)...)
		for _, text := range d.Rules {
			b = append(b, rulePage(next[0].text, text.Cases)...)
			next = next[1:]
		}
		b = append(b, advicePage(d)...)
	}
	return append(b, e.languagePage()...)
}

// pageHead tells how to read the page: what severities and bases mean, and that an
// unknown answer is never a "no".
const pageHead = `
The manufacturer's directions and local codes come first; these rules help to
keep them and do not replace them. Nothing here is a diagnosis.

A rule **refuses**, **refers** to a doctor, **asks** for something to be settled,
or sets a **condition** to be ticked off; the severest that fires is the verdict.
An answer that was not given is unknown, never "no": a rule that waits for one is
put as a question. In a condition "c ? x : y", x is asked only when c holds.
A basis is *published* (a source that was read), *common practice* (of the trade,
without one source), *manufacturer* (the directions), or *from memory* (not
confirmed). In the cases, everything not named is as on a sound head; "?" is an
answer that is missing.
`

// numbers lists the policy's numbers, in the contract's order.
// The file has them in a map, which has no order of its own.
func (e *Engine) numbers(d document) []byte {
	var b []byte
	fields := e.defaults.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		if n, ok := d.Parameters[string(fields.Get(i).Name())]; ok {
			b = fmt.Appendf(b, "- `%s`: %g\n", fields.Get(i).Name(), n)
		}
	}
	if len(b) == 0 {
		return nil
	}
	return append([]byte("\n"), b...)
}

// rulePage is the section of one rule.
// An expression is put on one line, so that moving a line break in the file changes
// nothing here.
func rulePage(r *pb.Rule, cases []caseText) []byte {
	b := fmt.Appendf(nil, "\n### %s\n\n", r.GetRuleId())
	b = fmt.Appendf(b, "%s; about %s; %s layer; version %d", displayName(r.GetSeverity(), "SEVERITY_"), scopeName(r.GetScope()), displayName(r.GetLayer(), "LAYER_"), r.GetVersion())
	if r.GetBeforeContact() {
		b = append(b, "; before first contact"...)
	}
	if places := r.GetJurisdictions(); len(places) > 0 {
		b = fmt.Appendf(b, "; in %s", strings.ReplaceAll(strings.Join(places, ", "), "JURISDICTION_", ""))
	}
	b = fmt.Appendf(b, ".\n\n> %s\n\n- When: `%s`\n- Basis: %s. %s\n", r.GetMessage(), strings.Join(strings.Fields(r.GetExpression()), " "),
		displayName(r.GetBasis().GetKind(), "BASIS_KIND_"), r.GetBasis().GetSource())
	b = append(b, waitPage(r.GetWait())...)
	if r.GetCause() != "" {
		b = fmt.Appendf(b, "- Cause: %s; findings of one cause are one override, on the strictest terms.\n", r.GetCause())
	}
	b = append(b, overridePage(r.GetOverrideTerms())...)
	for _, c := range cases {
		b = fmt.Appendf(b, "- Case: %s: %s.\n", c.Name, strings.ToLower(c.Expect))
	}
	return b
}

// waitPage is when the wait of a rule ends, and what is not done before an appointment
// because of it. The length is told by the field and not by a number: which number is
// in force depends on the chain and on the product.
func waitPage(w *pb.RuleWait) []byte {
	var length string
	switch {
	case w == nil:
		return nil
	case w.GetUntilField() != "":
		length = "until the day of `" + w.GetUntilField() + "`"
	case w.GetHoursField() != "":
		length = "`" + w.GetHoursField() + "` hours"
	default:
		length = "`" + w.GetDaysField() + "` calendar days"
	}
	b := fmt.Appendf(nil, "- Wait: %s after `%s`.\n", length, strings.Join(w.GetEvents(), "`, `"))
	if w.GetAbstainText() != "" {
		b = fmt.Appendf(b, "- Before an appointment: %s.\n", w.GetAbstainText())
	}
	return b
}

// scopeName is what a rule of a scope is asked about, one by one.
func scopeName(s pb.RuleScope) string {
	switch s {
	case pb.RuleScope_RULE_SCOPE_ZONE:
		return "each zone of the hair"
	case pb.RuleScope_RULE_SCOPE_SECTION:
		return "each section of the head"
	}
	return "the case"
}

// overridePage is who may override a finding of the rule, for which reasons, and
// after how long somebody who works alone may. "Nobody" is written out, because a
// missing line would look like an omission.
func overridePage(terms *pb.OverrideTerms) []byte {
	if !terms.GetAllowed() {
		return []byte("- Override: nobody.\n")
	}
	var roles []string
	for _, role := range terms.GetRoles() {
		roles = append(roles, displayName(role, "ROLE_"))
	}
	b := fmt.Appendf(nil, "- Override: by %s, for one of:\n", strings.Join(roles, ", "))
	for _, reason := range terms.GetReasons() {
		b = fmt.Appendf(b, "  - `%s` %s\n", reason.GetCode(), reason.GetDescription())
	}
	switch {
	case terms.AloneMinimumHours != nil:
		b = fmt.Appendf(b, "- Alone in a salon of one: after %d hours.\n", terms.GetAloneMinimumHours())
	case terms.AloneMinimumDays != nil:
		b = fmt.Appendf(b, "- Alone in a salon of one: after %d days.\n", terms.GetAloneMinimumDays())
	}
	return b
}

// advicePage is what a document says of strength, alternatives, questions and
// cautions.
// Each step and each objection is shown with its condition, as the rules are.
func advicePage(d document) []byte {
	var b []byte
	if len(d.Strength) > 0 {
		b = append(b, "\n### Recommended strength, step by step\n\n"...)
	}
	for _, t := range d.Strength {
		b = fmt.Appendf(b, "- %s `%s`\n", t.Because, t.When)
	}
	for _, a := range d.Alternatives {
		b = fmt.Appendf(b, "\n### %s\n\n", a.Title)
		if a.ID != "" {
			b = fmt.Appendf(b, "- Id: `%s`\n- Basis: %s. %s\n", a.ID, strings.ReplaceAll(strings.ToLower(a.Basis.Kind), "_", " "), a.Basis.Source)
		}
		if len(a.NotIn) > 0 {
			b = fmt.Appendf(b, "- Not offered in: %s\n", strings.Join(a.NotIn, ", "))
		}
		for _, caution := range a.Cautions {
			b = fmt.Appendf(b, "- %s\n", caution)
		}
		for _, against := range a.Against {
			b = fmt.Appendf(b, "- Against it: %s `%s`\n", against.Caution, against.When)
		}
	}
	for _, caution := range d.Cautions {
		b = fmt.Appendf(b, "- Caution: %s\n", caution)
	}
	return b
}

// A house policy is written by somebody who has this page and not the program, so it
// lists every path with its type and, for answers, the question that asks for it.

// languagePage is what an expression can name, for authors of house policies.
// Fields are in the order in which decisions list them, enums by name.
func (e *Engine) languagePage() []byte {
	b := []byte(languageHead)
	for i, f := range e.lang.fields {
		b = fmt.Appendf(b, "| `%s` | %s | %s |\n", f.path, strings.TrimPrefix(f.celType.String(), "alkalog.v1."), e.fieldRole(i))
	}
	b = append(b, "\n| Word | Values |\n|---|---|\n"...)
	for _, words := range e.lang.enums.sorted() {
		var values []string
		for _, w := range words {
			values = append(values, w.shortName)
		}
		b = fmt.Appendf(b, "| `%s` | %s |\n", strings.TrimPrefix(words[0].celType.TypeName(), "alkalog.v1."), strings.Join(values, " "))
	}
	return b
}

// languageHead introduces the list of fields to authors of house rules.
const languageHead = `
## What a rule can name

A rule is a CEL expression of type bool over these fields. A chain's own rules are
written in the same language: their ids begin with "house.", they may cost only so
much, and they can add findings, never take one away. Words are written
"Answer.YES". hours(n) and days(n) are durations; percent(product.ingredients,
Substance.AMMONIA) is a percentage by mass; as_sodium_hydroxide(product.ingredients)
adds the hydroxides up as the law counts them. A rule about a zone or a section
names the fields of "zone" or "section" and is asked of each in turn. UNSPECIFIED
is what the chain has not stated; an answer that was not given equals nothing.

Fields that begin with known and cleared, and days_ago, are worked out before a
rule is asked. known.hydroxide and zone.known.hydroxide are what the answers for the
zones, the answer for the head and the services on record say together; the
strictest counts. known.strand and known.incompatibility are NOT_DONE also when a
test that went well is too old or came before chemical work. cleared.allergy is YES
when a doctor's word for that cause, with date and reference, still holds. days_ago
counts calendar days in the salon's time zone. A rule that reads such a field waits
for the answers behind it.

| Field | Kind | |
|---|---|---|
`

// fieldRole is what a field is for: the question that asks for it, or nothing.
// A field that follows another names it, because a house rule must name both.
func (e *Engine) fieldRole(i int) string {
	f := e.lang.fields[i]
	switch {
	case f.derived && f.follows != "":
		return "Worked out. Name `" + f.follows + "` before it."
	case f.derived:
		return "Worked out."
	}
	if f.follows != "" {
		return e.questions[f.path] + " Asked after `" + f.follows + "`."
	}
	return e.questions[f.path]
}

// displayName is an enum value in plain words.
func displayName(v fmt.Stringer, prefix string) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(v.String(), prefix)), "_", " ")
}
