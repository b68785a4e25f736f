package integration

import (
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a check costs the same however often the client was refused before, and
// comes to what it would come to on a server that has nothing in memory.

// TestCheckCostsTheSameAfterManyRefusals counts the rows that a check reads, not the time.
func TestCheckCostsTheSameAfterManyRefusals(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	counted, trips := s.countTrips(t, "ebb-and-flow")
	client := c.client(t)
	well := c.submitted(t, client).Name
	hurt := c.submitted(t, client, func(k *pb.Consultation) { k.Scalp.BrokenSkin = pb.Answer_ANSWER_YES }).Name
	sore := c.submitted(t, client, func(k *pb.Consultation) { k.Scalp.Sores = pb.Answer_ANSWER_YES }).Name
	first, refusals := 0, 0
	for _, n := range []int{2, 20, 60} {
		for ; refusals < n; refusals++ {
			d := must(t, c.amara, c.eligibility.CheckEligibility, c.question([]string{hurt, sore}[refusals%2])).Decision
			if d.Verdict != pb.Verdict_VERDICT_REFUSE && d.Verdict != pb.Verdict_VERDICT_REFER {
				t.Fatalf("the verdict is %v", d.Verdict)
			}
		}
		var d *pb.Decision
		check := func() { d = must(t, c.amara, counted.eligibility.CheckEligibility, c.question(well)).Decision }
		check() // reads what others have decided meanwhile
		check()
		other, _ := s.countTrips(t, "ebb-and-flow")
		want := must(t, c.amara, other.eligibility.CheckEligibility, c.question(well)).Decision
		if got, want := comparable(d), comparable(want); !proto.Equal(got, want) || len(got.Inputs.AnswerChanges) != 2 {
			t.Errorf("with memory: %v\nwithout: %v", got, want)
		}
		// Only now, because each repetition is a decision too.
		read, _, rows := trips.fewest(check)
		t.Logf("%d refusals: %d trips to read, %d rows", n, read, rows)
		if first == 0 {
			first = rows
		}
		if read != 1 || rows > first+1 { // the newest decision itself
			t.Errorf("after %d refusals a check reads %d rows in %d trips, after the first %d in 1", n, rows, read, first)
		}
	}
}

// comparable is a decision without what differs between two checks of one case.
func comparable(d *pb.Decision) *pb.Decision {
	d = proto.CloneOf(d)
	d.Name, d.CreateTime, d.Inputs.DecideTime = "", nil, nil
	return d
}
