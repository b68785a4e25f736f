package storage

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"github.com/lib/pq"

	pb "alkalog/proto/alkalogv1"
)

// erasedClients lists the clients that were erased, according to the audit log and to
// the server's own erasure file. If client_keys has a key of one of them, a restored
// backup or somebody by hand has put it back; it is never used.
//
// The list lives in memory and is filled at startup and from new log entries. Until it
// is, a restored key could be used; the server therefore loads the file before it
// serves.
type erasedClients struct {
	mu sync.RWMutex
	// ids are the client IDs by chain.
	ids map[string]map[string]bool
	// revived are the resource names of erased clients whose key was found since the last call
	// of RevivedClients.
	revived map[string]bool
}

// MarkErased adds clients, by their resource names, to the list of those whose keys are
// not used. Other names are ignored. Nothing ever removes a client from the list.
func (db *DB) MarkErased(names ...string) {
	db.erased.mu.Lock()
	defer db.erased.mu.Unlock()
	for _, name := range names {
		at, err := parseName(name)
		if err != nil || clientIn(name) != at.id {
			continue
		}
		if db.erased.ids[at.chain] == nil {
			if db.erased.ids == nil {
				db.erased.ids = map[string]map[string]bool{}
			}
			db.erased.ids[at.chain] = map[string]bool{}
		}
		db.erased.ids[at.chain][at.id] = true
		db.facts.dropClient(at.chain, at.id)
		db.decided.dropClient(at.chain, at.id)
	}
}

// RevivedClients returns the resource names of erased clients whose keys were found in
// the database since the last call, sorted. The caller destroys these keys with
// EraseAgain.
func (db *DB) RevivedClients() []string {
	db.erased.mu.Lock()
	defer db.erased.mu.Unlock()
	names := slices.Sorted(maps.Keys(db.erased.revived))
	db.erased.revived = nil
	return names
}

// ErasedClients returns the IDs of the erased clients of a chain that this server
// knows. The result is never nil, because a nil slice becomes NULL in a query and "<>
// all(NULL)" holds for no row.
func (db *DB) ErasedClients(chain string) []string {
	db.erased.mu.RLock()
	defer db.erased.mu.RUnlock()
	// Never nil, which a query would take for NULL.
	return slices.AppendSeq([]string{}, maps.Keys(db.erased.ids[chain]))
}

// has reports whether a client was erased. The caller has found a key of that client,
// so has also records an erased client as revived.
func (e *erasedClients) has(chain, client string) bool {
	e.mu.RLock()
	erased := e.ids[chain][client]
	e.mu.RUnlock()
	if !erased {
		return false
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.revived == nil {
		e.revived = map[string]bool{}
	}
	e.revived[strings.Join([]string{"chains", chain, "clients", client}, "/")] = true
	return true
}

// listed reports whether a client was erased, without having found a key.
func (e *erasedClients) listed(chain, client string) bool {
	e.mu.RLock()
	defer e.mu.RUnlock()
	return e.ids[chain][client]
}

// errErased is the error of reading an erased client, the same as for a client that
// never existed.
func errErased(client string) error { return fmt.Errorf("%w: client %s", ErrNotFound, client) }

// FindRevived looks for keys of erased clients of the chain and records them for
// RevivedClients. It asks for 1,000 IDs per query.
func FindRevived(s *Snapshot) error {
	for some := range slices.Chunk(s.db.ErasedClients(s.chain), 1000) {
		var found []string
		if err := s.all(&found, "select client from client_keys where chain = $1 and client = any($2)", s.chain, pq.Array(some)); err != nil {
			return err
		}
		for _, client := range found {
			s.db.erased.has(s.chain, client)
		}
	}
	return nil
}

// erasureMark is a byte sequence that every stored entry of kind ERASURE contains: its
// encoded kind. It preselects bodies in SQL. The bodies are signed, whereas the search
// column kind is not and may have been edited. Other entries can contain the same
// bytes; erasedBy checks each.
var erasureMark, _ = stored.Marshal(&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ERASURE}) // cannot fail

// erasedBy returns who was erased according to stored entries. Bodies of other kinds
// and unreadable ones are skipped.
func erasedBy(bodies [][]byte) []string {
	var names []string
	for _, body := range bodies {
		e, err := parse[*pb.AuditEntry](body)
		if err == nil && e.GetKind() == pb.EntryKind_ENTRY_KIND_ERASURE && e.GetClient() != "" {
			names = append(names, e.GetClient())
		}
	}
	return names
}

// Erasures reads the resource names of all clients of the chain whose erasure is on the
// audit log, sorted. It reads the bodies of all entries, so call it rarely.
func Erasures(s *Snapshot) ([]string, error) {
	var bodies [][]byte
	err := s.all(&bodies, "select body from audit_entries where chain = $1 and position($2::bytea in body) > 0", s.chain, erasureMark)
	names := erasedBy(bodies)
	slices.Sort(names)
	return slices.Compact(names), err
}

// ErasuresFrom reads the resource names of the clients of all chains whose erasure is
// on the audit log at positions in [from, before).
func ErasuresFrom(ctx context.Context, db *DB, from, before int64) ([]string, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer tx.end()
	var bodies [][]byte
	err = tx.SelectContext(ctx, &bodies, "select body from audit_entries where position >= $1 and position < $2 and position($3::bytea in body) > 0",
		from, before, erasureMark)
	return erasedBy(bodies), explain(ctx, err)
}
