package serve

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/service/actor"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// erasures is the list of erased clients, by resource names, which are not
// personal data. The audit log is authoritative. The file, one name per line,
// keeps the list outside of the database: a restored backup brings back keys that
// were destroyed since, which are then never used and are destroyed again. All
// servers of an installation may share the file: lines are only appended.
type erasures struct {
	file string // empty: none
	db   *storage.DB
	mu   sync.Mutex
	// known are the names in the file.
	known map[string]bool
	// readTo is the position up to which the log was read. Only readLog uses
	// it, and runs once at a time.
	readTo int64
}

// openErasures reads the file, and creates it if it does not exist: a file that
// cannot be written must be found at startup, not at the first erasure.
func openErasures(file string, db *storage.DB) (*erasures, error) {
	e := &erasures{file: file, db: db, known: map[string]bool{}}
	if file == "" {
		return e, nil
	}
	content, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) {
		if err = keys.Create(file, nil); errors.Is(err, os.ErrExist) {
			err = nil // another server on this machine created it
		}
	}
	if err != nil {
		return nil, fmt.Errorf("erased clients: %w", err)
	}
	for line := range strings.Lines(string(content)) {
		// An incomplete line belongs to an erasure that was not acknowledged; the
		// database has it if it was committed.
		if name, whole := strings.CutSuffix(line, "\n"); whole && name != "" {
			e.known[name] = true
			e.db.MarkErased(name)
		}
	}
	return e, nil
}

// add adds a client to the list and the file. When it returns nil, the name is
// durable. Package consultation calls it before it answers that a client is
// erased.
func (e *erasures) add(client string) error {
	e.db.MarkErased(client)
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.file == "" || e.known[client] {
		return nil
	}
	f, err := os.OpenFile(e.file, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return fmt.Errorf("erased clients: %w", err)
	}
	// The previous line may be incomplete.
	_, err = f.WriteString("\n" + client + "\n")
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("erased clients: %w", err)
	}
	e.known[client] = true
	return nil
}

// readLog adds the erasures that were logged since the last call, by any
// server. If the log has become shorter, because the database was restored, it
// is read completely.
func (e *erasures) readLog(ctx context.Context) (err error) {
	settled, err := storage.SettledBefore(ctx, e.db)
	if err != nil || settled == e.readTo {
		return err
	}
	var names []string
	if e.readTo == 0 || settled < e.readTo {
		if names, err = e.readAll(ctx); err == nil && e.readTo > 0 {
			err = e.findRevived(ctx)
		}
	} else {
		names, err = storage.ErasuresFrom(ctx, e.db, e.readTo, settled)
	}
	if err != nil {
		return err
	}
	for _, name := range names {
		if err := e.add(name); err != nil {
			return err
		}
	}
	e.readTo = settled
	return nil
}

// readAll reads all erasures in the log. It is needed at startup and after a
// restore only.
func (e *erasures) readAll(ctx context.Context) (names []string, err error) {
	err = record.EachChain(ctx, e.db, func(chain *pb.Chain) error {
		return storage.Read(ctx, e.db, record.Chain(chain.Name), func(r *storage.Snapshot) error {
			found, err := storage.Erasures(r)
			names = append(names, found...)
			return err
		})
	})
	return names, err
}

// findRevived searches the database for keys of erased clients. What it finds is
// marked in storage and is then refused to every call.
func (e *erasures) findRevived(ctx context.Context) error {
	return record.EachChain(ctx, e.db, func(chain *pb.Chain) error {
		return storage.Read(ctx, e.db, record.Chain(chain.Name), storage.FindRevived)
	})
}

// eraseAgain destroys the keys of erased clients that were found in the database,
// and returns the names of these clients. Each destruction has an audit entry of
// its own, in chunks of 1,000 for one transaction. On an error the rest is tried
// again by the next call.
func (e *erasures) eraseAgain(ctx context.Context, now time.Time) ([]string, error) {
	found := e.db.RevivedClients()
	byChain := map[string][]string{}
	for _, name := range found {
		chain := actor.ChainOf(name)
		byChain[chain] = append(byChain[chain], path.Base(name))
	}
	for chain, ids := range byChain {
		audit := ledger.EntryContext{Chain: chain, Actor: "server", Time: now, NewID: storage.NewID}
		for some := range slices.Chunk(ids, 1000) {
			_, err := storage.EraseAgain(ctx, e.db, record.Chain(chain), some, func(id string) *pb.AuditEntry {
				return audit.Erased(chain+"/clients/"+id, ledger.ErasedAgain)
			})
			if err != nil {
				return found, err
			}
		}
	}
	return found, nil
}
