// Package forms says what is still to be asked before a service: which questions, in
// which order, what each of them takes, and which of them one tap can answer. A till
// draws its screen from a form and knows no question by itself.
//
// A form is made from the inputs of a decision. The engine says which answers rules wait
// for (rules.Engine.Needed); the contract says what an answer looks like (fieldpath); the
// policy says which questions are grouped; the catalogue has the words (texts). The
// package only puts these together.
//
// # Groups
//
// Two kinds of groups save taps and lose no rule. A statement says "none of these" to its
// items; rules.ExpandStatements is what it means. Questions asked together have one text
// and answers that they may share: the till sends the shared answer to each of them, so
// every answer is on record by itself. Any other answer is given one by one.
//
// "Was any chemical work done since the last visit?" is such a group. Its "no" may stand
// only for what was answered "no" at that visit too: what was not asked then, or was not
// sure, is asked by itself.
//
// # Questions that follow
//
// Some questions have a meaning only after another answer, such as when a test was done.
// They are in the form at once, with the answers after which they are asked, so that a
// till needs no call in between. The engine finds them: each answer is tried on a copy.
//
// # An example
//
// Of a client's first visit, with nothing answered, a part of the form is:
//
//	group scalp-seen, a statement: "I have parted the hair ... I saw none of these."
//	    consultation.scalp.infection_signs, .burns, .redness, ...
//	question consultation.scalp.swelling, by itself: it is today's single item
//	question consultation.tests.elasticity, a choice of four
//	question consultation.tests.test_time, after NORMAL, WEAK or FAILED; usually now
//	group condition, asked together: one tap gives SOUND to three zones
//
// # Errors
//
// Make fails only when the inputs lack what every decision needs (time, product,
// practitioner, salon) or when a rule cannot be evaluated. It never leaves a needed
// question out: an empty form means that no rule waits for an answer.
//
// The package is pure.
package forms

import (
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
	"alkalog/service/rules"
)

// Context is what a form is made from.
type Context struct {
	Engine *rules.Engine
	// Inputs are those of the decision that the form is for.
	Inputs *pb.DecisionInputs
	// Language is that of the texts, as texts.Choose gave it.
	Language string
	// Earlier is the client's last consultation that was submitted; nil: none.
	Earlier *pb.Consultation
	// SingleItem is the item of a statement that is asked by itself at this visit.
	SingleItem func(*pb.StatementAnswer) string
	// Zone is the salon's time zone, for dates in questions.
	Zone *time.Location
}

// form is a form that is being made.
type form struct {
	Context
	earlier *pb.DecisionInputs // with the answers that statements stood for; nil: no earlier consultation
	needs   []rules.Need
	groupOf map[string]*pb.QuestionGroup // by the path of a need
	made    *pb.Form
}

// Make makes a form. Statements come before questions asked together, so a question that
// is in both belongs to the statement. The inputs are not changed.
func Make(c Context) (*pb.Form, error) {
	f := form{Context: c, groupOf: map[string]*pb.QuestionGroup{}, made: &pb.Form{Language: c.Language}}
	if c.Earlier != nil {
		f.earlier = rules.ExpandStatements(&pb.DecisionInputs{Consultation: c.Earlier})
	}
	needs, err := c.Engine.Needed(c.Inputs)
	if err != nil {
		return nil, err
	}
	f.needs = slices.DeleteFunc(needs, func(n rules.Need) bool { return wouldBeRefused(c.Inputs, n) })
	for _, s := range c.Engine.Statements() {
		f.groupStatement(s)
	}
	for _, t := range c.Engine.Together() {
		f.groupTogether(t)
	}
	if err := f.ask(); err != nil {
		return nil, err
	}
	f.made.Carried = f.carried()
	return f.made, nil
}

