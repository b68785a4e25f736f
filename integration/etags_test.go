package integration

import (
	"crypto/sha256"
	"encoding/binary"
	"slices"
	"sync"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a change is made to the record that was read, changes what the
// mask names and nothing else, and leaves alone what is the server's.

// update is an RPC that changes a record by a mask.
type update struct {
	rpc
	stage  *fixture
	who    person
	req    proto.Message
	record protoreflect.FieldDescriptor
}

// updates are all of them, with a valid request each.
func (st *fixture) updates(t testing.TB) []update {
	t.Helper()
	var all []update
	for _, r := range contract() {
		masked := r.Input().Fields().ByName("update_mask")
		if masked == nil {
			continue
		}
		example := st.example(t, r)
		who := example.who
		if slices.Contains(r.access().Roles, pb.Role_ROLE_MANAGER) {
			who = st.of(r).odile // may change every field
		}
		all = append(all, update{r, st.of(r), who, example.make(t), r.Input().Fields().ByNumber(1)})
	}
	if len(all) != 9 {
		t.Fatalf("%d RPCs change a record, not 9", len(all))
	}
	return all
}

// send changes the record and the mask of the request, under a new request id.
func (u update) send(t testing.TB, change func(record protoreflect.Message, mask *fieldmaskpb.FieldMask)) (proto.Message, error) {
	t.Helper()
	req := again(u.req)
	m := req.ProtoReflect()
	change(m.Mutable(u.record).Message(), m.Mutable(m.Descriptor().Fields().ByName("update_mask")).Message().Interface().(*fieldmaskpb.FieldMask))
	answer, err := u.stage.ask(t, u.who, u.rpc, req)
	if err != nil {
		return nil, err
	}
	return answer.ProtoReflect().Get(u.Output().Fields().ByNumber(1)).Message().Interface(), nil
}

// stored reads the record back, by the Get that goes with it.
func (u update) stored(t testing.TB) proto.Message {
	t.Helper()
	get := rpcNamed("Get" + string(u.Name())[len("Update"):])
	req := blank(get.Input())
	name := u.req.ProtoReflect().Get(u.record).Message()
	req.ProtoReflect().Set(get.Input().Fields().ByName("name"), name.Get(field(name, "name")))
	answer, err := u.stage.ask(t, u.stage.reader(get), get, req)
	if err != nil {
		t.Fatal(err)
	}
	return answer.ProtoReflect().Get(get.Output().Fields().ByNumber(1)).Message().Interface()
}

// reader is somebody who may call an RPC that reads.
func (c *chain) reader(r rpc) person {
	for _, p := range []person{c.amara, c.odile} {
		if slices.Contains(r.access().Roles, p.role) {
			return p
		}
	}
	return c.operator
}

// field is a message's field of that name.
func field(m protoreflect.Message, name protoreflect.Name) protoreflect.FieldDescriptor {
	return m.Descriptor().Fields().ByName(name)
}

// etag is a record's etag.
func etag(m proto.Message) string {
	return m.ProtoReflect().Get(field(m.ProtoReflect(), "etag")).String()
}

// with returns a change that sends an etag and names one field.
func with(tag, path string) func(protoreflect.Message, *fieldmaskpb.FieldMask) {
	return func(record protoreflect.Message, mask *fieldmaskpb.FieldMask) {
		record.Set(field(record, "etag"), protoreflect.ValueOfString(tag))
		mask.Paths = []string{path}
	}
}

// text is a text field that every record of that kind has; of settings a number.
func (u update) text() string {
	for _, name := range []protoreflect.Name{"display_name", "remarks", "retouch_lapse_days"} {
		if u.record.Message().Fields().ByName(name) != nil {
			return string(name)
		}
	}
	return "seen"
}

// retitled is a change of that text with an etag.
func (u update) retitled(tag, text string) func(protoreflect.Message, *fieldmaskpb.FieldMask) {
	return func(record protoreflect.Message, mask *fieldmaskpb.FieldMask) {
		with(tag, u.text())(record, mask)
		value := protoreflect.ValueOfString(text)
		if u.record.Message().Name() == "ChainSettings" { // has no text: a number that follows from it
			sum := sha256.Sum256([]byte(text))
			value = protoreflect.ValueOfInt32(1 + int32(binary.BigEndian.Uint16(sum[:]))%730)
		}
		record.Set(field(record, protoreflect.Name(u.text())), value)
	}
}

// TestEtagsGuardEveryChange walks the contract.
func TestEtagsGuardEveryChange(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	for _, u := range s.newWholeFixture(t, "ebb-and-flow").updates(t) {
		read := u.stored(t)
		first, err := u.send(t, u.retitled(etag(read), "first"))
		if err != nil {
			t.Errorf("%s with the etag that was read: %v", u.Name(), err)
			continue
		}
		if etag(first) == etag(read) || etag(first) == "" || !proto.Equal(u.stored(t), first) {
			t.Errorf("%s: the etag was %q and is %q; stored is %v, answered was %v", u.Name(), etag(read), etag(first), u.stored(t), first)
		}
		before := s.tableDigests(t)
		_, err = u.send(t, u.retitled(etag(read), "second"))
		wantError(t, string(u.Name())+" with an etag that is no longer so", err, codes.Aborted, "ETAG_MISMATCH")
		_, err = u.send(t, u.retitled("nonsense", "second"))
		wantError(t, string(u.Name())+" with a made-up etag", err, codes.Aborted, "ETAG_MISMATCH")
		wantSame(t, before, s.tableDigests(t))
		if _, err := u.send(t, u.retitled("", "third")); err != nil {
			t.Errorf("%s without an etag: %v", u.Name(), err)
		}
	}
}

// TestOneOfRacingChangesWins: of several changes of one version, one is made.
func TestOneOfRacingChangesWins(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	for _, u := range s.newWholeFixture(t, "ebb-and-flow").updates(t) {
		read := etag(u.stored(t))
		answers, errs := make([]proto.Message, 6), make([]error, 6)
		var racers sync.WaitGroup
		for i := range answers {
			racers.Go(func() { answers[i], errs[i] = u.send(t, u.retitled(read, newID())) })
		}
		racers.Wait()
		won := 0
		for i, err := range errs {
			if err != nil {
				wantError(t, string(u.Name())+" by a loser", err, codes.Aborted, "ETAG_MISMATCH")
				continue
			}
			won++
			if got := u.stored(t); !proto.Equal(got, answers[i]) {
				t.Errorf("%s: stored is %v, the winner was answered %v", u.Name(), got, answers[i])
			}
		}
		if won != 1 {
			t.Errorf("%s: %d of six changes of one version were made", u.Name(), won)
		}
	}
}

// TestUpdatesWithoutEtagAllApply: changes without an etag are applied one after
// another, and none is lost.
func TestUpdatesWithoutEtagAllApply(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	fields := map[string]*pb.Salon{
		"display_name":    {Name: c.salon, DisplayName: "Both"},
		"minutes_to_bowl": {Name: c.salon, MinutesToBowl: new(int32(7))},
		"time_zone":       {Name: c.salon, TimeZone: "Europe/Dublin"},
		"jurisdiction":    {Name: c.salon, Jurisdiction: pb.Jurisdiction_JURISDICTION_EU},
	}
	var racers sync.WaitGroup
	for path, salon := range fields {
		racers.Go(func() {
			must(t, c.odile, c.directory.UpdateSalon, &pb.UpdateSalonRequest{Salon: salon, UpdateMask: updateMask(path), RequestId: newID()})
		})
	}
	racers.Wait()
	got := must(t, c.odile, c.directory.GetSalon, &pb.GetSalonRequest{Name: c.salon}).Salon
	if got.DisplayName != "Both" || got.GetMinutesToBowl() != 7 || got.TimeZone != "Europe/Dublin" || got.Jurisdiction != pb.Jurisdiction_JURISDICTION_EU {
		t.Errorf("a change was lost: %v", got)
	}
}

// TestMasksChangeWhatTheyName changes each field that may be changed, alone, and
// looks that all others stay; and tries each that may not.
func TestMasksChangeWhatTheyName(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	for _, u := range s.newWholeFixture(t, "ebb-and-flow").updates(t) {
		fields := u.record.Message().Fields()
		changed := 0
		for i := range fields.Len() {
			f := fields.Get(i)
			before := u.stored(t)
			// The record that is sent is empty but for its name and this field.
			answer, err := u.send(t, func(record protoreflect.Message, mask *fieldmaskpb.FieldMask) {
				whole := proto.Clone(record.Interface()).ProtoReflect()
				proto.Reset(record.Interface())
				for _, kept := range []protoreflect.FieldDescriptor{f, field(record, "name")} {
					if whole.Has(kept) {
						record.Set(kept, whole.Get(kept))
					}
				}
				mask.Paths = []string{string(f.Name())}
			})
			if serverSet(f) || f.Name() == "name" || f.Name() == "etag" {
				if reasonOf(err) != "INVALID_FIELD" || violationsOf(err)["update_mask.paths[0]"] == "" {
					t.Errorf("%s lets %s be changed: %v", u.Name(), f.Name(), err)
				}
				continue
			}
			if immutable(f) {
				if after := u.stored(t); err != nil && reasonOf(err) != "INVALID_FIELD" || !after.ProtoReflect().Get(f).Equal(before.ProtoReflect().Get(f)) {
					t.Errorf("%s of %s, which never changes: %v, stored is %v", u.Name(), f.Name(), err, after)
				}
				continue
			}
			if err != nil {
				t.Errorf("%s of %s: %v", u.Name(), f.Name(), err)
				continue
			}
			changed++
			want := proto.Clone(u.req.ProtoReflect().Get(u.record).Message().Interface()).ProtoReflect()
			for _, m := range []protoreflect.Message{want, answer.ProtoReflect()} {
				eachServerSet(m, func(holder protoreflect.Message, f protoreflect.FieldDescriptor) { holder.Clear(f) })
			}
			if got := answer.ProtoReflect().Get(f); !got.Equal(want.Get(f)) {
				t.Errorf("%s: %s is %v, not %v", u.Name(), f.Name(), got, want.Get(f))
			}
			wantOthersKept(t, f, before, u.stored(t))
		}
		if changed == 0 {
			t.Errorf("%s changes nothing", u.Name())
		}
	}
}

// wantOthersKept checks that two versions differ in one field at most, beside
// the server's.
func wantOthersKept(t *testing.T, changed protoreflect.FieldDescriptor, before, after proto.Message) {
	t.Helper()
	for _, m := range []proto.Message{before, after} {
		for _, name := range []protoreflect.Name{changed.Name(), "etag", "update_time"} {
			m.ProtoReflect().Clear(field(m.ProtoReflect(), name))
		}
	}
	if !proto.Equal(before, after) {
		t.Errorf("with %s something else was changed: %v, then %v", changed.FullName(), before, after)
	}
}

// TestServerSetFieldsAreIgnored sends, with every record, all fields that
// the contract leaves to the server.
func TestServerSetFieldsAreIgnored(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	st := s.newWholeFixture(t, "ebb-and-flow")
	for _, r := range contract() {
		fields := r.Input().Fields()
		for i := range fields.Len() {
			f := fields.Get(i)
			if f.Message() == nil || f.ContainingOneof() != nil || f.Message().Fields().ByName("create_time") == nil {
				continue // not a record that is stored
			}
			example := st.example(t, r)
			req := example.make(t)
			record := req.ProtoReflect().Mutable(f).Message()
			if forge(record); fields.ByName("update_mask") != nil {
				record.Clear(field(record, "etag")) // it guards the change
			}
			answer, err := s.ask(t, example.who, r, req)
			if err != nil {
				t.Errorf("%s: %v", r.Name(), err)
				continue
			}
			made := answer.ProtoReflect().Get(r.Output().Fields().ByNumber(1)).Message()
			for _, left := range forged(made) {
				t.Errorf("%s lets a caller set %s", r.Name(), left)
			}
		}
	}
}

// forgery is what a caller says of what is the server's: of text, the number of
// its letters; of an enum, its last value.
const forgery = "forged-by-the-caller"

// forge sets everything in a record that the contract leaves to the server.
func forge(m protoreflect.Message) {
	eachServerSet(m, func(holder protoreflect.Message, f protoreflect.FieldDescriptor) {
		switch {
		case f.Kind() == protoreflect.StringKind && !f.IsList() && f.Name() != "name":
			holder.Set(f, protoreflect.ValueOfString(forgery))
		case f.Kind() == protoreflect.EnumKind:
			holder.Set(f, protoreflect.ValueOfEnum(f.Enum().Values().Get(f.Enum().Values().Len()-1).Number()))
		case f.Kind() == protoreflect.Int64Kind:
			holder.Set(f, protoreflect.ValueOfInt64(4711))
		case f.Message() != nil && f.Message().FullName() == "google.protobuf.Timestamp":
			time := holder.Mutable(f).Message()
			time.Set(field(time, "seconds"), protoreflect.ValueOfInt64(4711))
		}
	})
}

// forged lists what is left of it.
func forged(m protoreflect.Message) (left []string) {
	eachServerSet(m, func(holder protoreflect.Message, f protoreflect.FieldDescriptor) {
		v := holder.Get(f)
		switch {
		case f.Kind() == protoreflect.StringKind && !f.IsList() && v.String() == forgery,
			f.Kind() == protoreflect.EnumKind && v.Enum() == f.Enum().Values().Get(f.Enum().Values().Len()-1).Number(),
			f.Kind() == protoreflect.Int64Kind && v.Int() == 4711,
			f.Message() != nil && f.Message().FullName() == "google.protobuf.Timestamp" && v.Message().Get(field(v.Message(), "seconds")).Int() == 4711:
			left = append(left, string(f.FullName()))
		}
	})
	return left
}

// eachServerSet visits the fields that are the server's, in a message and in
// those within it.
func eachServerSet(m protoreflect.Message, visit func(protoreflect.Message, protoreflect.FieldDescriptor)) {
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		switch {
		case serverSet(f) || f.Name() == "etag":
			visit(m, f)
		case f.Message() == nil || !m.Has(f):
		case f.IsList():
			for j := range m.Get(f).List().Len() {
				eachServerSet(m.Get(f).List().Get(j).Message(), visit)
			}
		default:
			eachServerSet(m.Mutable(f).Message(), visit)
		}
	}
}
