package serve

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"sync"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/service/consultation"
	"alkalog/service/record"
	"alkalog/storage"
	"alkalog/storage/keyring"
)

// clientKeys is the keys that keys of clients are wrapped with, in a file of
// KeysDir.
func (c Config) clientKeys() *keyring.Ring {
	return &keyring.Ring{Read: func() ([]string, error) { return keys.Lines(c.clientKeyFile()) }}
}

func (c Config) clientKeyFile() string { return filepath.Join(c.KeysDir, "clients") }

// keeper keeps the records of clients: their keys, and what becomes of them in
// time.
type clientKeeper struct {
	cfg    Config
	db     *storage.DB
	ring   *keyring.Ring
	erased *erasures

	mu      sync.Mutex
	damaged map[string]int64 // clients whose keys do not open, by the id of their chain
}

// openClients makes sure that the records of clients can be read and written, and
// that nobody is there who was erased. For a private database without clients it
// makes the key file that is missing.
func openClients(ctx context.Context, cfg Config, d database) (*clientKeeper, error) {
	k := &clientKeeper{cfg: cfg, db: d.db, ring: d.ring, damaged: map[string]int64{}}
	if cfg.ErasureFile == "" {
		cfg.Logger.Warn("no file keeps who was erased: a backup from before an erasure brings the client back, because its log lacks the entry")
	}
	var err error
	if k.erased, err = openErasures(cfg.ErasureFile, k.db); err != nil {
		return nil, err
	}
	if err := k.erased.readLog(ctx); err != nil {
		return nil, err
	}
	if err := k.compareKeys(ctx); err != nil {
		return nil, fmt.Errorf("the keys in %s are not those of this database: %w", cfg.clientKeyFile(), err)
	}
	if err := k.createKeys(); err != nil {
		return nil, err
	}
	if err := k.erased.findRevived(ctx); err != nil {
		return nil, err
	}
	return k, k.eraseAgain(ctx)
}

// eraseAgain destroys keys of erased clients that have come back, and reports them.
func (k *clientKeeper) eraseAgain(ctx context.Context) error {
	found, err := k.erased.eraseAgain(ctx, k.cfg.reference.Now())
	if len(found) > 0 {
		k.cfg.counters.ErasedKeysFound.Add(int64(len(found)))
		k.cfg.Logger.Error("keys of erased clients are in the database again: they are not used, and are destroyed; find out who put them back, unless a backup was restored",
			"clients", len(found), "first", found[0], "destroyed", err == nil)
	}
	return err
}

// compareKeys answers an error when the key file is not that of the database: no
// client's key opens at all. Single keys that do not open are damage in the
// database; it concerns these clients, and keeps nobody else from their records.
func (k *clientKeeper) compareKeys(ctx context.Context) error {
	var total storage.KeyCheck
	for _, check := range []func(context.Context, *storage.DB, string) (storage.KeyCheck, error){storage.SampleKeys, storage.CheckKeys} {
		total = storage.KeyCheck{}
		err := record.EachChain(ctx, k.db, func(chain *pb.Chain) error {
			c, err := check(ctx, k.db, record.Chain(chain.Name))
			total.Opened, total.Missing, total.Damaged = total.Opened+c.Opened, total.Missing+c.Missing, total.Damaged+c.Damaged
			return err
		})
		if err != nil || total.Opened > 0 || total.Unreadable() == 0 {
			return err
		}
	}
	if total.Missing == 0 && total.Damaged == 1 {
		return nil // the only client's; the key that it was wrapped with is there
	}
	return fmt.Errorf("none of the keys of %d clients opens", total.Unreadable())
}

// inspectKeysEvery is how often the keys of all clients are tried; our own choice,
// as for the logs.
const keyInspectionInterval = time.Hour

// inspectKeys tries the keys of all clients, and says in which chains some do not
// open. One chain does not keep it from the others.
func (k *clientKeeper) inspectKeys(ctx context.Context) error {
	var problems []error
	err := record.EachChain(ctx, k.db, func(chain *pb.Chain) error {
		id := record.Chain(chain.Name)
		found, err := storage.CheckKeys(ctx, k.db, id)
		if err != nil {
			problems = append(problems, err)
			return ctx.Err()
		}
		k.mu.Lock()
		news := found.Unreadable() != k.damaged[id]
		k.damaged[id] = found.Unreadable()
		k.mu.Unlock()
		if news {
			k.cfg.Logger.Error("keys of clients do not open: calls about these clients are answered DATA_LOSS, all others go on", "chain", id,
				"damaged", found.Damaged, "wrapped_with_a_missing_key", found.Missing)
		}
		return nil
	})
	return errors.Join(append(problems, err)...)
}

// damage counts the clients whose keys do not open, by the id of their chain.
func (k *clientKeeper) unreadable() map[string]int64 {
	k.mu.Lock()
	defer k.mu.Unlock()
	return maps.Clone(k.damaged)
}

// makeKeys makes the key file of a private database, where there is none yet.
func (k *clientKeeper) createKeys() error {
	_, err := k.ring.Version()
	if !keys.Missing(err) {
		return err
	}
	if k.cfg.Database != "" {
		return fmt.Errorf("the keys of clients: %w; `server keys` makes what is missing", err)
	}
	line, err := keyring.NewKey(nil)
	if err != nil {
		return err
	}
	return keys.Create(k.cfg.clientKeyFile(), []byte(line+"\n"))
}

const (
	// lookAfterEvery is how often the key file is read again, keys are wrapped anew
	// that were wrapped with an older one, and keys of erased clients are looked for.
	maintenanceInterval = time.Minute
	// learnEvery is how often erasures by other servers are read from the log, and
	// keys that a read has found though their clients were erased are destroyed.
	erasureInterval = time.Second
)

// loops is what runs beside the services.
func (k *clientKeeper) loops(clients consultation.Service) []backgroundLoop {
	return []backgroundLoop{
		func(ctx context.Context) {
			clients.RunRetention(ctx, func(err error) { k.cfg.Logger.Warn("keeping to the periods of retention", "error", err.Error()) })
		},
		func(ctx context.Context) {
			k.repeat(ctx, keyInspectionInterval, "trying the keys of clients", k.inspectKeys)
		},
		func(ctx context.Context) {
			k.repeat(ctx, maintenanceInterval, "looking after the keys of clients", func(ctx context.Context) error {
				return errors.Join(k.rewrap(ctx), k.erased.findRevived(ctx))
			})
		},
		func(ctx context.Context) {
			k.repeat(ctx, erasureInterval, "learning who was erased", func(ctx context.Context) error {
				return errors.Join(k.erased.readLog(ctx), k.eraseAgain(ctx))
			})
		},
	}
}

// every does something at once and then again and again, until ctx is done. An
// error is logged when it changes.
func (k *clientKeeper) repeat(ctx context.Context, period time.Duration, doing string, do func(context.Context) error) {
	tick := time.NewTicker(period)
	defer tick.Stop()
	last := ""
	for {
		said := ""
		if err := do(ctx); err != nil {
			said = err.Error()
		}
		if said != "" && said != last && ctx.Err() == nil {
			k.cfg.Logger.Warn(doing, "error", said)
		}
		last = said
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// rewrap reads the key file again and wraps anew what was wrapped with an older
// key. When it has said so, the older lines of the file can go.
func (k *clientKeeper) rewrap(ctx context.Context) error {
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
