package integration

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// settingsRequest changes the settings of c that the mask names.
func (c *chain) settingsRequest(settings *pb.ChainSettings, mask ...string) *pb.UpdateChainSettingsRequest {
	settings.Name = c.name + "/settings"
	return &pb.UpdateChainSettingsRequest{ChainSettings: settings, UpdateMask: updateMask(mask...), RequestId: newID()}
}

// TestChainSettings: a till reads what a manager has set, each change is on the log,
// and a chain's other fields are untouched.
func TestChainSettings(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "settings")
	get := &pb.GetChainSettingsRequest{Name: c.name + "/settings"}
	unset := must(t, c.till, c.directory.GetChainSettings, get).ChainSettings
	if unset.Name != get.Name || unset.Etag == "" || unset.RetouchNoticeDays != nil || len(unset.UnreviewedLanguages) != 0 {
		t.Errorf("before anything was set: %v", unset)
	}
	before := must(t, c.odile, c.directory.GetChain, &pb.GetChainRequest{Name: c.name}).Chain
	stored := must(t, c.odile, c.directory.UpdateChainSettings,
		c.settingsRequest(&pb.ChainSettings{Etag: unset.Etag, UnreviewedLanguages: []string{"pt"}, RetouchNoticeDays: proto.Int32(0)}, "unreviewed_languages", "retouch_notice_days")).ChainSettings
	must(t, c.odile, c.directory.UpdateChainSettings, c.settingsRequest(&pb.ChainSettings{RetouchLapseDays: proto.Int32(30)}, "retouch_lapse_days"))
	read := must(t, c.till, c.directory.GetChainSettings, get).ChainSettings
	want := &pb.ChainSettings{Name: get.Name, Etag: read.Etag, UpdateTime: read.UpdateTime, UnreviewedLanguages: []string{"pt"}, RetouchNoticeDays: proto.Int32(0), RetouchLapseDays: proto.Int32(30)}
	if !proto.Equal(read, want) || read.Etag == stored.Etag {
		t.Errorf("read back %v, want %v with another etag than %s", read, want, stored.Etag)
	}
	if err := mustFail(t, c.odile, c.directory.UpdateChainSettings, c.settingsRequest(&pb.ChainSettings{Etag: unset.Etag}, "retouch_lapse_days")); status.Code(err) != codes.Aborted {
		t.Errorf("an old etag: %v", err)
	}
	if err := mustFail(t, c.odile, c.directory.UpdateChainSettings, c.settingsRequest(&pb.ChainSettings{UnreviewedLanguages: []string{"xx"}}, "unreviewed_languages")); status.Code(err) != codes.InvalidArgument {
		t.Errorf("a language without texts: %v", err)
	}
	// Every error is checked against its metadata: this one must not name a chain that
	// the request does not name.
	nameless := c.settingsRequest(&pb.ChainSettings{}, "retouch_lapse_days")
	nameless.ChainSettings.Name = ""
	if err := mustFail(t, c.odile, c.directory.UpdateChainSettings, nameless); status.Code(err) != codes.InvalidArgument {
		t.Errorf("settings without a name: %v", err)
	}
	if err := mustFail(t, c.amara, c.directory.UpdateChainSettings, c.settingsRequest(&pb.ChainSettings{}, "retouch_lapse_days")); status.Code(err) != codes.PermissionDenied {
		t.Errorf("a practitioner: %v", err)
	}
	// A chain's own update leaves the settings alone and cannot write them.
	renamed := &pb.Chain{Name: c.name, DisplayName: "Renamed"}
	after := must(t, c.odile, c.directory.UpdateChain, &pb.UpdateChainRequest{Chain: renamed, UpdateMask: updateMask("display_name"), RequestId: newID()}).Chain
	if after.Settings.GetRetouchLapseDays() != 30 || !proto.Equal(after.Retention, before.Retention) {
		t.Errorf("after a change of name: %v", after)
	}
	if err := mustFail(t, c.odile, c.directory.UpdateChain, &pb.UpdateChainRequest{Chain: renamed, UpdateMask: updateMask("settings"), RequestId: newID()}); status.Code(err) != codes.InvalidArgument {
		t.Errorf("settings by UpdateChain: %v", err)
	}
	var changed []string
	for _, e := range c.entries(t, `kind = "CHAIN_CHANGED"`) {
		changed = append(changed, strings.Join(e.ChangedFields, " "))
	}
	for _, fields := range []string{"settings", "settings.retouch_lapse_days"} {
		if n := strings.Count(strings.Join(changed, "\n")+"\n", fields+"\n"); n != 1 {
			t.Errorf("%q: %d entries of %q", fields, n, changed)
		}
	}
}

// secondSalon adds a salon in which nothing has happened.
func (c *chain) secondSalon(t testing.TB) string {
	t.Helper()
	return must(t, c.odile, c.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, SalonId: "south-quay", RequestId: newID(),
		Salon: &pb.Salon{DisplayName: "South Quay (invented)", TimeZone: "UTC"}}).Salon.Name
}

// dueOf lists the clients of a salon whose retouch is due, in pages of a size.
func (c *chain) dueOf(t testing.TB, salon string, size int32) (due []*pb.DueRetouch) {
	t.Helper()
	req := &pb.ListDueRetouchesRequest{Parent: salon, PageSize: size}
	for {
		page := must(t, c.till, c.outcome.ListDueRetouches, req)
		due = append(due, page.DueRetouches...)
		if req.PageToken = page.NextPageToken; req.PageToken == "" {
			return due
		}
	}
}

