package serve

import (
	"context"
	"errors"

	"alkalog/service/eligibility"
	"alkalog/service/rules"
)

// Replay decides every decision in cfg's database again and calls tell with the
// differences of each; none if the result is the same. It changes nothing. An
// error ends it; a decision that cannot be decided again is a difference and does
// not.
func Replay(ctx context.Context, cfg Config, tell func(name string, differences []string)) error {
	cfg, err := cfg.complete()
	if err != nil {
		return err
	}
	d, err := openDatabase(ctx, cfg)
	if err != nil {
		return err
	}
	err = eligibility.Service{DB: d.db}.ReplayAll(ctx, func(r eligibility.Replayed) error {
		tell(r.Name, r.Differences)
		return ctx.Err()
	})
	return errors.Join(err, d.close())
}

// RulesPage returns the built-in policy as a Markdown page. It needs no database.
// It is the content of service/rules/RULES.md.
func RulesPage() ([]byte, error) {
	engine, err := rules.New()
	if err != nil {
		return nil, err
	}
	return engine.Page(), nil
}
