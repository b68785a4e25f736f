package integration

import (
	"fmt"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// The promise: every list comes in pages that end, of at most the size asked
// for, without a gap or a double, and fit into what a client receives at once.

// newManyRecords is a fixture with at least three records in each list.
func (s *testServer) newManyRecords(t testing.TB, id string) *fixture {
	t.Helper()
	st := s.newWholeFixture(t, id)
	must(t, st.odile, st.directory.UpdateChainSettings, st.settingsRequest(&pb.ChainSettings{RetouchNoticeDays: proto.Int32(60)}, "retouch_notice_days"))
	for i := range 3 {
		must(t, st.school.imara, st.training.CreateCase, st.school.lessons.newCase(fmt.Sprint("case-", i)))
		st.school.lessons.attempt(t)
		items := []*pb.ImportItem{clientItem("card-1", "Ilka Marr"), st.recordItem(fmt.Sprint("visit-", i), "card-1", 90+i)}
		st.takenOver = must(t, st.odile, st.imports.ImportRecords, st.importing(fmt.Sprint("list-", i), items...)).Results[0].Name
		carried := st.carriedOut(t)
		st.eventful = carried.Name
		must(t, st.amara, st.outcome.RecordOutcome, completed(carried))
		must(t, st.odile, st.directory.CreateSalon, &pb.CreateSalonRequest{
			Parent: st.name, SalonId: fmt.Sprint("salon-", i), Salon: &pb.Salon{DisplayName: "One more"}, RequestId: newID()})
		must(t, st.odile, st.catalog.CreateHousePolicy, st.uploaded())
		st.decisionFor(t, st.names.client, brokenSkin)
		visitor := parent(st.names.outcome)
		session := must(t, st.amara, st.processing.StartSession, &pb.StartSessionRequest{
			Parent: visitor, Salon: st.salon, Practitioner: st.amara.name, UnderWay: true, RequestId: newID()}).Session
		must(t, st.amara, st.outcome.RecordOutcome, brokenOff(session))
		must(t, st.amara, st.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: st.names.client, Incident: st.newIncident(), RequestId: newID()})
	}
	later := must(t, st.amara, st.processing.StartSession, &pb.StartSessionRequest{
		Parent: st.names.client, Salon: st.salon, Practitioner: st.amara.name, UnderWay: true, RequestId: newID()}).Session
	must(t, st.amara, st.outcome.RecordOutcome, brokenOff(later))
	return st
}

// listing is a list RPC with a request for it.
type listing struct {
	rpc
	stage *fixture
	who   person
	req   proto.Message
}

// listings are all the lists of a fixture.
func (st *fixture) listings(t testing.TB) []listing {
	t.Helper()
	var all []listing
	for _, r := range contract() {
		if !r.pages() {
			continue
		}
		example := st.example(t, r)
		req := example.make(t)
		switch req := req.(type) {
		case *pb.ListSessionsRequest:
			req.Parent, req.Product, req.LotCode = st.name+"/clients/-", "", ""
		case *pb.ListImportedRecordsRequest:
			req.Parent = st.takenOver
		case *pb.ListEventsRequest:
			req.Parent = st.eventful
		case *pb.ListEntriesRequest:
			req.Filter = ""
		case *pb.ListFollowedRefusalsRequest:
			req.SameSalon, req.WithinHours = true, proto.Int32(8760)
		}
		all = append(all, listing{r, st.of(r), st.of(r).reader(r), req})
	}
	return all
}

// page asks for one page and returns what is on it, item by item, and the next
// page's token.
func (l listing) page(t testing.TB, size int32, token string) (items []string, next string, err error) {
	t.Helper()
	req := proto.Clone(l.req).ProtoReflect()
	req.Set(req.Descriptor().Fields().ByName("page_size"), protoreflect.ValueOfInt32(size))
	req.Set(req.Descriptor().Fields().ByName("page_token"), protoreflect.ValueOfString(token))
	answer, err := l.stage.ask(t, l.who, l.rpc, req.Interface())
	if err != nil {
		return nil, "", err
	}
	m := answer.ProtoReflect()
	list := m.Get(m.Descriptor().Fields().ByNumber(1)).List()
	for i := range list.Len() {
		items = append(items, fmt.Sprint(list.Get(i).Message().Interface()))
	}
	return items, m.Get(m.Descriptor().Fields().ByName("next_page_token")).String(), nil
}

// all pages through a list and checks that the pages are full and end.
func (l listing) all(t testing.TB, size int32) []string {
	t.Helper()
	var all []string
	for token := ""; ; {
		items, next, err := l.page(t, size, token)
		if err != nil {
			t.Fatalf("%s: %v", l.Name(), err)
		}
		if all = append(all, items...); next == "" {
			return all
		}
		if len(items) != int(size) || next == token {
			t.Fatalf("%s: a page of %d that is not the last has %d items and the token %q", l.Name(), size, len(items), next)
		}
		token = next
	}
}

