package consultation

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
	"alkalog/service/fault"
)

// Where an answer comes from stands in one list beside the consultation and not in a
// wrapper around each answer: rules, forms and stored decisions read the answers as they
// always did, and an answer without an entry is simply one of which nobody said.
//
// An entry belongs to the answer it was made for. When the answer changes by another way
// than the one that says where the new one comes from, the entry goes, because a wrong
// origin is worse than none: "carried" on an answer that was given today would hide that
// somebody asked, and "asked" on one that was overwritten would claim that somebody did.

// Three ways lead here. A call that gives single answers says for each where it comes from
// (noteOrigins). A caller who writes a consultation as a whole may send the list along, and
// what does not fit is refused (checkOrigins) or dropped (settleOrigins). A draft makes its
// own list (carry.go).

// noteOrigins writes down where the answers of a call come from, with the server's time. An
// answer that is given again with the same value gets the new origin: somebody who confirms
// a carried answer has asked. Answers that were taken away, by the caller or because they
// became meaningless, lose their entries.
func noteOrigins(c *pb.Consultation, changes []change, now time.Time) {
	in := &pb.DecisionInputs{Consultation: c}
	answered := fieldpath.Answered(in)
	for _, ch := range changes {
		c.Origins = slices.DeleteFunc(c.Origins, func(o *pb.FieldOrigin) bool { return within(o.Field, ch.path.String()) })
		if !ch.given {
			continue
		}
		for _, p := range answered { // an event is several answers
			if within(p.String(), ch.path.String()) {
				c.Origins = append(c.Origins, &pb.FieldOrigin{Field: p.String(), Origin: ch.origin, AnswerTime: timestamppb.New(now)})
			}
		}
	}
	keepOrigins(c, func(fieldpath.Path, *pb.FieldOrigin) bool { return true })
}

// keepOrigins drops the entries of answers that are not given and those that keep does not
// want, and puts the rest in the order of the answers.
func keepOrigins(c *pb.Consultation, keep func(fieldpath.Path, *pb.FieldOrigin) bool) {
	byField := map[string]*pb.FieldOrigin{}
	for _, o := range c.Origins {
		byField[o.Field] = o
	}
	c.Origins = nil
	for _, p := range fieldpath.Answered(&pb.DecisionInputs{Consultation: c}) {
		if o := byField[p.String()]; o != nil && keep(p, o) {
			c.Origins = append(c.Origins, o)
		}
	}
}

// statedByCallers are the origins that a caller can state. CARRIED and STATED say what the
// server did.
var statedByCallers = []pb.AnswerOrigin{
	pb.AnswerOrigin_ANSWER_ORIGIN_ASKED, pb.AnswerOrigin_ANSWER_ORIGIN_SEEN,
	pb.AnswerOrigin_ANSWER_ORIGIN_SCANNED, pb.AnswerOrigin_ANSWER_ORIGIN_IMPORTED,
}

// checkOrigins checks the origins that a caller sends with a consultation. Those that are
// stored already may be sent back as they were read, since a caller who changes another
// part sends the whole list. Their time is not the caller's to say: it is set by
// settleOrigins.
func checkOrigins(stored, wanted *pb.Consultation) error {
	var wrong []fault.Violation
	for i, o := range wanted.GetOrigins() {
		if isStored(stored, o) {
			continue
		}
		at := fmt.Sprintf("consultation.origins[%d]", i)
		path, want := answerPath(o.Field)
		if want == "" {
			if _, given := path.Get(&pb.DecisionInputs{Consultation: wanted}); !given {
				want = "must name an answer that is given"
			}
		}
		if want != "" {
			wrong = append(wrong, fault.Violation{Field: at + ".field", Want: want})
		}
		if !slices.Contains(statedByCallers, o.Origin) {
			wrong = append(wrong, fault.Violation{Field: at + ".origin", Want: "must be one of " + originNames() + ", or the entry as it was read"})
		}
		if o.Consultation != "" || o.Session != "" {
			wrong = append(wrong, fault.Violation{Field: at, Want: "must not name a consultation or a session: the server does that for answers that it carries"})
		}
	}
	if len(wrong) > 0 {
		return fault.InvalidFields(wrong...)
	}
	return nil
}

// originNames lists those values, for the text of an error.
func originNames() string {
	var names []string
	for _, o := range statedByCallers {
		names = append(names, o.String())
	}
	return strings.Join(names, ", ")
}

// isStored tells whether an entry is in a stored consultation just as it is; stored may be
// nil.
func isStored(stored *pb.Consultation, o *pb.FieldOrigin) bool {
	return slices.ContainsFunc(stored.GetOrigins(), func(s *pb.FieldOrigin) bool { return proto.Equal(s, o) })
}

// settleOrigins puts the origins right after a caller wrote a consultation as a whole: new
// entries get their time, and entries of answers that changed go. stored is nil for a new
// consultation, of which every entry is new.
func settleOrigins(stored, wanted *pb.Consultation, now time.Time) {
	for i, o := range wanted.Origins {
		if !isStored(stored, o) {
			wanted.Origins[i] = proto.CloneOf(o)
			wanted.Origins[i].AnswerTime = timestamppb.New(now)
		}
	}
	before, after := &pb.DecisionInputs{Consultation: stored}, &pb.DecisionInputs{Consultation: wanted}
	keepOrigins(wanted, func(p fieldpath.Path, o *pb.FieldOrigin) bool {
		if !isStored(stored, o) || p.IsElement() {
			return true
		}
		then, _ := p.Get(before)
		now, given := p.Get(after)
		return given && now.Equal(then)
	})
}

// lostAnswers are the answers that are stored and would be gone. A mask names whole parts,
// so a caller who sends a part with one answer in it takes its neighbours away. What a new
// answer makes meaningless is not lost: the other way to say when, and the date of what
// is now said never to have been. A statement is lost when none of its id is left.
func lostAnswers(stored, wanted *pb.Consultation) []string {
	var lost []string
	after := &pb.DecisionInputs{Consultation: wanted}
	replaced := map[string]bool{}
	for _, p := range fieldpath.Answered(after) {
		if value, given := p.Get(after); given && !p.IsElement() {
			for _, gone := range meaningless(change{path: p, value: value}) {
				replaced[gone.String()] = true
			}
		}
	}
	for _, p := range fieldpath.Answered(&pb.DecisionInputs{Consultation: stored}) {
		if _, kept := p.Get(after); !kept && !replaced[p.String()] {
			lost = append(lost, p.String())
		}
	}
	for _, s := range stored.GetStatements() {
		if !slices.ContainsFunc(wanted.GetStatements(), func(w *pb.StatementAnswer) bool { return w.GetStatementId() == s.GetStatementId() }) {
			lost = append(lost, "consultation.statements["+s.GetStatementId()+"]")
		}
	}
	return lost
}
