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
	"alkalog/server/keyfile"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// erasures is the file of clients who were erased, by their resource names, one a
// line, which mean nothing by themselves. A database that is restored from a
// backup brings keys back that were destroyed since; with the file they are
// destroyed again before anything is served.
type erasures struct {
	file  string // empty: there is none
	mu    sync.Mutex
	known map[string]bool
	// learnt is up to which entry the log of each chain was looked through; only
	// learn uses it, which runs once at a time.
	learnt map[string]string
}

// openErasures reads the file, and makes it where it is not there yet: that it
// cannot be written must not be found out by the first erasure.
func openErasures(file string) (*erasures, error) {
	e := &erasures{file: file, known: map[string]bool{}, learnt: map[string]string{}}
	if file == "" {
		return e, nil
	}
	content, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) {
		if err = keyfile.Create(file, nil); errors.Is(err, os.ErrExist) {
			err = nil // another server of this machine was faster
		}
	}
	if err != nil {
		return nil, fmt.Errorf("erased clients: %w", err)
	}
	for line := range strings.Lines(string(content)) {
		// A line that was cut short belongs to an erasure that nobody was told of
		// yet; the database has it.
		if name, whole := strings.CutSuffix(line, "\n"); whole && name != "" {
			e.known[name] = true
		}
	}
	return e, nil
}

// add puts a client into the file. When it returns nil that is on the disk.
func (e *erasures) add(client string) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.file == "" || e.known[client] {
		return nil
	}
	f, err := os.OpenFile(e.file, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return fmt.Errorf("erased clients: %w", err)
	}
	// The line before may have been cut short.
	_, err = f.WriteString("\n" + client + "\n")
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("erased clients: %w", err)
	}
	e.known[client] = true
	return nil
}

// agree brings the database and the file together, before anything is served:
// clients in the file who are back are erased again, and erasures that only the
// database knows of go into the file.
func (e *erasures) agree(ctx context.Context, db *storage.DB, now time.Time) error {
	if e.file == "" {
		return nil
	}
	err := record.EachChain(ctx, db, func(chain *pb.Chain) error { return e.eraseAgain(ctx, db, chain.Name, now) })
	if err != nil {
		return err
	}
	return e.learn(ctx, db)
}

// eraseAgain erases the clients of a chain who are in the file.
func (e *erasures) eraseAgain(ctx context.Context, db *storage.DB, chain string, now time.Time) error {
	var ids []string
	for name := range e.known {
		if strings.HasPrefix(name, chain+"/") {
			ids = append(ids, path.Base(name))
		}
	}
	scene := ledger.Scene{Chain: chain, Actor: "server", Time: now, NewID: storage.NewID}
	for some := range slices.Chunk(ids, 1000) {
		_, err := storage.EraseAgain(ctx, db, record.Chain(chain), some, func(id string) *pb.AuditEntry {
			return scene.Erased(chain+"/clients/"+id, ledger.ErasedAgain)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// learn puts the erasures into the file that other servers on the database have
// done since it was last asked.
func (e *erasures) learn(ctx context.Context, db *storage.DB) error {
	if e.file == "" {
		return nil
	}
	settled, err := storage.SettledBefore(ctx, db)
	if err != nil {
		return err
	}
	return record.EachChain(ctx, db, func(chain *pb.Chain) error { return e.learnChain(ctx, db, chain.Name, settled) })
}

// learnChain goes on where it has stopped in a chain.
func (e *erasures) learnChain(ctx context.Context, db *storage.DB, chain string, settled int64) error {
	erased := storage.EntryFilter{Op: "=", Field: "kind", Value: pb.EntryKind_ENTRY_KIND_ERASURE.String()}
	for page := (storage.Page{Size: 500, Token: e.learnt[chain]}); ; {
		var entries []storage.Entry
		err := storage.Read(ctx, db, record.Chain(chain), func(r *storage.Snapshot) (err error) {
			entries, page.Token, err = storage.ListEntries(r, erased, page, settled)
			return err
		})
		if err != nil {
			return err
		}
		for _, entry := range entries {
			if entry.Position >= settled {
				return nil // what comes to stand before it would be passed by
			}
			if err := e.add(entry.GetClient()); err != nil {
				return err
			}
			e.learnt[chain] = entry.Token
		}
		if page.Token == "" || len(entries) == 0 {
			return nil
		}
	}
}
