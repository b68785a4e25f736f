package consultation

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/json"
	"io"
	"math"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/storage"
)

const (
	// partBytes is how long a part of an export is, our own choice: far below the limit of
	// a message, and a slow reader is noticed early.
	partBytes = 64 << 10
	// visitsExported is how many visits the record card of an export shows, as
	// GetRecordCard does.
	visitsExported = 50
)

// ExportClient hands out everything about a client as one JSON object. The export is on
// the audit log before the first part is sent.
//
// The file is written as it is read, record by record, so that a client of twenty years
// needs no more memory than one of today. Each member is read on a snapshot of its own:
// records that are added meanwhile may or may not be in the file, and none is there by
// half. A reader that is too slow ends the export with an error; without the digest in the
// last part it sees that the file is incomplete.
func (s Service) ExportClient(req *pb.ExportClientRequest, stream pb.ConsultationService_ExportClientServer) error {
	ctx := stream.Context()
	caller := actor.From(ctx)
	if _, err := record.Read(ctx, s.DB, storage.Clients, req.Name); err != nil {
		return err
	}
	audit := record.EntryContext(caller, nil, req.Name, s.Now())
	if err := storage.AppendEntries(ctx, s.DB, record.Chain(req.Name), audit.HandedOut(req.Name)); err != nil {
		return err
	}
	sum := sha256.New()
	e := &export{ctx: ctx, caller: caller, db: s.DB, client: req.Name, out: bufio.NewWriterSize(io.MultiWriter(sum, parts{stream}), partBytes)}
	e.text("{")
	e.one("client", func(r *storage.Snapshot) (proto.Message, error) {
		return record.Get(r, caller, storage.Clients, req.Name)
	})
	e.one("recordCard", func(r *storage.Snapshot) (proto.Message, error) { return record.Card(r, req.Name, visitsExported) })
	each(e, "consultations", storage.Consultations.List, nil)
	each(e, "decisions", storage.Decisions.List, func(r *storage.Snapshot, d *pb.Decision) ([]proto.Message, error) {
		return []proto.Message{d}, record.Complete(r, d)
	})
	each(e, "sessions", storage.Sessions.List, sessionWithEvents)
	each(e, "outcomes", storage.Outcomes.List, shownOutcome)
	each(e, "incidents", storage.Incidents.List, shownIncident)
	each(e, "importedRecords", storage.ImportedRecords.List, nil)
	each(e, "entries", entriesOf, nil)
	e.text("\n}\n")
	if e.err == nil {
		e.err = e.out.Flush()
	}
	if e.err == nil {
		e.err = stream.Send(&pb.ExportClientResponse{Sha256: sum.Sum(nil)})
	}
	return e.err
}

// sessionWithEvents is a session and its events, as GetSession answers.
func sessionWithEvents(r *storage.Snapshot, session *pb.Session) ([]proto.Message, error) {
	if session.MovedTo != "" {
		return []proto.Message{&pb.GetSessionResponse{Session: record.ShownSession(session)}}, nil
	}
	events, err := storage.Events(r, session.Name, 0)
	return []proto.Message{&pb.GetSessionResponse{Session: session, Events: events}}, err
}

// shownOutcome and shownIncident leave out what is another person's: of a visit that
// was moved to the right client.
func shownOutcome(r *storage.Snapshot, o *pb.Outcome) ([]proto.Message, error) {
	shown, err := record.ShownOutcome(r, o)
	return []proto.Message{shown}, err
}

func shownIncident(_ *storage.Snapshot, i *pb.Incident) ([]proto.Message, error) {
	return []proto.Message{record.ShownIncident(i)}, nil
}

// Imported records are in the file as they are stored, with their source: they are about the
// client, wherever they come from.

// entriesOf lists the audit entries that mention a client.
func entriesOf(r *storage.Snapshot, client string, page storage.Page) ([]*pb.AuditEntry, string, error) {
	found, next, err := storage.ListEntries(r, storage.EntryFilter{Op: "=", Field: "client", Value: client}, page, math.MaxInt64)
	entries := make([]*pb.AuditEntry, len(found))
	for i, e := range found {
		entries[i] = e.AuditEntry
	}
	return entries, next, err
}

// parts sends what is written as parts of the file.
type parts struct {
	stream pb.ConsultationService_ExportClientServer
}

// Write sends one part.
func (p parts) Write(b []byte) (int, error) {
	return len(b), p.stream.Send(&pb.ExportClientResponse{Part: b})
}

// export writes the file. After an error nothing more is written.
type export struct {
	ctx    context.Context
	caller actor.Actor
	db     *storage.DB
	client string
	out    *bufio.Writer
	begun  bool // a member is there already
	err    error
}

// text writes text as it is.
func (e *export) text(text string) {
	if e.err == nil {
		_, e.err = e.out.WriteString(text)
	}
}

// member begins a member of the object. The names are those of the contract's JSON form,
// and their order never changes, so that two exports can be compared.
func (e *export) member(name string) {
	if e.begun {
		e.text(",")
	}
	e.begun = true
	e.text("\n\"" + name + "\": ")
}

// message writes a message as compact JSON, the same each time: protojson varies its white
// space on purpose, so the text is compacted. A record that does not exist is null.
func (e *export) message(m proto.Message) {
	if e.err != nil {
		return
	}
	if m == nil || !m.ProtoReflect().IsValid() {
		e.text("null")
		return
	}
	text, err := protojson.Marshal(m)
	if err == nil {
		text, err = json.Marshal(json.RawMessage(text))
	}
	if e.err = err; err == nil {
		_, e.err = e.out.Write(text)
	}
}

// one writes a member that is one record.
func (e *export) one(name string, read func(*storage.Snapshot) (proto.Message, error)) {
	e.member(name)
	e.read(func(r *storage.Snapshot) error {
		m, err := read(r)
		if err == nil {
			e.message(m)
		}
		return err
	})
}

// read reads from a snapshot of its own, unless something went wrong before. A
// client who is erased meanwhile ends the export: a file that looks whole and is
// not would be worse.
func (e *export) read(fn func(*storage.Snapshot) error) {
	if e.err != nil {
		return
	}
	err := storage.Read(e.ctx, e.db, record.Chain(e.client), func(r *storage.Snapshot) error {
		if _, err := record.Get(r, e.caller, storage.Clients, e.client); err != nil {
			return err
		}
		return fn(r)
	})
	if err != nil && e.err == nil {
		e.err = err
	}
}

// exportPage is how many records are read at a time.
const exportPage = 100

// each writes a member that is a list, read page by page; with, if not nil, says
// what is written of each record.
func each[M proto.Message](e *export, name string, list func(*storage.Snapshot, string, storage.Page) ([]M, string, error),
	with func(*storage.Snapshot, M) ([]proto.Message, error)) {
	e.member(name)
	e.text("[")
	separator := "\n"
	for page := (storage.Page{Size: exportPage}); e.err == nil; {
		var all []proto.Message
		e.read(func(r *storage.Snapshot) error {
			records, next, err := list(r, e.client, page)
			page.Token = next
			for _, m := range records {
				if err != nil {
					break
				}
				written := []proto.Message{m}
				if with != nil {
					written, err = with(r, m)
				}
				all = append(all, written...)
			}
			return err
		})
		for _, m := range all {
			e.text(separator)
			e.message(m)
			separator = ",\n"
		}
		if page.Token == "" {
			break
		}
	}
	e.text("]")
}
