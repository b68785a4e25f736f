package rules

import (
	"errors"
	"slices"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/operators"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/interpreter"
)

// Most rules are a few comparisons of answers with words, joined by "and", "or" and "if", and
// most are settled by the first of them: a rule about medicine is silent once nobody takes
// any. So these joints are taken out of a policy's expressions and evaluated here, the
// comparisons first; what is between the joints stays with the interpreter.
//
// The meaning is CEL's, in which "and" and "or" do not depend on the order of their terms:
// one false settles an "and", whatever the others are; else an unknown outweighs an error,
// and unknowns add up. TestLogicIsTheInterpreters compares the two on random cases.

// result is the value of a condition. It is open when it depends on answers that are missing.
type result int8

const (
	isNo result = iota
	isYes
	isOpen
	isFailed
)

// logic is an expression as a tree of joints. Its leaves are comparisons of a field with
// a word, and everything else.
type logic struct {
	kind  logicKind
	terms []logic // of a joint, in the order in which they are evaluated
	// field, value and negated are a comparison.
	field   int
	value   *enumValue
	negated bool
	// other is what the interpreter evaluates.
	other interpreter.InterpretableV2
}

// logicKind tells the kinds of nodes apart. Those that cost less come first.
type logicKind int8

const (
	comparison logicKind = iota
	negation
	condition // terms: the condition, what holds if it is true, what holds if it is not
	conjunction
	disjunction
	otherExpression
)

// newLogic builds the tree of an expression. decorators are those of the leaves.
func (l *language) newLogic(of *ast.AST, expr ast.Expr, decorators ...interpreter.PlannerOption) (logic, error) {
	if expr.Kind() == ast.CallKind {
		call := expr.AsCall()
		switch call.FunctionName() {
		case operators.LogicalAnd:
			return l.newJoint(conjunction, of, call.Args(), decorators)
		case operators.LogicalOr:
			return l.newJoint(disjunction, of, call.Args(), decorators)
		case operators.LogicalNot:
			return l.newJoint(negation, of, call.Args(), decorators)
		case operators.Conditional:
			return l.newJoint(condition, of, call.Args(), decorators)
		}
	}
	node, err := l.planner.NewInterpretable(ast.NewCheckedAST(ast.NewAST(expr, of.SourceInfo()), of.TypeMap(), of.ReferenceMap()), decorators...)
	if err != nil {
		return logic{}, err
	}
	if c, ok := node.(*compareNode); ok {
		return logic{kind: comparison, field: c.field, value: c.value, negated: c.negated}, nil
	}
	return logic{kind: otherExpression, other: node}, nil
}

// newJoint builds a joint. Terms of the same kind of joint become its own, so that
// "a && b && c" is one joint of three.
func (l *language) newJoint(kind logicKind, of *ast.AST, args []ast.Expr, decorators []interpreter.PlannerOption) (logic, error) {
	joint := logic{kind: kind}
	for _, arg := range args {
		term, err := l.newLogic(of, arg, decorators...)
		if err != nil {
			return logic{}, err
		}
		if term.kind == kind && (kind == conjunction || kind == disjunction) {
			joint.terms = append(joint.terms, term.terms...)
		} else {
			joint.terms = append(joint.terms, term)
		}
	}
	if kind == conjunction || kind == disjunction {
		slices.SortStableFunc(joint.terms, func(a, b logic) int { return int(a.kind) - int(b.kind) })
	}
	return joint, nil
}

// errNoAnswer is the error of a rule whose expression gave neither yes nor no.
var errNoAnswer = errors.New("the rule gave no answer")

// test evaluates the tree. What it waits for is appended to s.missing, in any order and
// perhaps twice. An error is set for isFailed and means that the rule must refer.
func (g *logic) test(s *state) (result, error) {
	switch g.kind {
	case comparison:
		v := s.values[g.field]
		if v == nil {
			v = s.value(g.field)
		}
		switch v := v.(type) {
		case *enumValue:
			if (v == g.value) != g.negated {
				return isYes, nil
			}
			return isNo, nil
		case *types.Unknown:
			s.missing = append(s.missing, s.missingFields(v)...)
			return isOpen, nil
		}
		return isFailed, errNoAnswer
	case negation:
		t, err := g.terms[0].test(s)
		switch t {
		case isYes:
			return isNo, nil
		case isNo:
			return isYes, nil
		}
		return t, err
	case condition:
		switch t, err := g.terms[0].test(s); t {
		case isYes:
			return g.terms[1].test(s)
		case isNo:
			return g.terms[2].test(s)
		default:
			return t, err
		}
	case conjunction:
		return g.join(s, isNo, isYes)
	case disjunction:
		return g.join(s, isYes, isNo)
	}
	return s.resultOf(g.other)
}

// join evaluates the terms of a joint until one settles it; otherwise it is what remains
// if none does.
func (g *logic) join(s *state, settles, remains result) (result, error) {
	before := len(s.missing)
	all, problem := remains, error(nil)
	for i := range g.terms {
		t, err := g.terms[i].test(s)
		switch {
		case t == settles:
			s.missing = s.missing[:before] // nobody needs to know them any more
			return settles, nil
		case t == isOpen:
			all = isOpen
		case t == isFailed && problem == nil:
			problem = err
		}
	}
	if problem != nil && all != isOpen {
		return isFailed, problem
	}
	return all, nil
}

// resultOf evaluates what the interpreter evaluates.
func (s *state) resultOf(node interpreter.InterpretableV2) (result, error) {
	switch v := node.Exec(s.frame).(type) {
	case types.Bool:
		if v {
			return isYes, nil
		}
		return isNo, nil
	case *types.Unknown:
		s.missing = append(s.missing, s.missingFields(v)...)
		return isOpen, nil
	case *types.Err:
		return isFailed, v
	}
	return isFailed, errNoAnswer
}

// buildLogic makes the tree of an expression of the policy.
func (l *language) buildLogic(checked *cel.Ast, decorators ...interpreter.PlannerOption) (*logic, error) {
	of := checked.NativeRep()
	g, err := l.newLogic(of, of.Expr(), decorators...)
	return &g, err
}
