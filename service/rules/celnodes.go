package rules

import (
	"cel.dev/cel-go/common/operators"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"cel.dev/cel-go/interpreter"
)

// A rule of the policy is some ten nodes, and a decision asks some two hundred rules
// about up to sixteen subjects. The interpreter looks a variable up by its name through
// several layers each time; these nodes read the slot of the state directly. See the
// benchmarks of the ten rules.

// Two kinds of node that stand in a planned expression for the interpreter's own:
// most of what rules do is to read a field and to compare it with a word.

// fieldNode reads one field in the midst of an expression: what the interpreter does
// for a variable, without looking its name up.
type fieldNode struct {
	id    int64
	field int
}

// ID implements interpreter.Interpretable.
func (n *fieldNode) ID() int64 { return n.id }

// Eval implements interpreter.Interpretable.
func (n *fieldNode) Eval(a interpreter.Activation) ref.Val {
	return interpreter.EvalActivation(a, n.Exec)
}

// Exec implements interpreter.InterpretableV2.
func (n *fieldNode) Exec(frame *interpreter.ExecutionFrame) ref.Val {
	v := stateOf(frame).value(n.field)
	// A house rule runs under a limit of cost, and reading a field must count there.
	if costs := frame.CostTracker(); costs != nil {
		costs.EvalAttribute(n.id, false, v)
	}
	return v
}

// stateOf is the case that a frame belongs to.
// A macro such as exists() runs in an activation of its own, so the frame's scope is
// not the state itself; the reserved name leads back to it.
func stateOf(frame *interpreter.ExecutionFrame) *state {
	if s, ok := frame.Scope().(*state); ok {
		return s
	}
	found, _ := frame.ResolveName(stateVariable) // from inside a macro over a list
	return found.(*state)
}

// compareNode is whether a field holds a word, or does not.
// Values of an enum are compared by pointer, see enumTable.
type compareNode struct {
	id      int64
	field   int
	value   *enumValue
	negated bool
}

// ID implements interpreter.Interpretable.
func (n *compareNode) ID() int64 { return n.id }

// Eval implements interpreter.Interpretable.
func (n *compareNode) Eval(a interpreter.Activation) ref.Val {
	return interpreter.EvalActivation(a, n.Exec)
}

// Exec implements interpreter.InterpretableV2. What is unknown stays unknown.
func (n *compareNode) Exec(frame *interpreter.ExecutionFrame) ref.Val {
	v := stateOf(frame).value(n.field)
	if w, ok := v.(*enumValue); ok {
		return types.Bool((w == n.value) != n.negated)
	}
	return v
}

// insertCompareNodes puts a comparison in the place of a call that is one.
// It takes only a field on the left and a constant on the right. Every other
// comparison keeps the interpreter's own node and means the same.
func insertCompareNodes(node interpreter.InterpretableV2) (interpreter.InterpretableV2, error) {
	call, ok := node.(interpreter.InterpretableCall)
	if !ok || call.Function() != operators.Equals && call.Function() != operators.NotEquals {
		return node, nil
	}
	field, isField := call.Args()[0].(*fieldNode)
	constant, isConstant := call.Args()[1].(interpreter.InterpretableConst)
	if !isField || !isConstant {
		return node, nil
	}
	if w, ok := constant.Value().(*enumValue); ok {
		return &compareNode{call.ID(), field.field, w, call.Function() == operators.NotEquals}, nil
	}
	return node, nil
}