// TestEveryListComesInPages walks the contract: whatever the size of the pages,
// together they are the list.
func TestEveryListComesInPages(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	st := s.newManyRecords(t, "ebb-and-flow")
	for i := range 3 {
		s.describeChain(fmt.Sprint("other-", i)).found(t)
	}
	for _, l := range st.listings(t) {
		whole := l.all(t, 500)
		if len(whole) < 3 {
			t.Errorf("%s: only %d items to page through", l.Name(), len(whole))
		}
		seen := map[string]bool{}
		for _, item := range whole {
			if seen[item] {
				t.Errorf("%s lists an item twice: %s", l.Name(), item)
			}
			seen[item] = true
		}
		for _, size := range []int32{1, 2, 3, int32(len(whole)), int32(len(whole)) + 1, 501, 1<<31 - 1} {
			if got := strings.Join(l.all(t, size), "\n"); got != strings.Join(whole, "\n") {
				t.Errorf("%s in pages of %d is\n%s\nwhole it is\n%s", l.Name(), size, got, strings.Join(whole, "\n"))
			}
		}
		usual, _, err := l.page(t, 0, "")
		if err != nil || len(usual) != min(50, len(whole)) {
			t.Errorf("%s: without a size a page has %d items (%v), not the usual 50", l.Name(), len(usual), err)
		}
		_, _, err = l.page(t, -1, "")
		wantError(t, fmt.Sprint(l.Name(), " of a negative size"), err, codes.InvalidArgument, "INVALID_FIELD")
		if violationsOf(err)["page_size"] == "" {
			t.Errorf("%s: the error does not name page_size: %v", l.Name(), err)
		}
	}
}

// found stores a chain without anything in it.
func (c *chain) found(t testing.TB) {
	t.Helper()
	must(t, c.operator, c.directory.CreateChain, &pb.CreateChainRequest{
		ChainId: last(c.name), Chain: &pb.Chain{DisplayName: "One more"}, RequestId: newID()})
}

// TestPageTokensBelongToTheirList: a token of another list, of the same list of
// another chain or with another filter, or one that was tampered with, is
// refused.
func TestPageTokensBelongToTheirList(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	here, there := s.newManyRecords(t, "ebb-and-flow"), s.newManyRecords(t, "low-tide")
	tokens := map[string]string{}
	for _, st := range []*fixture{here, there} {
		for _, l := range st.listings(t) {
			_, token, err := l.page(t, 1, "")
			if err != nil || token == "" {
				t.Fatalf("%s: no token: %v", l.Name(), err)
			}
			tokens[st.name+" "+string(l.Name())] = token
		}
	}
	filtered := here.entriesToken(t, `kind = "REFUSAL"`)
	for _, l := range here.listings(t) {
		own := tokens[here.name+" "+string(l.Name())]
		wrong := map[string]string{"cut short": own[:len(own)-1], "made longer": own + "A", "nonsense": "nonsense", "punctuation": "!"}
		for i := range own {
			wrong[fmt.Sprint("altered at ", i)] = own[:i] + other(own[i]) + own[i+1:]
		}
		for of, token := range tokens {
			if token != own {
				wrong["of "+of] = token
			}
		}
		if l.Name() == "ListEntries" {
			wrong["of another filter"] = filtered
		}
		for what, token := range wrong {
			_, _, err := l.page(t, 1, token)
			if reasonOf(err) != "INVALID_FIELD" || violationsOf(err)["page_token"] == "" {
				t.Errorf("%s with a token %s: %v", l.Name(), what, err)
			}
		}
	}
}

// entriesToken is the token of the second page of the filtered log.
func (c *chain) entriesToken(t testing.TB, filter string) string {
	t.Helper()
	return must(t, c.odile, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: filter, PageSize: 1}).NextPageToken
}

// other is another character of a token.
func other(b byte) string {
	if b == 'A' {
		return "B"
	}
	return "A"
}

