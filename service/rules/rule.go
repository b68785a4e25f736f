package rules

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/interpreter"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// Expressions are CEL (Common Expression Language): typed, without loops or side
// effects, and with an estimate of cost. They are compiled once for each policy.
//
// Two programs come of the same syntax tree. The built-in rules run on the interpreter
// itself, with joints (logic.go) and nodes (celnodes.go) of our own for the operations
// that they are made of, because every decision runs some two hundred of them. A house's
// rules run on CEL's own program under a limit of cost, because a chain writes them and the
// server must not depend on how; those that cannot meet the limit, because they look at
// no list and no text, run like the built-in ones. TestLimitChangesNothing compares the two.
//
// Unknown is a value of CEL: an expression over a field that was not answered gives
// the set of fields that it depends on, unless the rest settles it. So "a || b" is true
// when a is, whatever b; that is how a rule waits only for what can matter.

// maxExpression is the longest expression in characters, as the contract has it.
const maxExpression = 2000

// expression is a compiled expression of type bool and the fields it names.
// One of the two programs is set; neither is for a rule that could not be built.
type expression struct {
	logic   *logic      // of the policy's own expressions
	program cel.Program // of a house's, which runs under a limit
	fields  []int
}

// typeCheck reads an expression and checks it against the language.
func (l *language) typeCheck(expression string) (*cel.Ast, error) {
	ast, issues := l.env.Compile(expression)
	if issues.Err() != nil {
		return nil, issues.Err()
	}
	if !ast.OutputType().IsExactType(cel.BoolType) {
		return nil, fmt.Errorf("it is a %s and must be true or false", ast.OutputType())
	}
	return ast, nil
}

// compile checks and builds an expression that is asked about subjects of a scope.
func (l *language) compile(expression string, scope pb.RuleScope, build func(*cel.Ast) (*expression, error)) (*expression, error) {
	ast, err := l.typeCheck(expression)
	if err != nil {
		return nil, err
	}
	f, err := build(ast)
	if err != nil {
		return nil, err
	}
	return f, l.checkScope(f, scope)
}

// A rule of the case that names a zone would read whichever zone was looked at last. So
// what an expression may name depends on its scope, and the order of the fields makes
// that a comparison of indices.

// checkScope tells off an expression that names a zone or a section outside its scope.
func (l *language) checkScope(f *expression, scope pb.RuleScope) error {
	for _, i := range f.fields {
		if i >= l.sections && scope != pb.RuleScope_RULE_SCOPE_SECTION {
			return fmt.Errorf("only a rule with the scope SECTION may name %s", l.fields[i].path)
		}
		if i >= l.zones && i < l.sections && scope != pb.RuleScope_RULE_SCOPE_ZONE {
			return fmt.Errorf("only a rule with the scope ZONE may name %s", l.fields[i].path)
		}
	}
	return nil
}

// buildBuiltIn builds an expression of the policy. It runs without a limit on its cost,
// which is known: it is in the tests.
func (l *language) buildBuiltIn(ast *cel.Ast) (*expression, error) {
	f := &expression{}
	var err error
	f.logic, err = l.buildLogic(ast, interpreter.CustomDecoratorV2(f.insertFieldNodes(l)), interpreter.CustomDecoratorV2(insertCompareNodes),
		interpreter.Optimize(), interpreter.CompileRegexConstants(interpreter.MatchesRegexOptimization))
	slices.Sort(f.fields)
	return f, err
}

// buildLimited builds an expression of a house, under a limit on its cost.
// An evaluation that meets the limit is an error, and the rule then refers.
func (l *language) buildLimited(ast *cel.Ast) (*expression, error) {
	f := &expression{}
	var err error
	f.program, err = l.env.Program(ast, cel.CustomDecoratorV2(f.insertFieldNodes(l)), cel.EvalOptions(cel.OptOptimize), cel.CostLimit(houseCost))
	slices.Sort(f.fields)
	return f, err
}

// buildHouse builds an expression of a house. One that cannot meet the limit however long
// the texts and lists are that it reads runs like those of the policy; counting what it
// costs would take longer than the expression.
func (l *language) buildHouse(ast *cel.Ast) (*expression, error) {
	if estimate, err := l.env.EstimateCost(ast, anySize{}); err == nil && estimate.Max <= houseCost {
		return l.buildBuiltIn(ast)
	}
	return l.buildLimited(ast)
}

