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

// Changes is what a function passed to Write wants to be written, all or nothing. It is
// a value: nothing happens before Write commits it, and it is dropped if the function
// runs again.
type Changes struct {
	// Records are written in this order. Two writes that lock the
	// same records in different orders can deadlock; PostgreSQL ends one of them, and it
	// runs again.
	Records []Record
	// Entries are audit entries. An empty name or request ID is filled in.
	Entries []*pb.AuditEntry
	// Erase are the clients whose keys are destroyed.
	Erase []Erasure
	// Open are clients that must still have so many open sessions at the commit; otherwise
	// the write runs again. Their records are locked first, so of two writes that name one
	// client each, or both, the later sees the sessions of the earlier.
	Open []OpenSessions
	// Refusal, if set, is the answer instead of the function's: records and entries are
	// committed, the caller gets a *Refused with this status, and so does a retry. An error of
	// the function instead writes nothing, not even the audit entry that says why the request
	// was refused.
	Refusal *spb.Status
	// About, if set, is the resource name of the record that the request turned out to be
	// about, if the request names another client's. Request and answer are sealed with the key
	// of that client and become unreadable when that client is erased.
	About string
}

// With returns the changes together with more. Refusal and About are those of c.
func (c Changes) With(more Changes) Changes {
	c.Records = append(c.Records, more.Records...)
	c.Entries = append(c.Entries, more.Entries...)
	c.Erase = append(c.Erase, more.Erase...)
	c.Open = append(c.Open, more.Open...)
	return c
}

// OpenSessions is how many open sessions a client has.
type OpenSessions struct {
	// Client is the resource name of the client.
	Client string
	Count  int
}

// Erasure is the destruction of a client's key.
type Erasure struct {
	// Client is the resource name of the client.
	Client string
	// Open is the number of open sessions of the client that CountOpen returned. If it differs
	// at the commit, the write runs again, so that no session is left running without a
	// readable record.
	Open int
}

// Record is one record to be written, made by Insert, Replace or Unchanged of its kind
// or by another Insert function of this package. A problem that was found
// meanwhile is in err and is returned by Write.
type Record struct {
	*statements
	action action
	key    key
	// client is the ID of the client whose key seals it; empty: it is stored in clear.
	client string
	// terms are what a client is found by.
	terms []term
	// external is its external id, content the digest of what the source said of it.
	external externalID
	content  []byte
	// was is the etag of the version that this change is based on.
	was  string
	etag string
	// body is the encoded message; Write replaces it by the sealed one.
	body []byte
	// values are those of the search columns.
	values []sql.NullString
	// final means that the record is never changed again (isFinal).
	final bool
	// err is what was wrong when the record was made; Write returns it.
	err error
}

// action is what is done with a record.
type action int

const (
	// insert stores a new row.
	insert action = iota
	// replace updates the row with the etag was.
	replace
	// unchanged checks that the row still has the etag was, and locks it for share.
	unchanged
)

// key is the primary key of a record: the ID of its chain, the ID of the record that it
// belongs to (empty if that is the chain), and its own ID.
type key struct{ chain, parent, id string }

// parseName parses a resource name, "chains/CHAIN" followed by pairs of collection and
// ID. Only the IDs of the last two pairs become part of the key; the names of
// collections do not, so a caller must compare the name in the record (GetUnchecked
// does).
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

// childKey returns the key of something that has an ID but no resource name of its own
// and belongs to a named record, such as an override of a decision.
func childKey(parent, id string) (key, error) {
	k, err := parseName(parent)
	if err == nil && id == "" {
		err = fmt.Errorf("storage: something of %s has no id", parent)
	}
	return key{chain: k.chain, parent: k.id, id: id}, err
}

// NewID returns a new ID, a UUID of version 7 (RFC 9562, 2024). IDs that are made later
// sort later, which keeps indexes compact and lists in the order of time. IdleClients
// reads the time from it.
func NewID() string { return uuid.Must(uuid.NewV7()).String() }

// stored is how messages are encoded for storage: deterministically, so that one
// version of the program gives the same bytes for the same message. Nothing depends on
// more than that; digests are made over stored bytes and never by encoding again.
var stored = proto.MarshalOptions{Deterministic: true}

// Etag returns the version of a message, which changes with every change of its
// content: 16 hexadecimal digits of a SHA-256 over the message without its etag.
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

// etagField returns the field "etag" of a message; nil if there is none.
func etagField(m proto.Message) protoreflect.FieldDescriptor {
	return m.ProtoReflect().Descriptor().Fields().ByName("etag")
}

// etagOf returns the etag of a message; empty if it has none.
func etagOf(m proto.Message) string {
	if f := etagField(m); f != nil {
		return m.ProtoReflect().Get(f).String()
	}
	return ""
}

// text formats the value of a search column as PostgreSQL reads it. An empty value
// becomes NULL.
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
