package integration

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// TestFiguresShowWhoAsksAgain: decisions on answers that changed after a refusal, and
// what-ifs, count for the practitioner who is to do the service, no matter who asked and on
// whichever server, on the day they were made; a what-if stores no record.
func TestFiguresShowWhoAsksAgain(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	there := *c
	there.testServer = s.startSecondServer(t)
	client := parent(wantVerdict(t, c.decision(t, brokenSkin), pb.Verdict_VERDICT_REFUSE).Name)
	c.clock.advance(time.Minute)
	asked := c.question(c.submitted(t, client).Name)
	must(t, c.imara, c.eligibility.CheckEligibility, asked) // for amara
	must(t, c.imara, c.eligibility.CheckEligibility, asked) // sent twice

	whatIf := proto.CloneOf(asked)
	whatIf.Subject = &pb.CheckEligibilityRequest_Inline{Inline: c.consultationAnswers(brokenSkin)}
	before := s.tableDigests(t)
	must(t, c.amara, c.eligibility.CheckEligibility, again(whatIf))
	must(t, c.imara, there.eligibility.CheckEligibility, again(whatIf))
	wantSame(t, before, s.tableDigests(t))
	bad := again(whatIf)
	bad.SectionIds = []string{"moon"}
	mustFail(t, c.amara, c.eligibility.CheckEligibility, bad) // no answer, no what-if
	midnight := c.clock.Now().Truncate(24 * time.Hour).Add(24 * time.Hour)
	c.clock.advance(midnight.Sub(c.clock.Now()))
	supervised := again(whatIf)
	supervised.Practitioner = c.imara.name
	must(t, c.imara, c.eligibility.CheckEligibility, supervised)

	figures := func(req *pb.SummarizeEntriesRequest) map[string][2]int64 {
		got := map[string][2]int64{}
		for _, p := range c.counted(t, req).Practitioners {
			got[p.Practitioner] = [2]int64{p.ChangedAnswers, p.WhatIfs}
		}
		return got
	}
	all := &pb.SummarizeEntriesRequest{Parent: c.name}
	eventually(t, "the what-ifs to be written", func() bool { return c.counted(t, all).WhatIfs >= 3 })
	if got := c.counted(t, all).WhatIfs; got != 3 {
		t.Errorf("%d what-ifs in all", got)
	}
	if got := figures(all); len(got) != 2 || got[c.amara.name] != [2]int64{1, 2} || got[c.imara.name] != [2]int64{0, 1} {
		t.Errorf("changed answers and what-ifs: %v", got)
	}
	late := &pb.SummarizeEntriesRequest{Parent: c.name, StartTime: timestamppb.New(midnight)}
	if got := figures(late); len(got) != 1 || got[c.imara.name] != [2]int64{0, 1} {
		t.Errorf("of the second day: %v", got)
	}
}