// TestDueRetouches: a client is on the list from some days before the retouch is due
// until the salon has given up waiting, once, and not after another relaxer.
func TestDueRetouches(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "morning")
	var want []string
	var due time.Time
	for range 3 {
		session := c.carriedOut(t)
		outcome := must(t, c.amara, c.outcome.RecordOutcome, completed(session)).Outcome
		if outcome.Salon != c.salon {
			t.Fatalf("outcome of salon %q", outcome.Salon)
		}
		want, due = append(want, parent(session.Name)), outcome.NextRetouchTime.AsTime()
	}
	unfinished := c.carriedOut(t) // under way: not on the list
	first := must(t, c.till, c.outcome.ListOutcomes, &pb.ListOutcomesRequest{Parent: want[0]}).Outcomes[0].NextRetouchTime.AsTime()
	wait := func(until time.Time) { c.clock.advance(until.Sub(c.clock.timestamp().AsTime())) }

	wait(first.Add(-7*24*time.Hour - time.Minute))
	if got := c.dueOf(t, c.salon, 0); len(got) != 0 {
		t.Errorf("eight days ahead: %v", got)
	}
	wait(due)
	for _, size := range []int32{0, 1, 2} {
		var got []string
		for _, d := range c.dueOf(t, c.salon, size) {
			got = append(got, d.Client)
			if d.DisplayName == "" || d.DueReason == "" || d.Practitioner != c.amara.name || parent(d.Session) != d.Client {
				t.Errorf("an incomplete line: %v", d)
			}
		}
		if strings.Join(got, " ") != strings.Join(want, " ") {
			t.Errorf("in pages of %d: %v, want %v", size, got, want)
		}
	}
	other := c.secondSalon(t)
	if got := c.dueOf(t, other, 0); len(got) != 0 {
		t.Errorf("another salon's list: %v", got)
	}
	// An outcome from before the field existed is found by its session.
	damage(t, c.testServer, "outcomes", `update outcomes set salon = null`)
	if got := c.dueOf(t, c.salon, 0); len(got) != 3 {
		t.Errorf("without the column: %v", got)
	}
	if got := c.dueOf(t, other, 0); len(got) != 0 {
		t.Errorf("another salon's list without the column: %v", got)
	}
	// A visit that was recorded under the wrong client counts for the right one.
	right := c.client(t)
	must(t, c.imara, c.processing.MoveSession, c.move(must(t, c.till, c.processing.GetSession, &pb.GetSessionRequest{Name: c.dueOf(t, c.salon, 0)[0].Session}).Session, right))
	got := c.dueOf(t, c.salon, 0)
	if i := slices.IndexFunc(got, func(d *pb.DueRetouch) bool { return d.Client == want[0] }); i >= 0 || len(got) != 3 {
		t.Errorf("after a visit was moved to %s: %v", right, got)
	}
	// The later visit of a person with two records counts, on whichever record it is.
	c.link(t, right, c.client(t))
	if got := c.dueOf(t, c.salon, 0); len(got) != 3 {
		t.Errorf("linked with a client without visits: %v", got)
	}
	c.link(t, want[1], want[2])
	if got := c.dueOf(t, c.salon, 0); len(got) != 2 || slices.ContainsFunc(got, func(d *pb.DueRetouch) bool { return d.Client == want[1] }) {
		t.Errorf("after two clients were linked: %v", got)
	}
	if got := must(t, c.amara, c.outcome.RecordOutcome, brokenOff(unfinished)).Outcome; got.NextRetouchTime == nil {
		t.Fatalf("%v", got)
	}
	must(t, c.odile, c.directory.UpdateChainSettings, c.settingsRequest(&pb.ChainSettings{RetouchLapseDays: proto.Int32(1)}, "retouch_lapse_days"))
	wait(due.Add(27 * time.Hour))
	if got := c.dueOf(t, c.salon, 0); len(got) != 0 {
		t.Errorf("after the salon has given up waiting: %v", got)
	}
}

// TestOpenSessionsOfASalon: lists the services that a salon has not finished.
func TestOpenSessionsOfASalon(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "unfinished")
	open, closed := c.carriedOut(t), c.carriedOut(t)
	must(t, c.amara, c.outcome.RecordOutcome, completed(closed))
	other := c.secondSalon(t)
	list := func(salon string) (names []string) {
		for _, s := range must(t, c.till, c.processing.ListSessions, &pb.ListSessionsRequest{Parent: c.name + "/clients/-", Salon: salon, OpenOnly: true}).Sessions {
			names = append(names, s.Name)
		}
		return names
	}
	if got := list(c.salon); len(got) != 1 || got[0] != open.Name {
		t.Errorf("open in %s: %v, want %s", c.salon, got, open.Name)
	}
	if got := list(other); len(got) != 0 {
		t.Errorf("open in another salon: %v", got)
	}
	if got := list(""); len(got) != 1 {
		t.Errorf("open in the chain: %v", got)
	}
	all := &pb.ListSessionsRequest{Parent: c.name + "/clients/-", Salon: c.salon}
	if _, err := c.processing.ListSessions(c.till.calling(t), all); status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), "open_only") {
		t.Errorf("a salon without open_only: %v", err)
	}
	all.OpenOnly, all.Salon = true, c.name+"/salons/nowhere"
	if _, err := c.processing.ListSessions(context.WithoutCancel(c.till.calling(t)), all); status.Code(err) != codes.NotFound {
		t.Errorf("a salon that does not exist: %v", err)
	}
}
