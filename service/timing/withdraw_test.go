package timing

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// journal plays what the services do with deviations: log what is new, withdraw what
// the facts of a write disprove.
type journal struct {
	session *pb.Session
	facts   []*pb.StoredEvent
	logged  map[string]bool
}

// look logs what time brought about by then.
func (j *journal) look(at time.Time) {
	for _, d := range Fold(j.session, j.facts, at).Deviations {
		j.logged[deviationKey(d)] = true
	}
}

// arrive takes a fact in and returns what it withdrew.
func (j *journal) arrive(e *pb.StoredEvent, at time.Time) []string {
	without := Fold(j.session, j.facts, at)
	j.facts = append(j.facts, e)
	with := Fold(j.session, j.facts, at)
	var withdrawn []string
	for _, d := range NewDeviations(with, without) {
		if key := deviationKey(d); j.logged[key] {
			delete(j.logged, key)
			withdrawn = append(withdrawn, key)
		}
	}
	for _, d := range with.Deviations {
		j.logged[deviationKey(d)] = true
	}
	return withdrawn
}

// However late and in whatever order facts arrive, and however often a server looks
// meanwhile: what is on the log in the end is what all facts together show, and
// so what was withdrawn was disproved and nothing else was.
func TestWithdrawnIsWhatWasDisproved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawTimeline(t)
		j := &journal{session: s.session, logged: map[string]bool{}}
		order := rapid.Permutation(s.events).Draw(t, "order of arrival")
		now := minute(45)
		for _, e := range order {
			e = proto.CloneOf(e)
			now = now.Add(time.Duration(rapid.IntRange(0, 300).Draw(t, "seconds later")) * time.Second)
			e.RecordTime = stamp(now)
			if rapid.Bool().Draw(t, "a server looks") {
				j.look(now)
			}
			j.arrive(e, now)
		}
		j.look(now)
		want := map[string]bool{}
		for _, d := range Fold(j.session, j.facts, now).Deviations {
			want[deviationKey(d)] = true
		}
		for key := range want {
			if !j.logged[key] {
				t.Fatalf("%s is not on the log", key)
			}
		}
		for key := range j.logged {
			if !want[key] {
				t.Fatalf("%s is on the log and was disproved", key)
			}
		}
	})
}

// Facts that arrive as they happen withdraw nothing, whatever time brings about in
// between: the passing of time disproves nothing.
func TestTimeWithdrawsNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawTimeline(t)
		slices.SortStableFunc(s.events, func(a, b *pb.StoredEvent) int {
			return a.Event.OccurTime.AsTime().Compare(b.Event.OccurTime.AsTime())
		})
		j := &journal{session: s.session, logged: map[string]bool{}}
		for i, e := range s.events {
			at := e.Event.OccurTime.AsTime()
			if i > 0 && at.Equal(s.events[i-1].Event.OccurTime.AsTime()) {
				return // facts of one instant complete each other
			}
			j.look(at.Add(-1))
			if withdrawn := j.arrive(e, at); len(withdrawn) > 0 {
				t.Fatalf("%v withdrew %v", e, withdrawn)
			}
		}
	})
}

func TestLateFactsDisprove(t *testing.T) {
	for _, c := range []struct {
		name     string
		timeline *timeline
		late     *pb.Event
		at       float64 // when it happened
		gone     string
	}{
		{"a rinse in time", oneSection().at(5, strand("back-left", 60)), water(""), 7, "LIMIT_PASSED back-left"},
		{"a test in time", oneSection(), strand("back-left", 80), 5, "STRAND_TEST_OVERDUE back-left"},
		{"the base", newTimeline(regular()).at(0, applied("back-left")), based(), -1, "BASE_SKIPPED "},
		{"the base in the same second", newTimeline(regular()).at(0, applied("back-left")), based(), 0, "BASE_SKIPPED "},
		{"water for the burn", oneSection().at(2, burns("")), water(""), 2.5, "RINSE_AFTER_DISCOMFORT_LATE "},
		{"water put back on the eye", oneSection().at(1, splash(leftEye)).at(2, waterOn(leftEye, "")).at(3, waterOff(leftEye, "")), waterOn(leftEye, ""), 3.5, "FLUSH_SHORT "},
		{"a condition", prepared().at(-3, based()).at(-2, confirmed(relaxer, "")).at(-2, met("cond.ends", "ends")).at(0, applied("back-left")), met("cond.gloves", ""), -1, "CONDITION_MISSED "},
	} {
		before := c.timeline.stateAt(25)
		c.late.EventId, c.late.OccurTime = "00000000-0000-4000-8000-00000000ffff", stamp(minute(c.at))
		after := Fold(c.timeline.session, append(c.timeline.events, &pb.StoredEvent{Event: c.late, RecordTime: stamp(minute(25)), Sequence: 99}), minute(25))
		if got := deviationWords(NewDeviations(after, before)); !slices.Contains(got, c.gone) {
			t.Errorf("%s disproves %q, want %q among them", c.name, got, c.gone)
		}
	}
}
