package serve

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/service/actor"
	"alkalog/service/consultation"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// erasures is the list of erased clients, by resource names, which are not
// personal data. The audit log is authoritative. The file, one name per line,
// keeps the list outside of the database: a restored backup brings back keys that
// were destroyed since, which are then never used and are destroyed again. All
// servers of an installation may share the file: lines are only appended, and
// each server fills in only the lines that it has appended itself.
//
// Room for a name is reserved before the client is erased: a line of placeholders,
// which the name replaces in place, so that a full disk cannot come in between. While
// the file cannot be written, everything works but erasures.
type erasures struct {
	file string // empty: none
	db   *storage.DB
	mu   sync.Mutex
	// known are the names in the file.
	known map[string]bool
	// spare are the offsets of reserved lines that were given back.
	spare []int64
	// trouble is why the file could not be written the last time; nil: it could.
	trouble error
	// readTo is the position up to which the log was read. Only readLog uses
	// it, and runs once at a time.
	readTo int64
}

const (
	// placeholder fills a reserved line. No name contains it.
	placeholder = '#'
	// reservedLine is the length of a reserved line without its end. A client's name
	// has at most 116 characters: "chains/", 63, "/clients/" and 36.
	reservedLine = 127
)

// errErasureFile means that the file cannot be written. Nothing is wrong with its
// content.
var errErasureFile = errors.New("the erasure file cannot be written")

// openErasures reads the file, and creates it if it does not exist: a file in the
// wrong place must be found at startup, not at the first erasure. A disk that is
// full or read-only is no reason not to start; the error is then errErasureFile, and
// the list can be used. A file that exists and cannot be read is a reason: without
// its content, clients could be read that are erased.
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
		if diskRefuses(err) {
			e.trouble = fmt.Errorf("%w: %w", errErasureFile, err)
			return e, e.trouble
		}
	}
	if err != nil {
		return nil, fmt.Errorf("erased clients: %w", err)
	}
	for _, name := range erasedNames(string(content)) {
		e.known[name] = true
		e.db.MarkErased(name)
	}
	return e, nil
}

// erasedNames returns the names in the content of the file. An incomplete line belongs
// to an erasure that was not acknowledged; the database has it if it was committed.
func erasedNames(content string) []string {
	var names []string
	for line := range strings.Lines(content) {
		name, whole := strings.CutSuffix(line, "\n")
		if whole && name != "" && !strings.ContainsRune(name, placeholder) {
			names = append(names, name)
		}
	}
	return names
}

// diskRefuses reports whether an error comes from the disk and not from a wrong
// setting.
func diskRefuses(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EROFS) || errors.Is(err, syscall.EIO)
}

// reservation is a line of the file that a name can be written into.
type reservation struct {
	list *erasures
	at   int64 // -1: the line was used, or there is no file
}

// Reserve implements consultation.ErasureList. When it returns nil, the line is
// durable.
func (e *erasures) Reserve() (consultation.Reservation, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	at, err := e.reserve()
	return &reservation{e, at}, err
}

// reserve returns the offset of a reserved line. The caller holds e.mu.
func (e *erasures) reserve() (int64, error) {
	if e.file == "" {
		return -1, nil
	}
	if n := len(e.spare); n > 0 {
		at := e.spare[n-1]
		e.spare = e.spare[:n-1]
		return at, nil
	}
	at, err := e.appendLine()
	e.trouble = nil
	if err != nil {
		e.trouble = fmt.Errorf("%w: %w", errErasureFile, err)
	}
	return at, e.trouble
}

// appendLine appends a line of placeholders and returns its offset.
func (e *erasures) appendLine() (int64, error) {
	f, err := os.OpenFile(e.file, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return -1, err
	}
	// The previous line may be incomplete.
	line := "\n" + strings.Repeat(string(placeholder), reservedLine) + "\n"
	_, err = f.WriteString(line)
	end, seekErr := f.Seek(0, io.SeekCurrent)
	return end - int64(len(line)) + 1, errors.Join(err, seekErr, f.Sync(), f.Close())
}

// Note implements consultation.Reservation.
func (r *reservation) Note(client string) error {
	r.list.db.MarkErased(client)
	r.list.mu.Lock()
	defer r.list.mu.Unlock()
	if r.at < 0 || r.list.known[client] {
		return nil
	}
	if err := r.list.fill(r.at, client); err != nil {
		return err
	}
	r.at = -1
	return nil
}

// Release implements consultation.Reservation.
func (r *reservation) Release() {
	r.list.mu.Lock()
	defer r.list.mu.Unlock()
	if r.at >= 0 {
		r.list.spare = append(r.list.spare, r.at)
		r.at = -1
	}
}

// fill writes a name into a reserved line. It needs no more room on the disk. The
// caller holds e.mu.
func (e *erasures) fill(at int64, client string) error {
	if len(client)+1 > reservedLine {
		return fmt.Errorf("erased clients: the name has %d characters", len(client))
	}
	f, err := os.OpenFile(e.file, os.O_WRONLY, 0)
	if err != nil {
		return fmt.Errorf("%w: %w", errErasureFile, err)
	}
	_, err = f.WriteAt([]byte(client+strings.Repeat("\n", reservedLine-len(client))), at)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("%w: %w", errErasureFile, err)
	}
	e.known[client] = true
	return nil
}

// add adds clients that the audit log says were erased to the list and the file. All
// of them count as erased at once, also if the file cannot be written.
func (e *erasures) add(clients []string) error {
	e.db.MarkErased(clients...)
	for _, client := range clients {
		e.mu.Lock()
		known := e.known[client]
		e.mu.Unlock()
		if known {
			continue
		}
		room, err := e.Reserve()
		if err == nil {
			err = room.Note(client)
			room.Release()
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// check finds out whether the file can be written, if it could not the last time.
func (e *erasures) check() error {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.trouble == nil {
		return nil
	}
	at, err := e.reserve()
	if err == nil {
		e.spare = append(e.spare, at)
	}
	return err
}

// unwritable reports whether the file could not be written the last time.
func (e *erasures) unwritable() bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.trouble != nil
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
	if err := e.add(names); err != nil {
		return err
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
