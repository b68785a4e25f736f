package serve

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keyfile"
	"alkalog/service/consultation"
	"alkalog/service/record"
	"alkalog/storage"
	"alkalog/storage/keyring"
)

// clientKeys is the keys that keys of clients are wrapped with, in a file of
// KeysDir.
func (c Config) clientKeys() *keyring.Ring {
	return &keyring.Ring{Read: func() ([]string, error) { return keyfile.Lines(c.clientKeyFile()) }}
}

func (c Config) clientKeyFile() string { return filepath.Join(c.KeysDir, "clients") }

// keeper keeps the records of clients: their keys, and what becomes of them in
// time.
type keeper struct {
	cfg    Config
	db     *storage.DB
	ring   *keyring.Ring
	erased *erasures
}

// openClients makes sure that the records of clients can be read and written, and
// that nobody is there who was erased. For a private database without clients it
// makes the key file that is missing.
func openClients(ctx context.Context, cfg Config, d database) (*keeper, error) {
	k := &keeper{cfg: cfg, db: d.db, ring: d.ring}
	err := record.EachChain(ctx, k.db, func(chain *pb.Chain) error { return storage.CheckKeys(ctx, k.db, record.Chain(chain.Name)) })
	if err != nil {
		return nil, fmt.Errorf("the keys in %s are not those of this database: %w", cfg.clientKeyFile(), err)
	}
	if err := k.makeKeys(); err != nil {
		return nil, err
	}
	if cfg.ErasureFile == "" {
		cfg.Logger.Warn("no file keeps who was erased: a restored backup brings erased clients back")
	}
	if k.erased, err = openErasures(cfg.ErasureFile); err != nil {
		return nil, err
	}
	return k, k.erased.agree(ctx, k.db, cfg.reference.Now())
}

// makeKeys makes the key file of a private database, where there is none yet.
func (k *keeper) makeKeys() error {
	_, err := k.ring.Version()
	if !keyfile.Missing(err) {
		return err
	}
	if k.cfg.Database != "" {
		return fmt.Errorf("the keys of clients: %w; `server keys` makes what is missing", err)
	}
	line, err := keyring.NewKey(nil)
	if err != nil {
		return err
	}
	return keyfile.Create(k.cfg.clientKeyFile(), []byte(line+"\n"))
}

// lookAfterEvery is how often the key file is read again, keys are wrapped anew
// that were wrapped with an older one, and erasures by other servers are noted.
const lookAfterEvery = time.Minute

// loops is what runs beside the services.
func (k *keeper) loops(clients consultation.Service) []loop {
	return []loop{
		func(ctx context.Context) {
			clients.Tend(ctx, func(err error) { k.cfg.Logger.Warn("keeping to the periods of retention", "error", err.Error()) })
		},
		func(ctx context.Context) {
			tick := time.NewTicker(lookAfterEvery)
			defer tick.Stop()
			for {
				if err := errors.Join(k.rewrap(ctx), k.erased.learn(ctx, k.db)); err != nil && ctx.Err() == nil {
					k.cfg.Logger.Warn("looking after the keys of clients", "error", err.Error())
				}
				select {
				case <-ctx.Done():
					return
				case <-tick.C:
				}
			}
		},
	}
}

// rewrap reads the key file again and wraps anew what was wrapped with an older
// key. When it has said so, the older lines of the file can go.
func (k *keeper) rewrap(ctx context.Context) error {
	problem := k.ring.Reload()
	version, err := k.ring.Version()
	if err != nil {
		return errors.Join(problem, err)
	}
	total := 0
	err = record.EachChain(ctx, k.db, func(chain *pb.Chain) error {
		n, err := storage.Rewrap(ctx, k.db, record.Chain(chain.Name))
		total += n
		return err
	})
	if total > 0 {
		k.cfg.Logger.Info("keys of clients wrapped anew", "keys", total, "with", version)
	}
	return errors.Join(problem, err)
}
