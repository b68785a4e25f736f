package consultation

import (
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
	"alkalog/storage"
)

// countStatements adds the statements of a consultation that was just submitted to the
// figures of its practitioner.
func (s Service) countStatements(c *pb.Consultation, at time.Time) {
	if figures := statementFigures(c); figures.Statements > 0 {
		storage.CountForPractitioner(s.DB, c.Practitioner, at, figures)
	}
}

// statementFigures counts what the statements of a consultation show of how they were
// taken. Nothing of the client is in the figures. A statement that nobody reads shows as
// a high share of "none", a short time, and an item asked by itself that disagrees.
func statementFigures(c *pb.Consultation) storage.Figures {
	var f storage.Figures
	// An item's own answer counts against the statement even where the engine would let it
	// replace the statement: the figure is about the tap, not about the decision.
	for _, s := range c.GetStatements() {
		f.Statements++
		none := true
		for _, item := range s.GetItems() {
			answer := ownAnswer(c, item.GetField())
			none = none && !speaksAgainst(answer)
			if item.GetField() != s.GetSingleItem() || answer == pb.Answer_ANSWER_UNSPECIFIED {
				continue
			}
			f.SingleItems++
			if speaksAgainst(answer) {
				f.SingleItemsDiffering++
			}
		}
		if none {
			f.StatementsAllNone++
		}
		if s.SecondsTaken != nil {
			f.StatementsTimed++
			f.StatementSeconds += int64(s.GetSecondsTaken())
		}
	}
	return f
}

// speaksAgainst reports whether an answer contradicts the statement that there is none of
// it.
func speaksAgainst(a pb.Answer) bool {
	return a == pb.Answer_ANSWER_YES || a == pb.Answer_ANSWER_UNSURE
}

// ownAnswer is the answer that was given for an item itself; unspecified when there is
// none, or for a path that this program does not know.
func ownAnswer(c *pb.Consultation, path string) pb.Answer {
	p, err := fieldpath.Parse(path)
	if err != nil || p.Field().Enum() == nil {
		return pb.Answer_ANSWER_UNSPECIFIED
	}
	value, given := p.Get(&pb.DecisionInputs{Consultation: c})
	if !given {
		return pb.Answer_ANSWER_UNSPECIFIED
	}
	return pb.Answer(value.Enum())
}
