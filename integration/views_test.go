package integration

import (
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a till may ask for a smaller answer, and nothing less is stored; the events
// of a session come in pages that fit into what a client receives at once.

const (
	basic = pb.RecordView_RECORD_VIEW_BASIC
	full  = pb.RecordView_RECORD_VIEW_FULL
)

// noteLength is how long a remark may be.
const noteLength = 1000

// withoutDetails is a decision as the basic view has it.
func withoutDetails(d *pb.Decision) *pb.Decision {
	d = proto.CloneOf(d)
	d.Inputs = nil
	if d.Plan != nil {
		d.Plan.Sections, d.Plan.Basis = nil, nil
	}
	return d
}

func TestViewsLeaveOutWhatTheySay(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	client := c.client(t)
	check := c.question(c.submitted(t, client).Name)
	check.View = basic
	answer := must(t, c.amara, c.eligibility.CheckEligibility, check)
	again := must(t, c.amara, c.eligibility.CheckEligibility, proto.CloneOf(check))
	if answer.ServerTime, again.ServerTime = nil, nil; !proto.Equal(answer, again) {
		t.Errorf("a retry was answered by\n%v\nat first\n%v", again, answer)
	}
	other := proto.CloneOf(check)
	other.View = full
	_, err := c.eligibility.CheckEligibility(c.amara.calling(t), other)
	wantError(t, "the same id with another view", err, codes.AlreadyExists, "REQUEST_ID_REUSED")

	get := func(view pb.RecordView) *pb.Decision {
		return must(t, c.amara, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: answer.Decision.Name, View: view}).Decision
	}
	whole := get(0)
	if whole.Inputs.GetConsultation() == nil || len(whole.Plan.GetSections()) == 0 || len(whole.Plan.GetBasis()) == 0 || len(whole.Plan.GetStages()) == 0 {
		t.Fatalf("the whole decision lacks something: %v", whole)
	}
	list := func(view pb.RecordView) *pb.Decision {
		return must(t, c.amara, c.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: client, View: view}).Decisions[0]
	}
	for what, got := range map[string][2]*pb.Decision{
		"a check":       {answer.Decision, withoutDetails(whole)},
		"get, basic":    {get(basic), withoutDetails(whole)},
		"get, full":     {get(full), whole},
		"list, basic":   {list(basic), withoutDetails(whole)},
		"list, full":    {list(full), whole},
		"list, default": {list(0), whole},
	} {
		if !proto.Equal(got[0], got[1]) {
			t.Errorf("%s: got\n%v\nwant\n%v", what, got[0], got[1])
		}
	}
	if small, large := proto.Size(answer.Decision), proto.Size(whole); small*3 > large*2 {
		t.Errorf("the basic view takes %d of %d bytes", small, large)
	}
	replay := must(t, c.imara, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: whole.Name})
	if !replay.Identical {
		t.Errorf("a decision that was shown in part replays otherwise: %v", replay.Differences)
	}
	booking := c.booking(check.GetConsultation(), 0)
	booking.View = basic
	if d := must(t, c.amara, c.eligibility.CheckBooking, booking).Decision; d.Inputs != nil || len(d.Plan.GetSections()) > 0 {
		t.Errorf("a booking has %v", d)
	}
	for _, view := range []pb.RecordView{-1, 99} {
		_, err := c.eligibility.GetDecision(c.amara.calling(t), &pb.GetDecisionRequest{Name: whole.Name, View: view})
		wantError(t, "a view that there is not", err, codes.InvalidArgument, "INVALID_FIELD")
	}
}

// listEvents reads all pages from a token on, and fails if one is larger than it may be.
func (c *chain) listEvents(t testing.TB, session, token string, size int32, view pb.RecordView) (all []*pb.StoredEvent) {
	t.Helper()
	for {
		page := must(t, c.amara, c.processing.ListEvents, &pb.ListEventsRequest{Parent: session, PageSize: size, PageToken: token, View: view})
		if n := len(page.Events); size > 0 && n > int(size) || n > 1 && proto.Size(page) > 1<<20+1000 {
			t.Fatalf("a page has %d events and %d bytes", n, proto.Size(page))
		}
		all = append(all, page.Events...)
		if token = page.NextPageToken; token == "" {
			return all
		}
	}
}

func TestEventsComeInPages(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session := c.carriedOut(t).Name
	whole := must(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: session, WithEvents: true})
	if whole.EventsPageToken != "" || len(whole.Events) < 5 {
		t.Fatalf("%d events, token %q", len(whole.Events), whole.EventsPageToken)
	}
	guided := false
	for _, size := range []int32{0, 1, 3, int32(len(whole.Events)), 500} {
		for view, leaves := range map[pb.RecordView]bool{0: true, basic: true, full: false} {
			got := c.listEvents(t, session, "", size, view)
			if len(got) != len(whole.Events) {
				t.Fatalf("%d events in pages of %d, want %d", len(got), size, len(whole.Events))
			}
			for i, want := range whole.Events {
				guided = guided || want.Guidance != nil
				if want = proto.CloneOf(want); leaves {
					want.Guidance = nil
				}
				if !proto.Equal(got[i], want) {
					t.Fatalf("view %s, event %d: got\n%v\nwant\n%v", view, i, got[i], want)
				}
			}
		}
	}
	if !guided {
		t.Error("no event has guidance")
	}
	other := c.session(t).Name
	token := must(t, c.amara, c.processing.ListEvents, &pb.ListEventsRequest{Parent: session, PageSize: 1}).NextPageToken
	_, err := c.processing.ListEvents(c.amara.calling(t), &pb.ListEventsRequest{Parent: other, PageToken: token})
	wantError(t, "the token of another session", err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = c.processing.ListEvents(c.amara.calling(t), &pb.ListEventsRequest{Parent: session + "x"})
	wantError(t, "no session", err, codes.NotFound, "NOT_FOUND")
}

// TestALargeSessionFitsIntoAnAnswer records more than a client receives at once. GetSession
// gives what fits and a token, and the pages go on from there.
func TestALargeSessionFitsIntoAnAnswer(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session, sent := c.session(t), 0
	text := strings.Repeat("x", noteLength)
	for sent*noteLength < 7<<19 {
		var facts []*pb.Event
		for range 200 {
			facts = append(facts, eventAt(session, 0, note(text)))
		}
		c.report(t, session, facts...)
		sent += len(facts)
	}
	answer := must(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name, WithEvents: true})
	if size := proto.Size(answer); size > 7<<19 || answer.EventsPageToken == "" { // 3.5 MiB
		t.Errorf("the answer has %d bytes, token %q", size, answer.EventsPageToken)
	}
	rest := c.listEvents(t, session.Name, answer.EventsPageToken, 500, full)
	for i, e := range append(answer.Events, rest...) {
		if e.Sequence != int64(i+1) {
			t.Fatalf("event %d has the sequence %d", i, e.Sequence)
		}
	}
	if len(answer.Events)+len(rest) != sent {
		t.Errorf("%d and %d events, want %d", len(answer.Events), len(rest), sent)
	}
}
