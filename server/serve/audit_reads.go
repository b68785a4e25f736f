package serve

import (
	"context"
	"crypto/sha256"
	"log/slog"
	"maps"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/audit"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/storage"
)

// auditReads records what an auditor reads in the audit log before the auditor
// receives it; a read that cannot be recorded is refused. A stream is recorded
// before its first message. The next pages of a list belong to the read that
// began it, for a minute: with an entry for each page, a reader of the log in
// small pages would never reach its end. A failed call is not recorded, because
// nothing was read.
func (in *interceptors) auditReads(ctx context.Context, c *call, next func(context.Context) error) error {
	if c.actor.Role != pb.Role_ROLE_AUDITOR || isPublic(c.method) || in.accessByMethod[c.method].GetMutates() {
		return next(ctx)
	}
	c.readUnaudited = true
	if err := next(ctx); err != nil {
		return err
	}
	return in.recordRead(ctx, c) // also a stream that held nothing
}

// recordRead records a read once. It is called before each message of an answer
// and records the first time.
func (in *interceptors) recordRead(ctx context.Context, c *call) error {
	if !c.readUnaudited || in.recentReads.continues(c, in.now()) {
		return nil
	}
	entry, err := in.readEntry(c)
	if err == nil {
		err = in.audit.append(ctx, c.actor.Chain, entry)
	}
	if err != nil {
		in.log.LogAttrs(ctx, slog.LevelError, "cannot record a read by an auditor in the audit log",
			slog.String("method", c.method), slog.String("error", err.Error()))
		return fault.NotWitnessed()
	}
	c.readUnaudited = false
	in.recentReads.add(c, in.now())
	return nil
}

// A minute is longer than a program needs between two pages, and shorter than a
// reader would take to come back for another question.
const (
	// pageWindow is how long further pages belong to a recorded read; our own
	// choice.
	pageWindow = time.Minute
	// maxRecentReads bounds the remembered reads. Each page of a read beyond it
	// becomes an entry of its own.
	maxRecentReads = 10_000
)

// recentReads remembers the recently recorded reads of lists. Each server has its
// own; a list that continues on another server is recorded there once more.
type recentReads struct {
	mu   sync.Mutex
	last map[[sha256.Size]byte]time.Time
}

// continues reports whether a call requests a further page of a recently
// recorded read.
func (g *recentReads) continues(c *call, now time.Time) bool {
	if stringField(c.request, "page_token") == "" {
		return false
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	entered, known := g.last[readKey(c)]
	return known && now.Sub(entered) < pageWindow
}

// add remembers a recorded read. When full, the oldest are removed; if none is
// old enough, the read is not remembered.
func (g *recentReads) add(c *call, now time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.last) >= maxRecentReads {
		maps.DeleteFunc(g.last, func(_ [sha256.Size]byte, at time.Time) bool { return now.Sub(at) >= pageWindow })
	}
	if g.last == nil {
		g.last = map[[sha256.Size]byte]time.Time{}
	}
	if len(g.last) < maxRecentReads {
		g.last[readKey(c)] = now
	}
}

// readKey identifies a read by caller, method and request without its page
// token.
func readKey(c *call) [sha256.Size]byte {
	whole := proto.Clone(c.request)
	if f := whole.ProtoReflect().Descriptor().Fields().ByName("page_token"); f != nil {
		whole.ProtoReflect().Clear(f)
	}
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(whole)
	if err != nil {
		return sha256.Sum256([]byte(err.Error())) // invalid UTF-8, which nothing that came in has
	}
	return sha256.Sum256(append([]byte(c.actor.Name+" "+c.method+" "), body...))
}

// readEntry returns the audit entry of a read. The entry holds the shape of the
// filter; values are replaced by keyed digests. A filter can contain the name of
// a client or a reason, which must not be on the log in clear.
func (in *interceptors) readEntry(c *call) (*pb.AuditEntry, error) {
	entryContext := ledger.EntryContext{
		Chain: c.actor.Chain, Actor: c.actor.Name, Role: c.actor.Role, Till: c.actor.Till, TraceID: c.actor.TraceID,
		Time: in.now(), NewID: storage.NewID,
	}
	query, err := audit.Shape(stringField(c.request, "filter"), func(value string) (string, error) { return in.audit.digest(c.actor.Chain, value) })
	if err != nil {
		return nil, err
	}
	e := entryContext.Read(shortMethod(c.method), query)
	e.TillVersion = c.actor.TillVersion
	setSubjects(e, stringField(c.request, "name"))
	setSubjects(e, stringField(c.request, "parent"))
	return e, setRequired(e, stringField(c.request, "filter"), c.actor.Chain)
}

// setRequired sets the client of an entry, and the decision or session, if the filter of
// the read requires one client. A name holds no personal data. A filter that requires
// two clients finds nothing about either.
func setRequired(e *pb.AuditEntry, filter, chain string) error {
	names, err := audit.Required(filter, chain)
	if err != nil {
		return err
	}
	of := &pb.AuditEntry{}
	for _, name := range names {
		before := of.Client
		if setSubjects(of, name); before != "" && of.Client != before {
			return nil
		}
	}
	for _, name := range names {
		setSubjects(e, name)
	}
	return nil
}

// setSubjects sets the fields of an entry that name the records in a resource
// name. A search by client or by salon then also finds who read about them.
func setSubjects(e *pb.AuditEntry, name string) {
	parts := strings.Split(name, "/")
	for i := 2; i+1 < len(parts); i += 2 {
		if parts[i+1] == "-" {
			continue // of every one
		}
		switch at := strings.Join(parts[:i+2], "/"); parts[i] {
		case "salons":
			e.Salon = at
		case "clients":
			e.Client = at
		case "decisions":
			e.Decision = at
		case "sessions":
			e.Session = at
		case "products":
			e.Product = at
		case "policies":
			e.HousePolicy = at
		}
	}
}

// stringField returns the text in a field of a request; empty if it has no such
// field.
func stringField(m proto.Message, field protoreflect.Name) string {
	if m == nil {
		return ""
	}
	f := m.ProtoReflect().Descriptor().Fields().ByName(field)
	if f == nil || f.Kind() != protoreflect.StringKind || f.IsList() {
		return ""
	}
	return m.ProtoReflect().Get(f).String()
}