// insertFieldNodes puts a slot where an expression names a field, and notes the field.
// What it does not recognise keeps the interpreter's own node and is found by its
// name.
func (f *expression) insertFieldNodes(b *language) interpreter.InterpretableDecoratorV2 {
	return func(node interpreter.InterpretableV2) (interpreter.InterpretableV2, error) {
		attribute, ok := node.(interpreter.InterpretableAttribute)
		if !ok {
			return node, nil
		}
		name, ok := attribute.Attr().(interpreter.NamespacedAttribute)
		if !ok || len(name.Qualifiers()) > 0 {
			return node, nil
		}
		i, ok := b.index[name.CandidateVariableNames()[0]]
		if !ok {
			return node, nil
		}
		if !slices.Contains(f.fields, i) {
			f.fields = append(f.fields, i)
		}
		return &fieldNode{attribute.ID(), i}, nil
	}
}

// test evaluates the formula: its answer, or the fields that it waits for, sorted.
// Unknown is neither an answer nor an error. Every other value is an error, because
// a rule must never be silent by accident. The fields stay valid until the state is closed.
func (f *expression) test(s *state) (answer bool, missing []int, err error) {
	switch {
	case f.logic != nil:
		return f.testLogic(s)
	case f.program == nil:
		return false, nil, errors.New("the rule was not built")
	}
	value, _, err := f.program.Eval(s) // a frame of its own, so that its cost is its own
	switch value := value.(type) {
	case types.Bool:
		return bool(value), nil, err
	case *types.Unknown:
		return false, s.missingFields(value), err
	case *types.Err:
		return false, nil, value
	}
	return false, nil, errors.Join(err, errNoAnswer)
}

// The interpreter is called without CEL's own wrapping, which also catches faults. A fault
// here is a fault of this program or of the library; it must refer this case and not end
// the server.

// testLogic is test for the policy's own expressions. A fault in the midst of it is an
// error.
func (f *expression) testLogic(s *state) (answer bool, missing []int, err error) {
	defer func() {
		if fault := recover(); fault != nil {
			answer, missing, err = false, nil, fmt.Errorf("the rule could not be evaluated: %v", fault)
		}
	}()
	before := len(s.missing)
	r, err := f.logic.test(s)
	if r != isOpen {
		s.missing = s.missing[:before]
		return r == isYes, nil, err
	}
	missing = s.missing[before:]
	slices.Sort(missing)
	missing = slices.Compact(missing)
	s.missing = s.missing[:before+len(missing)]
	return false, slices.Clip(missing), nil
}

// missingFields are the fields that an unknown stands for.
// The unknown of a single field is found by its pointer, and so is one that the state has
// merged. Another holds the codes of all of its questions, see questionCode.
func (s *state) missingFields(u *types.Unknown) []int {
	if one, ok := s.lang.fieldOfUnknown[u]; ok {
		return one
	}
	if several, ok := s.mergedFields[u]; ok {
		return several
	}
	return s.lang.appendIDs(nil, u)
}

// appendIDs appends the codes of an unknown.
func (l *language) appendIDs(fields []int, u *types.Unknown) []int {
	for _, id := range u.IDs() {
		fields = append(fields, int(id))
	}
	return fields
}

// rule is one rule, ready to be asked.
type rule struct {
	*expression
	text    *pb.Rule
	scope   pb.RuleScope
	message messageTemplate
	places  uint64 // bit n: holds in jurisdiction n
	rank    int32  // of its severity
	wait    *wait  // nil: it does not wait
	failure error  // it could not be built: it refers whenever it is asked
}

// newRule builds a rule. One that cannot be built is kept with its failure, so that a
// house rule that was accepted by an earlier program and is not understood by this one
// refers in every decision instead of vanishing.
func (l *language) newRule(text *pb.Rule, build func(*cel.Ast) (*expression, error)) *rule {
	r := &rule{text: text, scope: text.GetScope(), message: l.template(text.GetMessage()), places: jurisdictionBits(text.GetJurisdictions()), rank: contract.Rank(text.GetSeverity())}
	if r.scope != pb.RuleScope_RULE_SCOPE_ZONE && r.scope != pb.RuleScope_RULE_SCOPE_SECTION {
		r.scope = pb.RuleScope_RULE_SCOPE_CASE
	}
	r.expression, r.failure = l.compile(text.GetExpression(), r.scope, build)
	if r.failure == nil {
		r.failure = l.addWait(r)
	}
	if r.failure == nil && contract.CompareRank(verdictOf(text.GetSeverity()), pb.Verdict_VERDICT_PROCEED) <= 0 {
		r.failure = fmt.Errorf("a rule must have a severity")
	}
	if r.failure != nil {
		r.expression = &expression{}
	}
	return r
}