// ask puts the questions in order: a group stands where its first question would.
func (f *form) ask() error {
	for _, n := range f.needs {
		g := f.groupOf[n.Path]
		if g == nil {
			if err := f.add(n, ""); err != nil {
				return err
			}
			continue
		}
		if slices.Contains(f.made.Groups, g) {
			continue
		}
		f.made.Groups = append(f.made.Groups, g)
		for _, member := range f.needs {
			if f.groupOf[member.Path] == g {
				if err := f.add(member, g.GroupId); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// add adds a question, in a group or with "" by itself, and those that follow it. What
// follows is never part of the group: one tap cannot answer it.
func (f *form) add(n rules.Need, group string) error {
	q := f.question(n)
	q.Group = group
	f.made.Questions = append(f.made.Questions, q)
	following, err := f.following(n)
	f.made.Questions = append(f.made.Questions, following...)
	return err
}

// question is a needed answer as a question.
func (f *form) question(n rules.Need) *pb.OpenQuestion {
	q := &pb.OpenQuestion{Field: n.Path, Question: n.Question, RuleIds: n.RuleIDs, WorstSeverity: n.Worst}
	Describe(q, f.Language)
	translate(q, f.Language)
	q.Field = wholeEvent(n.Path)
	f.fillUsual(q, n)
	if relaxed := relaxedBefore(n.Path); relaxed != "" && f.isNeeded(relaxed) {
		q.AskedAfter, q.AskedAfterValues = wholeEvent(relaxed), []string{pb.Answer_ANSWER_YES.String()}
	}
	return q
}

// relaxedBefore is the path of whether a zone was relaxed, for that of the alkali; "" for
// other paths. A rule can need the alkali before anybody says that the zone was relaxed,
// because a visit on record relaxed it.
func relaxedBefore(path string) string {
	if zone, isAlkali := strings.CutSuffix(path, ".hydroxide_kind"); isAlkali {
		return zone + ".hydroxide.happened"
	}
	return ""
}

// wouldBeRefused tells whether an answer to a need contradicts one that was given: who
// says that a zone was never relaxed cannot name an alkali.
func wouldBeRefused(in *pb.DecisionInputs, n rules.Need) bool {
	relaxed := relaxedBefore(n.Path)
	if relaxed == "" {
		return false
	}
	p, err := fieldpath.Parse(relaxed)
	if err != nil {
		return false
	}
	value, answered := p.Get(in)
	return answered && value.Enum() == pb.Answer_ANSWER_NO.Number()
}

// following are the questions that come after one of the answers to a need, with those
// answers. A past event is answered with its time at once, so its time follows nothing.
func (f *form) following(n rules.Need) ([]*pb.OpenQuestion, error) {
	p, err := fieldpath.Parse(n.Path)
	if err != nil || !slices.Contains(haveFollowing, n.Field) {
		return nil, nil
	}
	var found []*pb.OpenQuestion
	for _, choice := range p.Describe().Choices {
		tried := proto.CloneOf(f.Inputs)
		p.Set(tried, protoreflect.ValueOfEnum(choice.Number))
		needs, err := f.Engine.Needed(tried)
		if err != nil {
			return nil, err
		}
		for _, after := range needs {
			if after.Path == wholeEvent(n.Path)+".last_time" || f.isNeeded(after.Path) || f.asks(after.Path) || wouldBeRefused(tried, after) {
				continue
			}
			q := f.question(after)
			i := slices.IndexFunc(found, func(known *pb.OpenQuestion) bool { return known.Field == q.Field })
			if i < 0 {
				q.AskedAfter, q.UsuallyNow = wholeEvent(n.Path), slices.Contains(usuallyNow, n.Field+" "+after.Field)
				i, found = len(found), append(found, q)
			}
			found[i].AskedAfterValues = append(found[i].AskedAfterValues, choice.Value)
		}
	}
	return found, nil
}

// asks tells whether the form has a question already: a time may follow several tests.
func (f *form) asks(field string) bool {
	return slices.ContainsFunc(f.made.Questions, func(q *pb.OpenQuestion) bool { return q.Field == field })
}

// haveFollowing are the questions after whose answers others follow, as rules name them.
// A test compares them with the engine.
var haveFollowing = []string{
	"consultation.tests.elasticity", "consultation.tests.incompatibility", "consultation.tests.strand",
	"consultation.consent.agreed", "zone.hydroxide.happened",
}

// usuallyNow are times that are usually those of the tap on the answer before: consent is
// given and a wet strand is stretched while the till is at hand. A strand test or a
// metallic-salt test takes longer and may be of another day.
var usuallyNow = []string{
	"consultation.consent.agreed consultation.consent.agree_time",
	"consultation.tests.elasticity consultation.tests.test_time",
}

// wholeEvent is the path of a past event for that of whether it happened; other paths are
// as they are.
func wholeEvent(path string) string { return strings.TrimSuffix(path, ".happened") }
