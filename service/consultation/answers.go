package consultation

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/timing"
	"alkalog/storage"
)

// AnswerConsultation changes single answers of a draft. The etag may be left out,
// because an answer replaces only itself: two people who answer different fields at the
// same time both keep their answers, since the write runs again on what the other left.
func (s Service) AnswerConsultation(ctx context.Context, req *pb.AnswerConsultationRequest) (*pb.AnswerConsultationResponse, error) {
	caller, now := actor.From(ctx), s.Now()
	changes, err := readChanges(req)
	for i, given := range req.Statements {
		if err == nil {
			err = record.KnownStatement(s.Rules, fmt.Sprintf("statements[%d].version", i), given)
		}
	}
	if err == nil && req.SubmitWhenComplete && req.Planned == nil {
		err = fault.Invalid("planned", "must be given with submit_when_complete: it says what has to be asked")
	}
	if err != nil {
		return nil, err
	}
	submittedNow := false // not when the answer is that of an earlier attempt
	answer, err := storage.Write(ctx, s.DB, record.Chain(req.Name), req, func(r *storage.Snapshot) (*pb.AnswerConsultationResponse, storage.Changes, error) {
		submittedNow = false
		stored, err := record.GetFresh(r, caller, storage.Consultations, req.Name, req.Etag)
		if err == nil {
			err = requireDraft(stored)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		answered := proto.CloneOf(stored)
		applyChanges(answered, changes)
		addStatements(answered, req.Statements)
		if err = checkRoom(answered); err == nil {
			err = s.checkDraft(r, caller, stored, answered)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		noteOrigins(answered, changes, now)
		record.SetTime(answered, "update_time", now)
		form, err := s.formOf(r, caller, answered, req.Planned, now)
		if req.SubmitWhenComplete && len(form.GetQuestions()) == 0 {
			submittedNow = true
			submit(answered, now)
		}
		replace := storage.Consultations.Replace(stored, answered)
		return &pb.AnswerConsultationResponse{Consultation: answered, Form: form}, storage.Changes{Records: []storage.Record{replace}}, err
	})
	if err == nil && submittedNow {
		s.countStatements(answer.Consultation, now)
	}
	return answer, err
}

// addStatements adds statements to a consultation; one that was given before is replaced,
// because a statement is about the whole of its items at one moment.
func addStatements(c *pb.Consultation, given []*pb.StatementAnswer) {
	for _, g := range given {
		c.Statements = slices.DeleteFunc(c.Statements, func(s *pb.StatementAnswer) bool { return s.StatementId == g.StatementId })
		c.Statements = append(c.Statements, proto.CloneOf(g))
	}
}

// change is one answer to be given or, without an answer, taken away. It is read from the
// request once, before the write, because a write can run several times.
type change struct {
	path   fieldpath.Path
	given  bool
	value  protoreflect.Value // of a given answer; a doctor's word is in word
	word   *pb.DoctorsWord
	origin pb.AnswerOrigin
}

// readChanges reads the answers of a request and finds everything that is wrong with them
// by the contract alone: the path, the kind of value, its range, and two answers about one
// field. All mistakes are told at once, because a till that learns of them one by one
// asks the practitioner as many times. What only the stored records can tell (a product
// that does not exist, a date in the future of the salon's time zone) is checked later, in
// the write.
func readChanges(req *pb.AnswerConsultationRequest) ([]change, error) {
	var changes []change
	var wrong []fault.Violation
	for i, a := range req.Answers {
		at := fmt.Sprintf("answers[%d]", i)
		path, want := answerPath(a.Field)
		if want == "" {
			want = besides(changes, path, a.GetDoctorsWord() != nil)
		}
		if want != "" {
			wrong = append(wrong, fault.Violation{Field: at + ".field", Want: want})
			continue
		}
		c := change{path: path, given: true, word: a.GetDoctorsWord(), origin: a.Origin}
		if c.value, want = valueOf(path.Describe(), a); want != "" {
			wrong = append(wrong, fault.Violation{Field: at, Want: want + ", for " + path.String()})
		}
		changes = append(changes, c)
	}
	for i, field := range req.ClearFields {
		path, want := answerPath(field)
		if want == "" {
			want = besides(changes, path, false)
		}
		if want != "" {
			wrong = append(wrong, fault.Violation{Field: fmt.Sprintf("clear_fields[%d]", i), Want: want})
			continue
		}
		changes = append(changes, change{path: path})
	}
	switch {
	case len(wrong) > 0:
		return nil, fault.InvalidFields(wrong...)
	case len(changes) == 0 && len(req.Statements) == 0:
		return nil, fault.Invalid("answers", "must hold at least one answer, or clear_fields at least one field, or statements one statement")
	}
	return changes, nil
}

// answerPath reads the path of an answer that is stored with a consultation. Open
// questions also name what is given with a check itself, such as the lot; a till that
// sends it here is told where it belongs.
func answerPath(text string) (path fieldpath.Path, want string) {
	path, err := fieldpath.Parse(text)
	switch {
	case err != nil:
		return path, err.Error()
	case !path.InConsultation():
		return path, "must begin with consultation.: " + text + " is given with CheckEligibility"
	}
	return path, ""
}

// besides says what would be right when a path and an earlier one of the same call are
// about the same answer: the order of a list must not decide which of them counts.
// Doctors' words are of one field; each is about its own cause.
func besides(earlier []change, path fieldpath.Path, word bool) string {
	for _, c := range earlier {
		if word && c.word != nil {
			continue
		}
		if within(path.String(), c.path.String()) || within(c.path.String(), path.String()) {
			return "must not be given beside " + c.path.String() + " in one call"
		}
	}
	return ""
}

// within tells whether a path is another or names a part of it: a field of a message, or
// an element of a list.
func within(path, outer string) bool {
	rest, ok := strings.CutPrefix(path, outer)
	return ok && (rest == "" || rest[0] == '.' || rest[0] == '[')
}

// valueOf is the value of an answer; want says what would be right when it is of another
// kind than the field, or out of its range. The ranges are those of the contract's rules of
// input, which the interceptors check for a consultation that is sent as a whole; an
// answer by path passes them by, so they are checked here, by the same figures.
//
// Yes, no and not sure may be given as an answer or, as all other choices, by the name of
// the value: a till that draws its form from the choices needs one case only. A kind that
// does not match falls through to the end.
func valueOf(d fieldpath.Description, a *pb.FieldAnswer) (value protoreflect.Value, want string) {
	switch v := a.Value.(type) {
	case *pb.FieldAnswer_Answer:
		if d.Kind == fieldpath.KindAnswer {
			return protoreflect.ValueOfEnum(v.Answer.Number()), ""
		}
	case *pb.FieldAnswer_Choice:
		if d.Kind == fieldpath.KindAnswer || d.Kind == fieldpath.KindChoice {
			n, want := d.ChoiceOf(v.Choice)
			return protoreflect.ValueOfEnum(n), want
		}
	case *pb.FieldAnswer_Number:
		if d.Kind == fieldpath.KindNumber && d.Whole {
			return protoreflect.ValueOfInt32(int32(v.Number)), d.CheckNumber(v.Number)
		}
		if d.Kind == fieldpath.KindNumber {
			return protoreflect.ValueOfFloat64(v.Number), d.CheckNumber(v.Number)
		}
	case *pb.FieldAnswer_Text:
		if d.Kind == fieldpath.KindText {
			return protoreflect.ValueOfString(v.Text), d.CheckText(v.Text)
		}
	case *pb.FieldAnswer_Time:
		if d.Kind == fieldpath.KindTime {
			return protoreflect.ValueOfMessage(v.Time.ProtoReflect()), ""
		}
	case *pb.FieldAnswer_Date:
		if d.Kind == fieldpath.KindDate {
			return protoreflect.ValueOfMessage(v.Date.ProtoReflect()), ""
		}
	case *pb.FieldAnswer_Event:
		if d.Kind == fieldpath.KindEvent {
			return protoreflect.ValueOfMessage(v.Event.ProtoReflect()), ""
		}
	case *pb.FieldAnswer_DoctorsWord:
		if d.Kind == fieldpath.KindDoctorsWords {
			return protoreflect.Value{}, ""
		}
	}
	return value, "must be given as " + d.Takes()
}

// applyChanges gives and takes away answers in a consultation. The order of the changes
// does not matter, because no two are about one field. What a new answer makes meaningless
// goes too, unless the call itself says something about it: "never" beside a date is a
// contradiction for the checks to find, not one to hide by dropping the date.
func applyChanges(c *pb.Consultation, changes []change) {
	listUsualSections(c, changes)
	in := &pb.DecisionInputs{Consultation: c}
	for _, ch := range changes {
		switch {
		case !ch.given:
			ch.path.Clear(in)
			continue
		case ch.word != nil:
			addWord(c, ch.word)
			continue
		}
		ch.path.Set(in, cloned(ch.value))
		for _, gone := range meaningless(ch) {
			if !slices.ContainsFunc(changes, func(o change) bool { return within(gone.String(), o.path.String()) }) {
				gone.Clear(in)
			}
		}
	}
}

// cloned is a value that shares nothing with the request: the write may run again, and the
// request is compared with its repetitions by its bytes.
func cloned(v protoreflect.Value) protoreflect.Value {
	if m, ok := v.Interface().(protoreflect.Message); ok {
		return protoreflect.ValueOfMessage(proto.Clone(m.Interface()).ProtoReflect())
	}
	return v
}

// addWord adds what a doctor said, in place of what was stored for the same cause. Words on
// incidents are about one incident each. The list has no key of its own in the contract,
// so its elements have no paths and this is the only way to give one without the others.
func addWord(c *pb.Consultation, word *pb.DoctorsWord) {
	if c.History == nil {
		c.History = &pb.ClientHistory{}
	}
	same := func(w *pb.DoctorsWord) bool { return w.Cause == word.Cause && w.Incident == word.Incident }
	c.History.DoctorsWords = append(slices.DeleteFunc(c.History.DoctorsWords, same), proto.CloneOf(word))
}

// listUsualSections lists the usual sections before the first answers about them. A head
// without a list has these sections, and would lose those that are not named. Where
// another section is named too, the salon divides the head in its own way.
func listUsualSections(c *pb.Consultation, changes []change) {
	usual := timing.UsualSections()
	named := 0
	for _, ch := range changes {
		if !ch.given || !within(ch.path.String(), "consultation.hair.sections") {
			continue
		}
		if named++; !slices.ContainsFunc(usual, func(s *pb.HeadSection) bool { return within(ch.path.String(), sectionPath(s.SectionId)) }) {
			return
		}
	}
	if named == 0 || len(c.GetHair().GetSections()) > 0 {
		return
	}
	if c.Hair == nil {
		c.Hair = &pb.HairAnalysis{}
	}
	c.Hair.Sections = usual
}

// sectionPath is the path of a section as an element of the list.
func sectionPath(id string) string { return "consultation.hair.sections[" + id + "]" }

// meaningless are the answers that a new one makes meaningless: two ways to say when, when
// something was that never was, and the alkali of a relaxer that never was.
func meaningless(ch change) []fieldpath.Path {
	event, field := cutLast(ch.path.String())
	if field == "last_time" {
		return []fieldpath.Path{fieldpath.MustParse(event + ".last_date")}
	}
	if field == "last_date" {
		return []fieldpath.Path{fieldpath.MustParse(event + ".last_time")}
	}
	var gone []fieldpath.Path
	never := field == "happened" && ch.value.Enum() == pb.Answer_ANSWER_NO.Number()
	if never {
		gone = append(gone, fieldpath.MustParse(event+".last_time"), fieldpath.MustParse(event+".last_date"))
	}
	if field == "hydroxide" {
		event = ch.path.String()
		never = ch.value.Message().Interface().(*pb.PastEvent).GetHappened() == pb.Answer_ANSWER_NO
	}
	if zone, work := cutLast(event); never && work == "hydroxide" {
		gone = append(gone, fieldpath.MustParse(zone+".hydroxide_kind"))
	}
	return gone
}

// cutLast splits a path before its last field: "consultation.history.relaxer" and
// "happened". A path of one field has nothing before it.
func cutLast(path string) (before, last string) {
	at := strings.LastIndex(path, ".")
	if at < 0 {
		return "", path
	}
	return path[:at], path[at+1:]
}

// checkRoom refuses more sections or doctors' words than a consultation can hold. The
// contract states the limits for a consultation that is sent as a whole; answers that come
// one by one could pass them. There are three zones only, so these need no limit.
func checkRoom(c *pb.Consultation) error {
	const mostSections, mostWords = 12, 20
	switch {
	case len(c.GetHair().GetSections()) > mostSections:
		return fault.Invalid("answers", fmt.Sprintf("must leave at most %d sections of the head", mostSections))
	case len(c.GetHistory().GetDoctorsWords()) > mostWords:
		return fault.Invalid("answers", fmt.Sprintf("must leave at most %d doctors' words", mostWords))
	}
	return nil
}
