package storage

import (
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/lib/pq"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	spb "google.golang.org/genproto/googleapis/rpc/status"

	pb "alkalog/proto/alkalogv1"
)

// Changes is what a function given to Write wants written, all or nothing.
type Changes struct {
	// Records are written in this order.
	Records []Record
	// Entries go on the audit log with them. A name and a request id that are
	// left out are filled in.
	Entries []*pb.AuditEntry
	// Erase is the clients whose keys are destroyed.
	Erase []Erasure
	// Refusal, if set, is the answer to the request instead of fn's: the records
	// and entries are committed and stay, the caller gets a *Refused with this
	// status, and so does a retry. An error of fn's instead writes nothing, not
	// even the entry of why the request was refused.
	Refusal *spb.Status
	// About, if set, is the resource name of the record that the request turned
	// out to be about, when it names another client's. Request and answer are
	// sealed with that client's key, and gone when that client is erased.
	About string
}

// With is these changes and more.
func (c Changes) With(more Changes) Changes {
	c.Records = append(c.Records, more.Records...)
	c.Entries = append(c.Entries, more.Entries...)
	c.Erase = append(c.Erase, more.Erase...)
	return c
}

// Erasure is the destruction of a client's key.
type Erasure struct {
	// Client is the resource name.
	Client string
	// Open is how many open sessions of the client were seen, by CountOpen. If
	// there are others when the change is committed, the write runs again.
	Open int
}

// Record is one record to be written, as made by Insert, Replace and Unchanged
// of its kind, InsertOverride and InsertEvent.
type Record struct {
	*statements
	action action
	key    key
	client string // id of the client it is sealed for; empty: it is not
	terms  []term // what a client is found by
	was    string // etag of the version that this change was decided on
	etag   string
	body   []byte
	values []sql.NullString
	err    error
}

// action is what is done with a record.
type action int

const (
	insert action = iota
	replace
	unchanged
)

// key is where a record stands: the id of its chain, the id of the record it
// belongs to (empty when that is the chain), and its own id.
type key struct{ chain, parent, id string }

// parseName takes a resource name apart.
func parseName(name string) (key, error) {
	parts := strings.Split(name, "/")
	if len(parts)%2 != 0 || parts[0] != "chains" || slices.Contains(parts, "") {
		return key{}, fmt.Errorf("storage: %q is not a resource name", name)
	}
	k := key{chain: parts[1], id: parts[len(parts)-1]}
	if len(parts) > 4 {
		k.parent = parts[len(parts)-3]
	}
	return k, nil
}

// childKey is the key of something that has an id but no name of its own, and
// belongs to a named record.
func childKey(parent, id string) (key, error) {
	k, err := parseName(parent)
	if err == nil && id == "" {
		err = fmt.Errorf("storage: something of %s has no id", parent)
	}
	return key{chain: k.chain, parent: k.id, id: id}, err
}

// NewID makes an id for a record. Ids made later sort later, which keeps
// indexes compact and lists in order of time.
func NewID() string { return uuid.Must(uuid.NewV7()).String() }

// stored is how messages are written: the same message gives the same bytes
// within one version of the program. Nothing depends on more than that.
var stored = proto.MarshalOptions{Deterministic: true}

// Etag computes the version mark of a message, which changes with every change
// of its content: 16 hex digits of SHA-256. The etag it has does not count.
func Etag(m proto.Message) string {
	m = proto.Clone(m)
	if f := etagField(m); f != nil {
		m.ProtoReflect().Clear(f)
	}
	// What cannot be marshalled is refused when its record is made.
	body, _ := stored.Marshal(m)
	sum := sha256.Sum256(body)
	return hex.EncodeToString(sum[:8])
}

// etagField is the field called etag; nil if there is none.
func etagField(m proto.Message) protoreflect.FieldDescriptor {
	return m.ProtoReflect().Descriptor().Fields().ByName("etag")
}

// etagOf reads a message's etag; empty if it has none.
func etagOf(m proto.Message) string {
	if f := etagField(m); f != nil {
		return m.ProtoReflect().Get(f).String()
	}
	return ""
}

// text writes the value of a search column as PostgreSQL reads it.
func text(value any) sql.NullString {
	s := ""
	switch v := value.(type) {
	case string:
		s = v
	case int64:
		s = strconv.FormatInt(v, 10)
	case bool:
		s = strconv.FormatBool(v)
	case *timestamppb.Timestamp:
		if v != nil {
			s = v.AsTime().Format(time.RFC3339Nano)
		}
	case []byte:
		if len(v) > 0 {
			s = `\x` + hex.EncodeToString(v)
		}
	case []string:
		list, _ := pq.StringArray(v).Value() // cannot fail
		s, _ = list.(string)
	default:
		// A kind that declares another type fails in its first test.
		panic(fmt.Sprintf("storage: column value of type %T", value))
	}
	return sql.NullString{String: s, Valid: s != ""}
}
