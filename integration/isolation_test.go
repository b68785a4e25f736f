package integration

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// The promise: nobody sees, changes or learns of anything in another chain. A name in
// another chain gets the same answer as an unknown name.

// TestNamesOfOtherChainsAreNotFound puts, in every RPC and for every name that its
// request holds, the name of a record that another chain has, then of one that it does
// not have. Both answers must be the same but for the name, and the same as for an
// unknown name of the caller's own chain.
func TestNamesOfOtherChainsAreNotFound(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	own, foreign := s.newWholeFixture(t, "ebb-and-flow"), s.newWholeFixture(t, "low-tide")
	for _, r := range contract() {
		if r.Name() == "CreateChain" || r.Name() == "ListChains" || r.Name() == "AcceptRestore" || r.Name() == "DescribeCaller" {
			continue // the request names nothing: an operator's, or about the caller
		}
		t.Run(string(r.Name()), func(t *testing.T) {
			own, foreign := own.of(r), foreign.of(r)
			example := own.example(t, r)
			req := example.make(t)
			if r.Name() == "RecordEvents" {
				req.(*pb.RecordEventsRequest).Events = req.(*pb.RecordEventsRequest).Events[:1]
			}
			elsewhere := foreign.example(t, r).make(t)
			before := s.tableDigests(t)
			for _, at := range namesIn(req) {
				existing, ok := at.get(elsewhere)
				if !ok || existing == "" {
					t.Fatalf("the other chain's request has no %s", at)
				}
				known := asked(t, own, example.who, r, at.put(req, existing))
				missing := asked(t, own, example.who, r, at.put(req, foreign.name+tail(existing)))
				absent := asked(t, own, example.who, r, at.put(req, "chains/nowhere"+tail(existing)))
				if known != missing || known != absent {
					t.Errorf("%s: an existing name of another chain is answered\n%s\na missing one\n%s\nand one of no chain\n%s", at, known, missing, absent)
				}
				if !strings.HasPrefix(known, "NotFound") {
					t.Errorf("%s: a name of another chain is answered %s", at, known)
				}
				if strings.Count(existing, "/") <= 2 {
					continue // the caller's own chain is known, and so are its settings
				}
				if unknown := asked(t, own, example.who, r, at.put(req, own.name+tail(existing))); unknown != known {
					t.Errorf("%s: an unknown name of the own chain is answered\n%s\none of another\n%s", at, unknown, known)
				}
			}
			wantSame(t, before, s.tableDigests(t))
		})
	}
}

// tail is a name's path below its chain, with an unknown id.
func tail(name string) string {
	parts := strings.Split(name, "/")
	switch len(parts) {
	case 2:
		return ""
	case 3: // a singleton of the chain
		return "/" + parts[2]
	}
	parts[len(parts)-1] = "nobody"
	return "/" + strings.Join(parts[2:], "/")
}

// asked is how a request is answered, with every name in it replaced by the same text,
// to compare two answers apart from names.
func asked(t *testing.T, st *fixture, who person, r rpc, req proto.Message) string {
	t.Helper()
	_, err := st.ask(t, who, r, req)
	reported := fmt.Sprint(status.Code(err), " ", reasonOf(err), " ", status.Convert(err).Message())
	for _, at := range namesIn(req) {
		if name, ok := at.get(req); ok && name != "" {
			reported = strings.ReplaceAll(reported, fmt.Sprintf("%q", name), "NAME")
		}
	}
	return reported
}

// place is where a request holds a name: the fields to follow, the first item
// of each list.
type place []protoreflect.FieldDescriptor

// String is the place as a caller would write it.
func (p place) String() string {
	var names []string
	for _, f := range p {
		names = append(names, string(f.Name()))
	}
	return strings.Join(names, ".")
}

// namesIn lists the places of a message that hold a name. The contract marks
// references; a record's own name, and name and parent in requests, are names
// too.
func namesIn(m proto.Message) []place {
	var places []place
	m.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		isName := f.Kind() == protoreflect.StringKind &&
			(f.Name() == "name" || f.Name() == "parent" || proto.HasExtension(f.Options(), annotations.E_ResourceReference))
		switch {
		case isName:
			places = append(places, place{f})
		case f.Message() != nil:
			for _, below := range namesIn(one(f, v).Message().Interface()) {
				places = append(places, append(place{f}, below...))
			}
		}
		return true
	})
	return places
}

// one is a field's value, or its first item.
func one(f protoreflect.FieldDescriptor, v protoreflect.Value) protoreflect.Value {
	if f.IsList() {
		return v.List().Get(0)
	}
	return v
}

// get is the name that a message holds at a place.
func (p place) get(m proto.Message) (string, bool) {
	at := m.ProtoReflect()
	for i, f := range p {
		if !at.Has(f) {
			return "", false
		}
		v := one(f, at.Get(f))
		if i == len(p)-1 {
			return v.String(), true
		}
		at = v.Message()
	}
	return "", false
}

// put is a copy of a message with another name at a place.
func (p place) put(m proto.Message, name string) proto.Message {
	changed := proto.Clone(m)
	at := changed.ProtoReflect()
	for i, f := range p {
		switch {
		case i == len(p)-1 && f.IsList():
			at.Mutable(f).List().Set(0, protoreflect.ValueOfString(name))
		case i == len(p)-1:
			at.Set(f, protoreflect.ValueOfString(name))
		case f.IsList():
			at = at.Mutable(f).List().Get(0).Message()
		default:
			at = at.Mutable(f).Message()
		}
	}
	return changed
}

