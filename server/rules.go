package main

import (
	"context"

	"alkalog/server/serve"
)

// rulesCommand prints the built-in rules. House policies are not among them: they
// are data of a chain (CatalogService.ListRules). Redirect the output to compare
// two versions.
type rulesCommand struct{}

// Run prints the rules as Markdown, with their sources and override terms. An
// error means that the built-in rules do not compile.
func (rulesCommand) Run(_ context.Context, std streams) error {
	page, err := serve.RulesPage()
	if err != nil {
		return err
	}
	_, err = std.out.Write(page)
	return err
}
