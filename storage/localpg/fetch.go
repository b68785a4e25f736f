package localpg

import (
	"context"
	"errors"
)

// fetched is not there yet.
func fetched(ctx context.Context, cfg Config, who account, data int) (programs, error) {
	return programs{}, errors.New("localpg: no PostgreSQL programs found: install PostgreSQL 14 or newer")
}
