package serve

import (
	"fmt"

	"alkalog/service/rules"
)

// Compiled is what a server compiles when it starts: the built-in rules, and the
// contract's checks of requests. It depends on the program alone, holds nothing of
// a database or a caller, and is safe for concurrent use. Servers of one process
// may therefore share it; compiling is most of the CPU time of a start.
type Compiled struct {
	engine *rules.Engine
	checks requests
}

// Compile compiles the built-in rules and the checks of requests. An error means
// that the program itself is wrong, since both come from it.
func Compile() (*Compiled, error) {
	engine, err := rules.New()
	if err != nil {
		return nil, fmt.Errorf("the built-in rules: %w", err)
	}
	checks, err := newRequests()
	return &Compiled{engine, checks}, err
}
