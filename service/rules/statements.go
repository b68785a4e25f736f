package rules

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// A statement says "none of these" to at most seven items at once. It is data of the
// policy: id, version, text and items. The server stores the text and the items that
// were shown with the answer, so the engine needs nothing but the consultation to
// know what was said, also when the statement has a newer version since.
//
// Before a rule is asked, a statement becomes the answer NO to its items
// (ExpandStatements). An answer that was given for an item itself counts instead; the
// single item, which is asked by itself at this visit, is left open; and what the
// client did not confirm says nothing.

// maxItems is how many items a statement may have. Our own choice: as many as
// somebody reads before tapping.
const maxItems = 7

// statementText is a statement as its file has it.
type statementText struct {
	ID      string          `yaml:"id"`
	Version int32           `yaml:"version"`
	By      string          `yaml:"by"` // CLIENT, or empty: the practitioner
	Text    string          `yaml:"text"`
	Items   []statementItem `yaml:"items"`
}

// statementItem is one item: the path of the answer, and the words in which it is
// shown.
type statementItem struct {
	Field string `yaml:"field"`
	Text  string `yaml:"text"`
}

// neverStated are answers that are always asked singly: what burns at once, what
// happened to this client before, and chemical work. Zones and sections hold nothing
// that may be stated. Our own choice.
var neverStated = strings.Fields(`
	consultation.scalp.broken_skin consultation.scalp.sores
	consultation.history.allergy consultation.history.glove_allergy consultation.history.bad_reaction
	consultation.history.relaxer.happened consultation.history.undescribed_work
	consultation.consent.agreed consultation.consent.explained consultation.consent.guardian_agreed
	consultation.history.medical_clearance consultation.history.shampoo.happened`)

// addStatements checks the statements of a document and keeps them.
// One that breaks a limit is an error of the policy and shows when it is loaded.
func (e *Engine) addStatements(texts []statementText) error {
	for _, t := range texts {
		s := &pb.StatementAnswer{StatementId: t.ID, Version: t.Version, Text: strings.TrimSpace(t.Text), OfClient: t.By == "CLIENT"}
		switch {
		case t.ID == "" || t.Version < 1 || s.Text == "" || t.By != "" && !s.OfClient:
			return fmt.Errorf("statement %q must have an id, a version, a text, and by CLIENT or nothing", t.ID)
		case len(t.Items) == 0 || len(t.Items) > maxItems:
			return fmt.Errorf("statement %s has %d items; it must have 1 to %d", t.ID, len(t.Items), maxItems)
		case e.Statement(t.ID, t.Version) != nil:
			return fmt.Errorf("statement %s has version %d twice", t.ID, t.Version)
		}
		for _, item := range t.Items {
			if !e.lang.mayBeStated(item.Field) {
				return fmt.Errorf("statement %s: %s is no answer that a statement may give", t.ID, item.Field)
			}
			s.Items = append(s.Items, &pb.StatementItem{Field: item.Field, Text: item.Text})
		}
		e.statements = append(e.statements, s)
	}
	return nil
}

// mayBeStated tells whether a statement may have the answer at a path as an item: a
// yes-or-no answer of the whole case that is not among neverStated.
func (l *language) mayBeStated(path string) bool {
	i, known := l.index[path]
	return known && i < l.zones && l.fields[i].asked && l.fields[i].celType == l.answer(pb.Answer_ANSWER_NO).celType &&
		strings.HasPrefix(path, "consultation.") && !slices.Contains(neverStated, path)
}

// Statement is a version of a statement, with its English text and its items; nil when
// the policy has none such. It must not be changed.
func (e *Engine) Statement(id string, version int32) *pb.StatementAnswer {
	for _, s := range e.statements {
		if s.GetStatementId() == id && s.GetVersion() == version {
			return s
		}
	}
	return nil
}

// Statements are the newest versions of all statements, in the order of the policy.
// They must not be changed.
func (e *Engine) Statements() []*pb.StatementAnswer {
	var newest []*pb.StatementAnswer
	for _, s := range e.statements {
		if i := slices.IndexFunc(newest, func(n *pb.StatementAnswer) bool { return n.GetStatementId() == s.GetStatementId() }); i < 0 {
			newest = append(newest, s)
		} else if s.GetVersion() > newest[i].GetVersion() {
			newest[i] = s
		}
	}
	return newest
}

// ExpandStatements returns the inputs with the answers that the statements of the
// consultation stand for. Without statements it returns the inputs themselves.
// The inputs that were passed are not changed: a decision stores what was answered
// and not what it was taken to mean.
func ExpandStatements(in *pb.DecisionInputs) *pb.DecisionInputs {
	c := in.GetConsultation()
	if len(c.GetStatements()) == 0 {
		return in
	}
	c = proto.CloneOf(c)
	for _, s := range c.GetStatements() {
		// What the client has not confirmed yet says nothing.
		if s.GetOfClient() && s.GetClientConfirmation() == pb.ClientConfirmation_CLIENT_CONFIRMATION_UNSPECIFIED {
			continue
		}
		for _, item := range s.GetItems() {
			if item.GetField() != s.GetSingleItem() {
				stateNo(c, item.GetField())
			}
		}
	}
	// A copy that shares all parts but the consultation.
	expanded := &pb.DecisionInputs{}
	in.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		expanded.ProtoReflect().Set(f, v)
		return true
	})
	expanded.Consultation = c
	return expanded
}

// stateNo answers NO at a path of a consultation that has no answer yet. A path that
// this program does not know, or that holds no yes-or-no answer, is left alone. So is an
// event of which somebody said when it was: "never" beside a date is a contradiction, and
// the question stays open.
func stateNo(c *pb.Consultation, path string) {
	m := c.ProtoReflect()
	parts := strings.Split(strings.TrimPrefix(path, "consultation."), ".")
	for i, part := range parts {
		f := m.Descriptor().Fields().ByName(protoreflect.Name(part))
		switch {
		case f == nil || f.IsList() || f.IsMap():
			return
		case i == len(parts)-1 && isDated(m.Interface()):
			return
		case i == len(parts)-1:
			if f.Enum() != nil && f.Enum().FullName() == pb.Answer(0).Descriptor().FullName() && !m.Has(f) {
				m.Set(f, protoreflect.ValueOfEnum(pb.Answer_ANSWER_NO.Number()))
			}
			return
		case f.Message() == nil:
			return
		}
		m = m.Mutable(f).Message()
	}
}

// isDated tells whether a message is a past event with a time or a date.
func isDated(m proto.Message) bool {
	e, ok := m.(*pb.PastEvent)
	return ok && (e.GetLastTime() != nil || e.GetLastDate() != nil)
}
