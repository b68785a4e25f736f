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

// sealer seals the records of one write. The zero sealer is that of a write that
// concerns no client.
type sealer struct {
	// keys are the opened keys by client ID.
	keys map[string]*clientKey
	// fresh are the keys of new clients.
	fresh []wrappedKey
	// erase are the clients whose keys are destroyed.
	erase []string
	// open is the number of open sessions that they had.
	open int
	// keepClients are the clients that must not be erased meanwhile.
	keepClients []string
	// about is the client that the request is about; empty: none.
	about string
	// opened are the records that the function has read.
	opened []openedRecord
	// digests are those of the events that it has read from memory.
	digests [][]factDigests
	// sealed maps the digest of a plain record, which services know, to the digest of its
	// stored form, which entries must have.
	sealed map[[sha256.Size]byte][]byte
}

// newSealer collects the keys that changes need. Keys of clients whose records were
// read are in the snapshot; others are read from it. New clients get new keys. A
// request that erases a client is kept in clear, because its answer must outlive the
// key.
func (w *write) newSealer(s *Snapshot, changes Changes) (sealer, error) {
	if s.keys == nil {
		s.keys = map[string]*clientKey{}
	}
	g := sealer{about: cmp.Or(clientIn(changes.About), clientOf(w.req)), opened: s.opened, digests: s.digests, keys: s.keys}
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

// fetchKeys reads the keys of clients that are not in the snapshot yet. A missing key
// is no error here; sealing reports it.
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

// clientOf returns the ID of the client that a request is about. It looks at the
// request's parent, name or session, or at the name of the record in the request. Other names and texts in it do not count.
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

// clientIn returns the ID of the client in a resource name; empty if there is none.
func clientIn(name string) string {
	parts := strings.Split(name, "/")
	if len(parts) < 4 || parts[0] != "chains" || parts[2] != "clients" || parts[3] == "-" {
		return ""
	}
	return parts[3]
}

// sealClaim seals request and answer, and tells the claim which clients must not be
// erased.
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

// sealRecord seals a record of a client and replaces its etags by keyed ones. Records
// in clear are left as they are.
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
	g.addDigest(openedRecord{r.name, r.key, plain, r.body})
	return nil
}

// addDigest notes the digest of the sealed form for the digest of the plain form.
func (g *sealer) addDigest(o openedRecord) {
	if g.sealed == nil {
		g.sealed = map[[sha256.Size]byte][]byte{}
	}
	sum := sha256.Sum256(o.sealed)
	g.sealed[sha256.Sum256(o.plain)] = sum[:]
}

// replaceCauseDigest replaces the cause digest of an entry, which a service made over
// the plain record, by that of the stored record. A digest over anything else of a
// client could be found by trying; it is replaced by one that only the client's key
// makes, or dropped without a key.
func (g *sealer) replaceCauseDigest(e *pb.AuditEntry) {
	if len(e.GetCauseDigest()) != sha256.Size || len(g.keys) == 0 && e.GetClient() == "" {
		return
	}
	plain := [sha256.Size]byte(e.GetCauseDigest())
	if g.sealed[plain] == nil {
		for _, o := range g.opened {
			g.addDigest(o)
		}
		for _, d := range slices.Concat(g.digests...) {
			if g.sealed == nil {
				g.sealed = map[[sha256.Size]byte][]byte{}
			}
			g.sealed[d.plain] = d.sealed[:]
		}
		g.opened, g.digests = nil, nil
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
