package demo

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The answers to an auditor's questions about the month, computed here from its records
// alone: lists of entries, sessions and events, which know nothing of the questions.

// monthRecords are those records.
type monthRecords struct {
	entries  []*pb.AuditEntry
	sessions []*pb.Session
	events   map[string][]*pb.StoredEvent // by session
}

// readMonth reads them as the manager.
func readMonth(m *month) monthRecords {
	all, who := monthRecords{events: map[string][]*pb.StoredEvent{}}, m.people.manager
	for req := (&pb.ListEntriesRequest{Parent: ebb, PageSize: 500}); ; {
		page := call(m.run, who, m.clients.auditing.ListEntries, req)
		all.entries = append(all.entries, page.GetEntries()...)
		if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	for req := (&pb.ListSessionsRequest{Parent: ebb + "/clients/-", PageSize: 500}); ; {
		page := call(m.run, who, m.clients.processing.ListSessions, req)
		all.sessions = append(all.sessions, page.GetSessions()...)
		if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	for _, s := range all.sessions {
		all.events[s.GetName()] = call(m.run, who, m.clients.processing.ListEvents, &pb.ListEventsRequest{Parent: s.GetName(), PageSize: 500}).GetEvents()
	}
	return all
}

// wantAnswers compares the answers of the server with those records.
func wantAnswers(t *testing.T, m *month) {
	all := readMonth(m)
	auditor := m.people.auditor
	wantFollowed(t, m, all, auditor)
	wantDiscomfort(t, m, all, auditor)
	for by, keys := range map[pb.SummaryDimension]func(*pb.AuditEntry) []string{
		pb.SummaryDimension_SUMMARY_DIMENSION_ANY_RULE: func(e *pb.AuditEntry) (ids []string) {
			for _, r := range e.GetRules() {
				ids = append(ids, r.GetRuleId())
			}
			return ids
		},
		pb.SummaryDimension_SUMMARY_DIMENSION_PRACTITIONER: func(e *pb.AuditEntry) []string { return []string{e.GetPractitioner()} },
		pb.SummaryDimension_SUMMARY_DIMENSION_LOT:          func(e *pb.AuditEntry) []string { return []string{e.GetLotCode()} },
		pb.SummaryDimension_SUMMARY_DIMENSION_POLICY: func(e *pb.AuditEntry) []string {
			return []string{cmp.Or(e.GetHousePolicy(), e.GetPolicyDigest())}
		},
	} {
		want := map[string]int64{}
		for _, e := range all.entries {
			if e.GetKind() == pb.EntryKind_ENTRY_KIND_REFUSAL {
				for _, key := range keys(e) {
					want[key]++
				}
			}
		}
		got := map[string]int64{}
		for _, row := range call(m.run, auditor, m.clients.auditing.SummarizeEntries, &pb.SummarizeEntriesRequest{Parent: ebb, Dimension: by, Filter: `kind = "REFUSAL"`}).GetRows() {
			got[row.GetKey()] += row.GetCount()
		}
		if !maps.Equal(got, want) || len(want) == 0 {
			t.Errorf("refusals %s:\n got %v\nwant %v", by, got, want)
		}
	}
	wantLots(t, m, all, auditor)
}

// wantLots compares, for every lot that was used, the sessions that are found by it with
// those whose records name it.
func wantLots(t *testing.T, m *month, all monthRecords, who person) {
	want := map[[2]string][]string{}
	for _, s := range all.sessions {
		for _, u := range append(slices.Clone(s.GetProductsUsed()), &pb.ProductUsed{Product: s.GetProduct(), LotCode: s.GetLotCode()}) {
			key := [2]string{u.GetProduct(), u.GetLotCode()}
			if u.GetLotCode() != "" && !slices.Contains(want[key], s.GetName()) {
				want[key] = append(want[key], s.GetName())
			}
		}
	}
	if len(want) < 2 {
		t.Errorf("only the lots %v were used", want)
	}
	for lot, sessions := range want {
		var found []string
		for req := (&pb.ListSessionsRequest{Parent: ebb + "/clients/-", PageSize: 500, Product: lot[0], LotCode: lot[1]}); ; {
			page := call(m.run, who, m.clients.processing.ListSessions, req)
			for _, s := range page.GetSessions() {
				found = append(found, s.GetName())
			}
			if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
				break
			}
		}
		slices.Sort(found)
		if slices.Sort(sessions); !slices.Equal(found, sessions) {
			t.Errorf("lot %v is found in\n%v\nthe records name it in\n%v", lot, found, sessions)
		}
	}
}

// wantFollowed compares the followed refusals with all pairs of a refusal and a session.
func wantFollowed(t *testing.T, m *month, all monthRecords, who person) {
	const hours = 24 * 31
	want := map[string]string{}
	for _, e := range all.entries {
		if e.GetKind() != pb.EntryKind_ENTRY_KIND_REFUSAL && e.GetKind() != pb.EntryKind_ENTRY_KIND_REFERRAL {
			continue
		}
		var first *pb.Session
		for _, s := range all.sessions {
			after := s.GetStartTime().AsTime().Sub(e.GetOccurTime().AsTime())
			if clientOf(s.GetName()) == e.GetClient() && s.GetMovedTo() == "" && after >= 0 && after <= hours*time.Hour &&
				(first == nil || s.GetStartTime().AsTime().Before(first.GetStartTime().AsTime())) {
				first = s
			}
		}
		if first != nil {
			want[e.GetName()] = first.GetName()
		}
	}
	got := map[string]string{}
	for req := (&pb.ListFollowedRefusalsRequest{Parent: ebb, WithinHours: proto.Int32(hours), SameSalon: true, PageSize: 3}); ; {
		page := call(m.run, who, m.clients.auditing.ListFollowedRefusals, req)
		for _, f := range page.GetFollowedRefusals() {
			got[f.GetEntry().GetName()] = f.GetSession()
		}
		if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	if !maps.Equal(got, want) || len(want) == 0 {
		t.Errorf("followed refusals:\n got %v\nwant %v", got, want)
	}
}

// clientOf is the client of a session.
func clientOf(session string) string {
	at := len(session)
	for range 2 {
		at--
		for session[at] != '/' {
			at--
		}
	}
	return session[:at]
}

// wantDiscomfort compares the times with those between the facts themselves: from what
// the client felt to the next water, by the clock of the till that noted both.
func wantDiscomfort(t *testing.T, m *month, all monthRecords, who person) {
	var want []string
	var seconds []float64
	for session, events := range all.events {
		for _, e := range events {
			if comfort := e.GetEvent().GetComfortCheck().GetComfort(); comfort <= pb.Comfort_COMFORT_COMFORTABLE {
				continue
			}
			felt, water := e.GetEvent().GetOccurTime().AsTime(), time.Time{}
			for _, next := range events {
				at := next.GetEvent().GetOccurTime().AsTime()
				isWater := next.GetEvent().GetRinseStarted() != nil || next.GetEvent().GetWaterOn() != nil && next.GetEvent().GetWaterOn().GetPlace() <= pb.Place_PLACE_HEAD
				if isWater && at.After(felt) && (water.IsZero() || at.Before(water)) {
					water = at
				}
			}
			if water.IsZero() {
				want = append(want, session+" none")
				continue
			}
			seconds = append(seconds, water.Sub(felt).Seconds())
			want = append(want, fmt.Sprintf("%s %.0f", session, water.Sub(felt).Seconds()))
		}
	}
	slices.Sort(seconds)
	got := call(m.run, who, m.clients.auditing.SummarizeDiscomfort, &pb.SummarizeDiscomfortRequest{Parent: ebb})
	var cases []string
	for _, c := range got.GetCases() {
		if c.Seconds == nil {
			cases = append(cases, c.GetSession()+" none")
			continue
		}
		cases = append(cases, fmt.Sprintf("%s %.0f", c.GetSession(), c.GetSeconds()))
	}
	slices.Sort(want)
	slices.Sort(cases)
	if !slices.Equal(cases, want) || len(seconds) < 2 {
		t.Errorf("times from discomfort to water:\n got %v\nwant %v", cases, want)
		return
	}
	half, ninety := seconds[(len(seconds)+1)/2-1], seconds[(9*len(seconds)+9)/10-1]
	if got.GetAll().GetMedianSeconds() != half || got.GetAll().GetP90Seconds() != ninety || got.GetAll().GetCount() != int64(len(want)) {
		t.Errorf("of %v: %v, want median %v and 90th percentile %v", seconds, got.GetAll(), half, ninety)
	}
}