// TestListsShowOneChain: lists, figures and exports contain only the chain that was
// asked for.
func TestListsShowOneChain(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	own := s.newWholeFixture(t, "ebb-and-flow")
	s.newWholeFixture(t, "low-tide")
	for _, r := range contract() {
		if r.access().Mutates || r.Name() == "ListChains" {
			continue
		}
		example := own.example(t, r)
		answer, err := s.ask(t, example.who, r, example.make(t))
		if err == nil && strings.Contains(fmt.Sprint(answer), "low-tide") {
			t.Errorf("%s shows another chain: %v", r.Name(), answer)
		}
	}
	all := must(t, own.amara, own.processing.ListSessions, &pb.ListSessionsRequest{Parent: own.name + "/clients/-"})
	if len(all.Sessions) != 2 {
		t.Errorf("the chain has %d sessions, not the two that it began: %v", len(all.Sessions), all.Sessions)
	}
	var log *pb.SummarizeEntriesResponse
	eventually(t, "everything to be counted", func() bool {
		log = must(t, own.odile, own.audit.SummarizeEntries, &pb.SummarizeEntriesRequest{Parent: own.name})
		return log.Uncounted == 0
	})
	for _, row := range log.Rows {
		if row.Kind == pb.EntryKind_ENTRY_KIND_REFUSAL && row.Count != 1 {
			t.Errorf("the chain's log counts %d refusals, not its one: %v", row.Count, log.Rows)
		}
	}
	if len(log.Rows) == 0 {
		t.Error("nothing was counted")
	}
}

// TestOnlyOperatorsSeeChains: a caller of a chain can neither list other chains nor
// call in the name of one.
func TestOnlyOperatorsSeeChains(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	own, foreign := s.newChain(t, "ebb-and-flow"), s.newChain(t, "low-tide")
	_, err := own.directory.ListChains(own.odile.calling(t), &pb.ListChainsRequest{})
	wantError(t, "a manager lists chains", err, codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	_, err = own.directory.GetChain(own.odile.calling(t), &pb.GetChainRequest{Name: foreign.name})
	wantError(t, "a manager reads another chain", err, codes.NotFound, "NOT_FOUND")
	chains := must(t, own.operator, own.directory.ListChains, &pb.ListChainsRequest{}).Chains
	if len(chains) != 2 {
		t.Errorf("an operator sees %d chains, not 2: %v", len(chains), chains)
	}
}

// TestOneClientsRecordsAreNotAnothers: within a chain too, a record belongs to
// one client and is unknown under another.
func TestOneClientsRecordsAreNotAnothers(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := c.proceedDecision(t)
	other := c.client(t)
	check := c.question(d.Inputs.Consultation.Name)
	check.Parent = other
	_, err := c.eligibility.CheckEligibility(c.amara.calling(t), check)
	wantError(t, "a decision on another client's consultation", err, codes.NotFound, "NOT_FOUND")
	_, err = c.processing.StartSession(c.amara.calling(t), &pb.StartSessionRequest{Parent: other, Decision: d.Name, RequestId: newID()})
	wantError(t, "a service on another client's decision", err, codes.NotFound, "NOT_FOUND")
	_, err = c.processing.StartSession(c.amara.calling(t), &pb.StartSessionRequest{Parent: other, Decision: d.Name, UnderWay: true, RequestId: newID()})
	wantError(t, "one under way", err, codes.NotFound, "NOT_FOUND")
	closing := brokenOff(c.begin(t, d))
	closing.Parent = other
	_, err = c.outcome.RecordOutcome(c.amara.calling(t), closing)
	wantError(t, "an outcome of another client's service", err, codes.NotFound, "NOT_FOUND")
}

// TestNamesOfOtherChainsInEventsAreNotFound: an event that names a record of another
// chain is handled like one that names an unknown record, and reveals as little.
func TestNamesOfOtherChainsInEventsAreNotFound(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	own, foreign := s.newChain(t, "ebb-and-flow"), s.newChain(t, "low-tide")
	reported := map[string]string{}
	for what, of := range map[string]*chain{"foreign": foreign, "unknown": s.describeChain("nowhere")} {
		session := own.session(t)
		used := &pb.Event{Actor: of.amara.name, Fact: &pb.Event_ProductUsed{ProductUsed: &pb.ProductUsed{Product: of.relaxer, LotCode: of.relaxerLot}}}
		answer := must(t, own.till, own.processing.RecordEvents, &pb.RecordEventsRequest{
			Name: session.Name, Events: []*pb.Event{eventAt(session, 0, used)}, RequestId: newID()})
		status := fmt.Sprint(answer.Results[0].Status, answer.Results[0].Reason, answer.NewDeviations)
		mask := []string{of.name + "/", "CHAIN/", used.EventId, "EVENT"}
		for i, d := range answer.NewDeviations { // each is on the log of its own chain, as an entry of its own
			if !strings.HasPrefix(d.Entry, own.name+"/entries/") {
				t.Errorf("of a %s name the entry is %q", what, d.Entry)
			}
			mask = append(mask, d.Entry, fmt.Sprint("ENTRY", i))
		}
		reported[what] = strings.NewReplacer(mask...).Replace(status)
	}
	if reported["foreign"] != reported["unknown"] {
		t.Errorf("of a foreign name is said\n%s\nof an unknown one\n%s", reported["foreign"], reported["unknown"])
	}
	recall := must(t, foreign.imara, foreign.catalog.RecallLot, &pb.RecallLotRequest{
		Name: foreign.relaxer, LotCode: foreign.relaxerLot, Reason: "a reaction", RequestId: newID()})
	if recall.SessionCount != 0 {
		t.Errorf("a recall in one chain counts %d services of another: %v", recall.SessionCount, recall.Sessions)
	}
}