// TestLongListsAreCutToSize makes a list longer than the largest page.
func TestLongListsAreCutToSize(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.describeChain("ebb-and-flow")
	c.found(t)
	var makers sync.WaitGroup
	for maker := range 8 {
		makers.Go(func() {
			for i := range 64 {
				must(t, c.odile, c.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, RequestId: newID(),
					SalonId: fmt.Sprintf("salon-%d-%d", maker, i), Salon: &pb.Salon{DisplayName: "One of many"}})
			}
		})
	}
	makers.Wait()
	for size, want := range map[int32]int{0: 50, 1: 1, 499: 499, 500: 500, 501: 500, 1<<31 - 1: 500} {
		page := must(t, c.odile, c.directory.ListSalons, &pb.ListSalonsRequest{Parent: c.name, PageSize: size})
		if len(page.Salons) != want || page.NextPageToken == "" {
			t.Errorf("a page of %d has %d items, not %d, and the token %q", size, len(page.Salons), want, page.NextPageToken)
		}
	}
	first := must(t, c.odile, c.directory.ListSalons, &pb.ListSalonsRequest{Parent: c.name, PageSize: 1000})
	rest := must(t, c.odile, c.directory.ListSalons, &pb.ListSalonsRequest{Parent: c.name, PageSize: 1000, PageToken: first.NextPageToken})
	if len(rest.Salons) != 12 || rest.NextPageToken != "" {
		t.Errorf("behind the largest page come %d of 12 items, and the token %q", len(rest.Salons), rest.NextPageToken)
	}
}

// TestLargestRecordsFit stores the largest policy, product and consultation
// that a request can bring, decides on them, and reads all of it back through a
// client that takes no more than gRPC's own limit of 4 MiB at once.
func TestLargestRecordsFit(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	policies := c.fatPolicies(t, 3)
	must(t, c.odile, c.catalog.ActivateHousePolicy, &pb.ActivateHousePolicyRequest{Name: policies[0], RequestId: newID()})
	product := must(t, c.odile, c.catalog.GetProduct, &pb.GetProductRequest{Name: c.relaxer}).Product
	for i := len(product.Lots); i < 500; i++ {
		product.Lots = append(product.Lots, &pb.Lot{LotCode: fmt.Sprintf("%03d%s", i, strings.Repeat("\u6f22", 57))})
	}
	must(t, c.odile, c.catalog.UpdateProduct, &pb.UpdateProductRequest{Product: product, UpdateMask: updateMask("lots"), RequestId: newID()})
	client := c.client(t)
	for range 3 {
		d := c.decisionFor(t, client, func(k *pb.Consultation) {
			k.Remarks, k.Wishes.Words = strings.Repeat("\u6f22", 2000), strings.Repeat("\u6f22", 500)
			for i := len(k.Hair.Sections); i < 12; i++ {
				k.Hair.Sections = append(k.Hair.Sections, &pb.HeadSection{SectionId: fmt.Sprint("section-", i)})
			}
		})
		t.Logf("a decision of %d bytes", proto.Size(d))
	}
	for what, count := range map[string]func(token string) (int, string){
		"policies": func(token string) (int, string) {
			page := must(t, c.odile, c.catalog.ListHousePolicies, &pb.ListHousePoliciesRequest{Parent: c.name, PageSize: 500, PageToken: token})
			return len(page.HousePolicies), page.NextPageToken
		},
		"decisions": func(token string) (int, string) {
			page := must(t, c.amara, c.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: client, PageSize: 500, PageToken: token})
			return len(page.Decisions), page.NextPageToken
		},
	} {
		found, token := 0, ""
		for more := true; more; more = token != "" {
			n, next := count(token)
			if n == 0 {
				t.Fatalf("%s: an empty page", what)
			}
			found, token = found+n, next
		}
		if found != 3 {
			t.Errorf("%d of 3 %s are listed", found, what)
		}
	}
}

// fatPolicies uploads policies as large as they may be, in which every rule
// speaks of every section; one that is larger is refused.
func (c *chain) fatPolicies(t testing.TB, n int) (names []string) {
	t.Helper()
	for i := range n {
		req := c.uploaded()
		rule := req.HousePolicy.Rules[0]
		req.HousePolicy.Rules = nil
		for j := range 200 {
			r := proto.CloneOf(rule)
			r.RuleId = fmt.Sprintf("house.fat-%d-%d", i, j)
			r.Scope, r.Expression = pb.RuleScope_RULE_SCOPE_SECTION, `consultation.scalp.tender != Answer.YES`
			r.Message = strings.Repeat("\u6f22", 400)
			r.Basis.Source = strings.Repeat("\u6f22", 300)
			r.OverrideTerms.Reasons = nil
			for k := range 4 {
				r.OverrideTerms.Reasons = append(r.OverrideTerms.Reasons, &pb.OverrideReason{
					Code: fmt.Sprintf("REASON_%d", k), Description: strings.Repeat("\u6f22", 200)})
			}
			if req.HousePolicy.Rules = append(req.HousePolicy.Rules, r); proto.Size(req.HousePolicy) > 128<<10 {
				wantError(t, "a policy too large", mustFail(t, c.odile, c.catalog.CreateHousePolicy, req), codes.InvalidArgument, "INVALID_FIELD")
				req.HousePolicy.Rules = req.HousePolicy.Rules[:j]
				break
			}
		}
		names = append(names, must(t, c.odile, c.catalog.CreateHousePolicy, req).HousePolicy.Name)
	}
	return names
}
