package rules

import (
	"cel.dev/cel-go/common/operators"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"cel.dev/cel-go/interpreter"
)

// Two kinds of node that stand in a planned expression for the interpreter's own:
// most of what rules do is to read a field and to compare it with a word.

// slot reads one field in the midst of an expression: what the interpreter does
// for a variable, without looking its name up.
type slot struct {
	id    int64
	field int
}

// ID implements interpreter.Interpretable.
func (n *slot) ID() int64 { return n.id }

// Eval implements interpreter.Interpretable.
func (n *slot) Eval(a interpreter.Activation) ref.Val {
	return interpreter.EvalActivation(a, n.Exec)
}

// Exec implements interpreter.InterpretableV2.
func (n *slot) Exec(frame *interpreter.ExecutionFrame) ref.Val {
	v := stateOf(frame).value(n.field)
	if costs := frame.CostTracker(); costs != nil {
		costs.EvalAttribute(n.id, false, v)
	}
	return v
}

// stateOf is the case that a frame belongs to.
func stateOf(frame *interpreter.ExecutionFrame) *state {
	if s, ok := frame.Scope().(*state); ok {
		return s
	}
	found, _ := frame.ResolveName(itself) // from inside a macro over a list
	return found.(*state)
}

// comparison is whether a field holds a word, or does not.
type comparison struct {
	id    int64
	field int
	with  *word
	not   bool
}

// ID implements interpreter.Interpretable.
func (n *comparison) ID() int64 { return n.id }

// Eval implements interpreter.Interpretable.
func (n *comparison) Eval(a interpreter.Activation) ref.Val {
	return interpreter.EvalActivation(a, n.Exec)
}

// Exec implements interpreter.InterpretableV2. What is unknown stays unknown.
func (n *comparison) Exec(frame *interpreter.ExecutionFrame) ref.Val {
	v := stateOf(frame).value(n.field)
	if w, ok := v.(*word); ok {
		return types.Bool((w == n.with) != n.not)
	}
	return v
}

// compare puts a comparison in the place of a call that is one.
func compare(node interpreter.InterpretableV2) (interpreter.InterpretableV2, error) {
	call, ok := node.(interpreter.InterpretableCall)
	if !ok || call.Function() != operators.Equals && call.Function() != operators.NotEquals {
		return node, nil
	}
	field, isField := call.Args()[0].(*slot)
	constant, isConstant := call.Args()[1].(interpreter.InterpretableConst)
	if !isField || !isConstant {
		return node, nil
	}
	if w, ok := constant.Value().(*word); ok {
		return &comparison{call.ID(), field.field, w, call.Function() == operators.NotEquals}, nil
	}
	return node, nil
}
