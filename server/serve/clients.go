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

// clientKeys returns the keys that wrap the keys of clients. The file is read
// when it is first needed and when it is reloaded.
func (c Config) clientKeys() *keyring.Ring {
	return &keyring.Ring{Read: func() ([]string, error) { return keys.Lines(c.clientKeyFile()) }}
}

// clientKeyFile is the file of the wrapping keys, one a line, the newest first.
func (c Config) clientKeyFile() string { return filepath.Join(c.KeysDir, "clients") }

// clientKeeper maintains the keys of clients and the list of erased clients. Its
// loops run on every server; each step can be repeated by another server without
// harm.
type clientKeeper struct {
	cfg    Config
	db     *storage.DB
	ring   *keyring.Ring // wraps the keys of clients
	erased *erasures

	mu sync.Mutex
	// damaged is the number of clients whose keys do not open, by chain id, at the
	// last inspection.
	damaged map[string]int64
}

// openClients checks that the records of clients can be read and written, and
// that no erased client has come back. For a private database without clients it
// creates a missing key file. Erasures are read first, so that the key of an
// erased client is not used.
func openClients(ctx context.Context, cfg Config, d database) (*clientKeeper, error) {
	k := &clientKeeper{cfg: cfg, db: d.db, ring: d.ring, damaged: map[string]int64{}}
	if cfg.ErasureFile == "" {
		cfg.Logger.Warn("no erasure file is set: a backup from before an erasure brings the client back, because its log lacks the entry; set --erasure-file")
	}
	erased, fileErr := openErasures(cfg.ErasureFile, k.db)
	if fileErr != nil && !errors.Is(fileErr, errErasureFile) {
		return nil, fileErr
	}
	k.erased = erased
	logErr := k.erased.readLog(ctx)
	if logErr != nil && !errors.Is(logErr, errErasureFile) {
		return nil, logErr
	}
	if err := errors.Join(fileErr, logErr); err != nil { // the salons can work without erasures
		cfg.Logger.Error("no client can be erased until the erasure file can be written; everything else works", "error", err.Error())
	}
	if err := k.compareKeys(ctx); err != nil {
		return nil, fmt.Errorf("the keys in %s do not belong to this database: %w", cfg.clientKeyFile(), err)
	}
	if err := k.createKeys(); err != nil {
		return nil, err
	}
	if err := k.erased.findRevived(ctx); err != nil {
		return nil, err
	}
	return k, k.eraseAgain(ctx)
}

// eraseAgain destroys keys of erased clients that have come back, and logs them.
// Such keys come from a restored backup or were inserted by hand. They are marked
// at once, so no call uses them while they are being destroyed.
func (k *clientKeeper) eraseAgain(ctx context.Context) error {
	found, err := k.erased.eraseAgain(ctx, k.cfg.reference.Now())
	if len(found) > 0 {
		k.cfg.counters.ErasedKeysFound.Add(int64(len(found)))
		k.cfg.Logger.Error("keys of erased clients are in the database again: they are not used and are destroyed; unless a backup was restored, find out who inserted them",
			"clients", len(found), "first", found[0], "destroyed", err == nil)
	}
	return err
}

// compareKeys returns an error if the key file does not belong to the database,
// that is if no key of a client opens. Single keys that do not open are damage to
// these clients and must not block the others. A sample is compared first. All
// keys are compared only if no key of the sample opens.
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
		return nil // the only client; its wrapping key exists, so only this key is damaged
	}
	return fmt.Errorf("the keys of all %d clients fail to open", total.Unreadable())
}

// keyInspectionInterval is how often the keys of all clients are checked; our
// own choice, the same as for the logs.
const keyInspectionInterval = time.Hour

// inspectKeys checks the keys of all clients and logs the chains in which some do
// not open. An error in one chain does not stop the check of the others. A chain
// is logged when its number changes, not every hour.
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
			k.cfg.Logger.Error("keys of clients do not open: calls for these clients return DATA_LOSS, all others work", "chain", id,
				"damaged", found.Damaged, "missing_wrapping_key", found.Missing)
		}
		return nil
	})
	return errors.Join(append(problems, err)...)
}

// unreadable returns how many clients have keys that do not open, by chain id.
func (k *clientKeeper) unreadable() map[string]int64 {
	k.mu.Lock()
	defer k.mu.Unlock()
	return maps.Clone(k.damaged)
}

// createKeys creates the key file of a private database if it is missing. For
// other databases a missing file is an error: new keys would make every existing
// client unreadable.
func (k *clientKeeper) createKeys() error {
	_, err := k.ring.Version()
	if !keys.Missing(err) {
		return err
	}
	if k.cfg.Database != "" {
		return fmt.Errorf("the keys of clients: %w; `alkalog keys` creates missing files", err)
	}
	line, err := keyring.NewKey(nil)
	if err != nil {
		return err
	}
	return keys.Create(k.cfg.clientKeyFile(), []byte(line+"\n"))
}

const (
	// maintenanceInterval is how often the key file is reloaded, keys wrapped
	// with an older key are wrapped with the newest, and keys of erased clients
	// are searched.
	maintenanceInterval = time.Minute
	// erasureInterval is how often erasures by other servers are read from the
	// log, and returned keys of erased clients are destroyed.
	erasureInterval = time.Second
)

// loops returns the background loops. They end when their context does.
func (k *clientKeeper) loops(clients consultation.Service) []backgroundLoop {
	return []backgroundLoop{
		func(ctx context.Context) {
			clients.RunRetention(ctx, func(err error) { k.cfg.Logger.Warn("cannot apply the retention periods", "error", err.Error()) })
		},
		func(ctx context.Context) {
			k.repeat(ctx, keyInspectionInterval, "checking the keys of clients", k.inspectKeys)
		},
		func(ctx context.Context) {
			k.repeat(ctx, maintenanceInterval, "maintaining the keys of clients", func(ctx context.Context) error {
				return errors.Join(k.rewrap(ctx), k.erased.findRevived(ctx))
			})
		},
		func(ctx context.Context) {
			k.repeat(ctx, erasureInterval, "reading erasures from the log", func(ctx context.Context) error {
				return errors.Join(k.erased.readLog(ctx), k.erased.check(), k.eraseAgain(ctx))
			})
		},
	}
}

// repeat calls do now and then periodically until ctx is done. It logs an error
// when it changes.
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

// rewrap reloads the key file and wraps with the newest key what was wrapped
// with an older one. After it has logged that, the older lines of the file can
// be removed.
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
		k.cfg.Logger.Info("keys of clients wrapped with the newest key", "keys", total, "with", version)
	}
	return errors.Join(problem, err)
}
