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

// witness enters what an auditor reads on the audit log before the auditor has
// it: a read that cannot be entered is not answered. A stream is entered before
// its first message. The further pages of a list belong to the read that began
// it, for a minute: if each page made an entry, a reader of the log in small
// pages would never come to its end.
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

// seen enters a read, once.
func (in *interceptors) recordRead(ctx context.Context, c *call) error {
	if !c.readUnaudited || in.recentReads.continues(c, in.now()) {
		return nil
	}
	entry, err := in.readEntry(c)
	if err == nil {
		err = in.audit.append(ctx, c.actor.Chain, entry)
	}
	if err != nil {
		in.log.LogAttrs(ctx, slog.LevelError, "a read by an auditor could not be entered on the audit log",
			slog.String("method", c.method), slog.String("error", err.Error()))
		return fault.NotWitnessed()
	}
	c.readUnaudited = false
	in.recentReads.add(c, in.now())
	return nil
}

const (
	// goesOnFor is how long further pages belong to a read that was entered.
	pageWindow = time.Minute
	// mostGlances bounds the reads that are remembered; the pages of others are
	// entered each.
	maxRecentReads = 10_000
)

// glances are the reads of lists that were entered lately.
type recentReads struct {
	mu   sync.Mutex
	last map[[sha256.Size]byte]time.Time
}

// goesOn reports whether a call asks for a further page of a read that was
// entered lately.
func (g *recentReads) continues(c *call, now time.Time) bool {
	if stringField(c.request, "page_token") == "" {
		return false
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	entered, known := g.last[readKey(c)]
	return known && now.Sub(entered) < pageWindow
}

// entered remembers that a read was entered.
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

// glance tells reads apart: by whom, of what, whichever page.
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

// readBy is the entry of a read. Of its filter it holds the shape.
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
	return e, nil
}

// about fills in what a name is of.
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

// textOf is the text in a field of a request; empty when it has none.
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