// addWait builds the wait of a rule. Its fields are the rule's too.
// A finding then shows the answers that the wait was counted from, and the scope is
// checked again with the fields of the wait.
func (l *language) addWait(r *rule) (err error) {
	if r.wait, err = l.newWait(r.text.GetWait()); err != nil || r.wait == nil {
		return err
	}
	r.fields = append(r.fields, r.wait.fields()...)
	slices.Sort(r.fields)
	r.fields = slices.Compact(r.fields)
	return l.checkScope(r.expression, r.scope)
}

// test evaluates the rule: whether it fires, or the fields that it waits for. A rule
// with a wait fires until that ends.
// The wait is asked about only where the expression holds, so that no date is asked
// for without need.
func (r *rule) test(s *state) (answer bool, missing []int, err error) {
	answer, missing, err = r.expression.test(s)
	if err != nil || missing != nil || !answer || r.wait == nil {
		return answer, missing, err
	}
	_, answer, missing = r.wait.test(s)
	return answer, missing, nil
}

// Places are bits of a word, so that asking whether a rule holds somewhere costs
// nothing. Bit 0 is "not stated".

// jurisdictionBits are the places where a rule holds. A salon that has not said
// where it is works under every one of them: the cautious default.
// A rule that names no place holds everywhere.
func jurisdictionBits(names []string) uint64 {
	if len(names) == 0 {
		return ^uint64(0)
	}
	holds := uint64(1)
	for _, name := range names {
		holds |= 1 << pb.Jurisdiction_value[name]
	}
	return holds
}

// jurisdictionBit is the bit of a jurisdiction; one that this version does not know
// counts as not stated.
func jurisdictionBit(j pb.Jurisdiction) uint64 {
	if j < 0 || j > pb.Jurisdiction_JURISDICTION_US_MARYLAND {
		return 1
	}
	return 1 << j
}

// Messages name the values that they are about, so that what a person reads is the
// number that was in force, also where a chain or the directions changed it.

// messageTemplate is a message with fields in braces, "{parameters.colour_wait_days}".
type messageTemplate []templatePart

// templatePart is literal text, or a field when field is not negative.
type templatePart struct {
	text  string
	field int
}

// template splits a message; braces around anything but a field stay as they are.
func (l *language) template(message string) messageTemplate {
	var t messageTemplate
	for message != "" {
		before, rest, _ := strings.Cut(message, "{")
		name, after, closed := strings.Cut(rest, "}")
		i, known := l.index[name]
		if !closed || !known {
			return append(t, templatePart{message, -1})
		}
		t = append(t, templatePart{before, -1}, templatePart{"", i})
		message = after
	}
	return t
}

// absent stands for a value that is not known while a template is filled in.
const absent = "\x00"

// render fills the template in, with a capital at the beginning. A sentence about a value
// that is not known is left out: a condition that waits for an answer is shown before the
// answer is given, and "They wish for  %." says nothing.
func (t messageTemplate) render(s *state) string {
	if len(t) == 1 {
		return t[0].text
	}
	text := t.fill(s)
	if !strings.Contains(text, absent) {
		return text
	}
	known := slices.DeleteFunc(strings.SplitAfter(text, ". "), func(sentence string) bool { return strings.Contains(sentence, absent) })
	return cmp.Or(strings.TrimSpace(strings.Join(known, "")), strings.ReplaceAll(text, absent, ""))
}

// fill is render with absent in the place of values that are not known. Before revision 2
// they were left empty.
// The first part that is not empty gets the capital, because a message can begin
// with a value.
func (t messageTemplate) fill(s *state) string {
	var b strings.Builder
	for _, p := range t {
		text := p.text
		if p.field >= 0 {
			text = displayValue(s.value(p.field))
			if text == "" && s.revision >= 2 {
				text = absent
			}
		}
		if b.Len() == 0 && text != "" {
			text = strings.ToUpper(text[:1]) + text[1:]
		}
		b.WriteString(text)
	}
	return b.String()
}

// ruleSet holds rules by scope, each in its order.
type ruleSet [pb.RuleScope_RULE_SCOPE_SECTION + 1][]*rule

func (s *ruleSet) add(r *rule) { s[r.scope] = append(s[r.scope], r) }

// cloneRules are the rules' texts, free for the caller to change.
func cloneRules(rules []*rule) []*pb.Rule {
	texts := make([]*pb.Rule, len(rules))
	for i, r := range rules {
		texts[i] = proto.CloneOf(r.text)
	}
	return texts
}
