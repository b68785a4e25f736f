package integration

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// The promise: any request by any caller, valid or not, ends with a code that the
// contract lists. Nothing panics or is INTERNAL, and a call that fails writes nothing.

// expectedCode are the codes that a call may end in, whatever was sent. UNAVAILABLE is
// not among them, because nothing fails here.
var expectedCode = []codes.Code{
	codes.OK, codes.InvalidArgument, codes.NotFound, codes.AlreadyExists, codes.FailedPrecondition, codes.Aborted,
	codes.PermissionDenied, codes.ResourceExhausted,
}

// TestMutatedRequests sends randomly mutated requests to every RPC: eight per RPC,
// or, in new chains each time, for as long as ALKALOG_FUZZ_TIME says, such as 5m.
// The seed is printed when it fails. It is random in a long run only, so that the
// short one, which every change must pass, does not depend on chance.
func TestMutatedRequests(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	s.fuzz(t, s.send)
}

// sender sends a request, as it is or with some of its bytes changed.
type sender func(t *testing.T, who person, r rpc, req proto.Message, m *mutator) (proto.Message, error)

// fuzz sends changed requests to every RPC.
func (s *testServer) fuzz(t *testing.T, send sender) {
	t.Helper()
	seed := uint64(2026)
	if os.Getenv("ALKALOG_FUZZ_TIME") != "" {
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("seed %d", seed)
	m := &mutator{Rand: rand.New(rand.NewPCG(seed, 1)), sent: map[codes.Code]int{}}
	again := rounds(t, 1)
	for round := 0; again() && !t.Failed(); round++ {
		here, there := s.newWholeFixture(t, fmt.Sprintf("ebb-%d", round)), s.newWholeFixture(t, fmt.Sprintf("low-%d", round))
		m.names = slices.Concat(here.allNames(), there.allNames(), here.school.lessons.allNames(), there.school.lessons.allNames())
		m.round(t, here, there, send)
	}
	t.Logf("calls ended in %v", m.sent)
	for _, code := range []codes.Code{codes.OK, codes.InvalidArgument, codes.NotFound} {
		if m.sent[code] == 0 {
			t.Errorf("seed %d: no call ended in %v, so the changes are not what they should be: %v", seed, code, m.sent)
		}
	}
}

// round sends some changed requests to each RPC.
func (m *mutator) round(t *testing.T, here, there *fixture, send sender) {
	requests := map[protoreflect.Name]proto.Message{} // all made before anything is changed
	for _, r := range contract() {
		requests[r.Name()] = here.example(t, r).make(t)
	}
	for _, r := range contract() {
		own := here.example(t, r).who
		for range 8 {
			at := here.of(r)
			who := pick(m, own, own, own, at.imara, at.till, there.of(r).odile, at.vesna)
			req := m.changed(requests[r.Name()])
			looks, before := here.ownWrites(t), here.written(t)
			_, err := send(t, who, r, req, m)
			after, code := here.written(t), status.Code(err)
			// What a refused start rests on is kept, and the server's own looks at open
			// sessions write when time has brought something about.
			mayWrite := reasonOf(err) == "DECISION_OUTDATED" || here.ownWrites(t) != looks
			m.sent[code]++
			if !slices.Contains(expectedCode, code) {
				t.Fatalf("%s by %s: %v\nrequest: %v", r.Name(), who.name, err, req)
			}
			if err != nil && after != before && !mayWrite {
				t.Fatalf("%s by %s ended in %v and has written\n%s\nbefore\n%s\nrequest: %v", r.Name(), who.name, err, after, before, req)
			}
		}
	}
}

// ownWrites counts what the server has written of its own accord.
func (s *testServer) ownWrites(t *testing.T) (n int) {
	t.Helper()
	if err := s.sql.QueryRow("select count(*) from requests where id like 'own-%'").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// rounds returns a function that reports whether to run another round: a fixed
// number, or for as long as ALKALOG_FUZZ_TIME says.
func rounds(t *testing.T, usual int) func() bool {
	long := os.Getenv("ALKALOG_FUZZ_TIME")
	if long == "" {
		return func() bool { usual--; return usual >= 0 }
	}
	d, err := time.ParseDuration(long)
	if err != nil {
		t.Fatal(err)
	}
	end := time.Now().Add(d)
	return func() bool { return time.Now().Before(end) }
}

// send sends a request, now and then as bytes with some of them changed.
func (s *testServer) send(t *testing.T, who person, r rpc, req proto.Message, m *mutator) (proto.Message, error) {
	if m.IntN(8) > 0 {
		return s.ask(t, who, r, req)
	}
	body, err := proto.Marshal(req)
	if err != nil {
		t.Fatal(err)
	}
	for range 1 + m.IntN(3) {
		if len(body) > 0 {
			body[m.IntN(len(body))] ^= byte(1 << m.IntN(8))
		}
	}
	return s.ask(t, who, r, raw(body), grpc.ForceCodecV2(rawCodec{encoding.GetCodecV2("proto")}))
}

// written tells the state of every table in one line; any write changes it.
// What the server writes of its own accord does not count: the log over the
// entries, what is counted, and that somebody was denied or an auditor read.
func (s *testServer) written(t *testing.T) string {
	t.Helper()
	rows, err := s.sql.Query(`select tablename from pg_tables where schemaname = 'alkalog' and tablename !~ '^(log_|tally|goose_)' order by 1`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var parts []string
	for rows.Next() {
		var table string
		if err := rows.Scan(&table); err != nil {
			t.Fatal(err)
		}
		part := fmt.Sprintf("select '%s ' || count(*) || ' ' || coalesce(sum(xmin::text::bigint), 0) as line from %[1]s", table)
		if table == "audit_entries" {
			part += " where kind not in ('ENTRY_KIND_ACCESS_DENIED', 'ENTRY_KIND_AUDITOR_READ', 'ENTRY_KIND_ALARM')"
		}
		parts = append(parts, part)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	var all string
	if err := s.sql.QueryRow("select string_agg(line, '; ' order by line) from (" + strings.Join(parts, " union all ") + ") as tables").Scan(&all); err != nil {
		t.Fatal(err)
	}
	return all
}

// allNames are the names of what is on the stage.
func (st *fixture) allNames() []string {
	k := st.names
	return []string{st.name, st.salon, st.odile.name, st.imara.name, st.amara.name, st.teo.name, st.till.name, st.relaxer, st.base, st.shampoo,
		k.client, k.consultation, k.draft, k.session, k.outcome, k.policy, k.entry, k.refusal.Name}
}

// mutator changes messages at random.
type mutator struct {
	*rand.Rand
	names []string
	sent  map[codes.Code]int // how the calls ended
}

// changed is a copy of a message with one to three changes; one in ten has none.
func (m *mutator) changed(req proto.Message) proto.Message {
	changed := proto.Clone(req)
	if id := changed.ProtoReflect().Descriptor().Fields().ByName("request_id"); id != nil {
		changed.ProtoReflect().Set(id, protoreflect.ValueOfString(newID()))
	}
	if m.IntN(10) == 0 {
		return changed
	}
	for range pick(m, 1, 1, 1, 2, 3) {
		m.message(changed.ProtoReflect(), 0)
	}
	return changed
}

// message changes one thing in a message, or in a message within it.
func (m *mutator) message(msg protoreflect.Message, depth int) {
	fields := msg.Descriptor().Fields()
	if fields.Len() == 0 || m.IntN(40) == 0 {
		msg.SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, protowire.Number(1+m.IntN(5000)), protowire.VarintType), m.Uint64()))
		return
	}
	field := fields.Get(m.IntN(fields.Len()))
	switch {
	case m.IntN(6) == 0:
		msg.Clear(field)
	case field.IsMap():
	case field.IsList():
		m.list(msg.Mutable(field).List(), field, depth)
	case field.Message() != nil:
		if depth < 12 {
			m.message(msg.Mutable(field).Message(), depth+1)
		}
	default:
		msg.Set(field, m.scalar(field))
	}
}

// list changes a list: an item more, a double, an item less, or within an item.
func (m *mutator) list(list protoreflect.List, field protoreflect.FieldDescriptor, depth int) {
	switch n := list.Len(); {
	case n == 0 || m.IntN(4) == 0:
		if field.Message() != nil {
			list.AppendMutable()
		} else {
			list.Append(m.scalar(field))
		}
	case m.IntN(4) == 0:
		for range 1 + m.IntN(300) {
			list.Append(list.Get(m.IntN(n)))
		}
	case m.IntN(4) == 0:
		list.Truncate(m.IntN(n))
	case field.Message() != nil:
		if depth < 12 {
			m.message(list.Get(m.IntN(n)).Message(), depth+1)
		}
	default:
		list.Set(m.IntN(n), m.scalar(field))
	}
}

// scalar is a value of a field's kind: an edge, something that exists, or noise.
func (m *mutator) scalar(field protoreflect.FieldDescriptor) protoreflect.Value {
	switch field.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(m.IntN(2) == 0)
	case protoreflect.EnumKind:
		values := field.Enum().Values()
		return protoreflect.ValueOfEnum(pick(m, values.Get(m.IntN(values.Len())).Number(), values.Get(m.IntN(values.Len())).Number(), -1, 9999))
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(pick(m, 0, 1, -1, 2, 7, 60, 500, 501, math.MaxInt32, math.MinInt32, int32(m.Uint32())))
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(pick(m, 0, 1, -1, 253402300799, 1<<40, math.MaxInt64, math.MinInt64, int64(m.Uint64())))
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(pick(m, 0, 1, -1, 14, 100, 1e308, math.NaN(), math.Inf(1), math.SmallestNonzeroFloat64, m.NormFloat64()*50))
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes([]byte(m.text()))
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(m.text())
	}
	return field.Default()
}

// text is a name, nearly a name, or something that is hard to keep.
func (m *mutator) text() string {
	name := pick(m, m.names...)
	switch m.IntN(8) {
	case 0, 1, 2:
		return name
	case 3:
		return name[:m.IntN(len(name))] + pick(m, "", "/", "-", "x", "\u0130", "/clients/-")
	case 4:
		return newID()
	case 5:
		return strings.Repeat(pick(m, "x", "\u6f22", "e\u0301", " ", "'", "(", "\U0001f487"), m.IntN(3000))
	case 6:
		return pick(m, "", " ", "\x00", "\u202e", "'; drop table chains; --", `kind = "REFUSAL"`, "NOT kind = ", `record_time >= "2026-11-01T00:00:00Z"`,
			"salon:*", strings.Repeat("(", 400), "Europe/London", "../../x", "%s%n", "\ufffd", "2026-13-77", "chains/-/clients/-")
	}
	var b strings.Builder
	for range m.IntN(20) {
		b.WriteRune(rune(m.IntN(0x3000)))
	}
	return b.String()
}

// pick is one of several, at random.
func pick[T any](m *mutator, of ...T) T { return of[m.IntN(len(of))] }
