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

// erasedClients lists the clients who were erased, as the audit log and the
// server's own file say. A key in client_keys that belongs to one of them was put
// back, by a restored backup or by hand, and is never used.
type erasedClients struct {
	mu      sync.RWMutex
	ids     map[string]map[string]bool // by chain
	revived map[string]bool            // resource names whose key was found since RevivedClients
}

// MarkErased adds clients, by their resource names, to the list of those whose
// keys are not used. Names that are no client's are ignored.
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
	}
}

// RevivedClients returns the resource names of erased clients whose keys were
// found in the database since the last call.
func (db *DB) RevivedClients() []string {
	db.erased.mu.Lock()
	defer db.erased.mu.Unlock()
	names := slices.Sorted(maps.Keys(db.erased.revived))
	db.erased.revived = nil
	return names
}

// ErasedClients returns the ids of the erased clients of a chain that this server
// knows of.
func (db *DB) ErasedClients(chain string) []string {
	db.erased.mu.RLock()
	defer db.erased.mu.RUnlock()
	// Never nil, which a query would take for NULL.
	return slices.AppendSeq([]string{}, maps.Keys(db.erased.ids[chain]))
}

// has reports whether a client was erased. The caller has found a key of the
// client, so a client that was erased is noted as revived.
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

// errErased is the answer to a read of a client who was erased: that of a client
// who never was.
func errErased(client string) error { return fmt.Errorf("%w: client %s", ErrNotFound, client) }

// FindRevived looks for keys of erased clients of the chain, and notes them for
// RevivedClients.
func FindRevived(s *Snapshot) error {
	for some := range slices.Chunk(s.tx.db.ErasedClients(s.chain), 1000) {
		var found []string
		if err := s.all(&found, "select client from client_keys where chain = $1 and client = any($2)", s.chain, pq.Array(some)); err != nil {
			return err
		}
		for _, client := range found {
			s.tx.db.erased.has(s.chain, client)
		}
	}
	return nil
}

// erasureMark is what the bytes of every entry of kind ERASURE contain. It narrows a
// search through bodies, which are signed; search columns are not, and somebody may
// have edited them.
var erasureMark, _ = stored.Marshal(&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ERASURE}) // cannot fail

// erasedBy reads from bodies of entries who was erased. Other entries do not count.
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

// Erasures reads the resource names of all clients of the chain whose erasure is
// on the audit log. It goes through the bodies of all entries.
func Erasures(s *Snapshot) ([]string, error) {
	var bodies [][]byte
	err := s.all(&bodies, "select body from audit_entries where chain = $1 and position($2::bytea in body) > 0", s.chain, erasureMark)
	names := erasedBy(bodies)
	slices.Sort(names)
	return slices.Compact(names), err
}

// ErasuresFrom reads the resource names of the clients of all chains whose
// erasure is on the audit log at positions from one up to, but without, another.
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
