package storage

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"

	"github.com/lib/pq"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// sealer is what a write seals its records with. The zero sealer is that of a
// write that concerns no client.
type sealer struct {
	keys        map[string]*clientKey // by the id of the client
	fresh       []wrappedKey          // of clients who are new
	erase       []string              // ids of clients whose keys are destroyed
	open        int                   // sessions of theirs that were open
	keepClients []string              // ids of clients who must not be erased meanwhile
	about       string                // the client whom the request is about; empty: nobody
	opened      []openedRecord        // what was read
	// sealed is the digests of records as they are stored, by their digests as
	// services know them.
	sealed map[[sha256.Size]byte][]byte
}

// newSealer gathers the keys that changes need. Those of clients whose records
// were read are at hand; others are fetched from the same snapshot.
func (w *write) newSealer(s *Snapshot, changes Changes) (sealer, error) {
	if s.keys == nil {
		s.keys = map[string]*clientKey{}
	}
	g := sealer{about: cmp.Or(clientIn(changes.About), clientOf(w.req)), opened: s.opened, keys: s.keys}
	for _, r := range changes.Records {
		if r.client == "" {
			continue
		}
		if r.statements == Clients.statements && r.action == insert && g.keys[r.client] == nil {
			key, wrapped, err := w.db.freshKey(w.chain, r.client)
			if err != nil {
				return sealer{}, err
			}
			g.keys[r.client], g.fresh = key, append(g.fresh, wrapped)
		}
		g.keepClients = append(g.keepClients, r.client)
	}
	for _, e := range changes.Erase {
		g.erase = append(g.erase, clientIn(e.Client))
		g.open += e.Open
	}
	if len(g.erase) > 0 {
		g.about = "" // the request outlives the client, and is kept in clear
	} else if g.about == "" && len(g.fresh) == 1 {
		g.about = g.fresh[0].Client
	}
	if g.about != "" {
		g.keepClients = append(g.keepClients, g.about)
	}
	slices.Sort(g.keepClients)
	g.keepClients = slices.Compact(g.keepClients)
	if err := s.fetchKeys(slices.Clone(g.keepClients)); err != nil {
		return sealer{}, err
	}
	g.keepClients = slices.DeleteFunc(g.keepClients, func(client string) bool {
		isFresh := slices.ContainsFunc(g.fresh, func(w wrappedKey) bool { return w.Client == client })
		return isFresh || slices.Contains(g.erase, client)
	})
	return g, nil
}

// fetchKeys makes sure that the keys of clients are at hand.
func (s *Snapshot) fetchKeys(clients []string) error {
	clients = slices.DeleteFunc(clients, func(client string) bool { return s.keys[client] != nil })
	if len(clients) == 0 {
		return nil
	}
	var found []wrappedKey
	err := s.all(&found, "select client, version, wrapped from client_keys where chain = $1 and client = any($2)", s.chain, pq.Array(clients))
	for _, w := range found {
		if err == nil {
			_, err = s.clientKey(w)
		}
	}
	return err
}

// clientOf is the id of the client whom a request is about, by the name that it
// says it is about: its parent, its name, its session, or the name of the record
// that it brings. Other names and texts in it do not count.
func clientOf(req proto.Message) string {
	m := req.ProtoReflect()
	for _, name := range []protoreflect.Name{"parent", "name", "session"} {
		if f := m.Descriptor().Fields().ByName(name); f != nil && f.Kind() == protoreflect.StringKind && !f.IsList() {
			return clientIn(m.Get(f).String())
		}
	}
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		if f.Message() == nil || f.IsList() || f.IsMap() || !m.Has(f) {
			continue
		}
		if name := f.Message().Fields().ByName("name"); name != nil && name.Kind() == protoreflect.StringKind {
			return clientIn(m.Get(f).Message().Get(name).String())
		}
	}
	return ""
}

// clientIn is the id of the client in a resource name; empty where there is none.
func clientIn(name string) string {
	parts := strings.Split(name, "/")
	if len(parts) < 4 || parts[0] != "chains" || parts[2] != "clients" || parts[3] == "-" {
		return ""
	}
	return parts[3]
}

// sealClaim seals a request and its answer, and says which clients a write needs.
func (g *sealer) sealClaim(c *claim) error {
	c.keepClients = g.keepClients
	if g.about == "" {
		return nil
	}
	key := g.keys[g.about]
	if key == nil {
		return fmt.Errorf("%w: client %s", ErrNotFound, g.about)
	}
	c.seal(g.about, key)
	return nil
}

// sealRecord seals a record of a client's.
func (g *sealer) sealRecord(r *Record) error {
	if r.err != nil || r.statements.client == "" {
		return nil
	}
	key := g.keys[r.client]
	if key == nil {
		return fmt.Errorf("%w: client %s", ErrNotFound, r.client)
	}
	r.was, r.etag = key.etag(r.was), key.etag(r.etag)
	if r.action == unchanged {
		return nil
	}
	plain := r.body
	r.body = key.seal(r.name, r.key, plain)
	g.addDigest(openedRecord{plain, r.body})
	return nil
}

// addDigest remembers how a record's digest reads when it is sealed.
func (g *sealer) addDigest(o openedRecord) {
	if g.sealed == nil {
		g.sealed = map[[sha256.Size]byte][]byte{}
	}
	sum := sha256.Sum256(o.sealed)
	g.sealed[sha256.Sum256(o.plain)] = sum[:]
}

// replaceCauseDigest names the cause of an entry by what is stored. A digest of anything else
// of a client's could be guessed at, and becomes one that the client's key makes.
func (g *sealer) replaceCauseDigest(e *pb.AuditEntry) {
	if len(e.GetCauseDigest()) != sha256.Size || len(g.keys) == 0 && e.GetClient() == "" {
		return
	}
	plain := [sha256.Size]byte(e.GetCauseDigest())
	if g.sealed[plain] == nil {
		for _, o := range g.opened {
			g.addDigest(o)
		}
		g.opened = nil
	}
	key := g.keys[clientIn(e.GetClient())]
	switch {
	case g.sealed[plain] != nil:
		e.CauseDigest = g.sealed[plain]
	case key != nil:
		e.CauseDigest = key.digest("cause", plain[:])
	case e.GetClient() != "":
		e.CauseDigest = nil
	}
}
