package serve

import (
	"context"
	"errors"
	"path/filepath"
	"strings"

	"alkalog/server/keys"
	"alkalog/server/sequencer"
	"alkalog/storage"
)

// VerifyRecords compares the records in cfg's database with the audit log, of one
// chain or, with an empty name, of all. It calls tell for each chain with the
// number of its entries and what does not match. Missing triggers and wrong
// privileges are reported first. It changes nothing. It needs the key files of
// the server. The first error of reading ends it.
func VerifyRecords(ctx context.Context, cfg Config, only string, tell func(chain string, entries int64, faults []string)) error {
	cfg, err := cfg.complete()
	if err != nil {
		return err
	}
	keys, err := keys.ReadLogKeys(filepath.Join(cfg.KeysDir, "log"))
	if err != nil {
		return err
	}
	cfg.inspectOnly = true // what was changed is what is looked for
	d, err := openDatabase(ctx, cfg)
	if err != nil {
		return err
	}
	guards, err := d.db.Guards(ctx)
	if len(guards) > 0 {
		tell("the database", 0, guards)
	}
	if err != nil {
		return errors.Join(err, d.close())
	}
	chains := []string{strings.TrimPrefix(only, "chains/")}
	if only == "" {
		chains, err = storage.ChainIDs(ctx, d.db)
	}
	for _, chain := range chains {
		if err != nil {
			break
		}
		var faults []string
		var entries int64
		entries, err = sequencer.CheckRecords(ctx, d.db, keys, chain, func(fault string) { faults = append(faults, fault) })
		if err == nil {
			tell("chains/"+chain, entries, faults)
		}
	}
	return errors.Join(err, d.close())
}
