package rules

import (
	"slices"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/proto/fieldpath"
)

// What was taken over from other systems can only make a decision stricter. Nobody here
// saw it, and nobody can say how it was kept: a test that was sound, a consent, a doctor's
// word, a date that is long enough ago may be somebody else's, or a default of the program
// that wrote it. A danger that it names may be real.
//
// So a case with imported facts is judged twice: with all that is known, and as if nothing
// had been imported. What either finds, asks or sets as a condition is in the decision.
// That holds for every rule, also one that is written tomorrow, and no rule has to know
// of it.
//
// Imported facts are the work and the warnings of imported records, imported incidents, the
// birth date of an imported client, and answers of the consultation whose origin is
// IMPORTED.
//
// The birth date of a linked client is judged in the same way, because the link can be a
// mistake: it can make the client a minor, and it answers no question about the age.

// importedSince is the revision from which on imported facts are judged so.
const importedSince = 3

// warnedOf are the answers that warnings stand for.
var warnedOf = map[pb.Warning]func(*pb.ClientHistory) *pb.Answer{
	pb.Warning_WARNING_ALLERGY:          func(h *pb.ClientHistory) *pb.Answer { return &h.Allergy },
	pb.Warning_WARNING_BAD_REACTION:     func(h *pb.ClientHistory) *pb.Answer { return &h.BadReaction },
	pb.Warning_WARNING_KELOIDS:          func(h *pb.ClientHistory) *pb.Answer { return &h.Keloids },
	pb.Warning_WARNING_GLOVE_ALLERGY:    func(h *pb.ClientHistory) *pb.Answer { return &h.GloveAllergy },
	pb.Warning_WARNING_UNDESCRIBED_WORK: func(h *pb.ClientHistory) *pb.Answer { return &h.UndescribedWork },
}

// hasImported tells whether inputs hold anything that was imported, or a birth date of a
// linked client.
func hasImported(in *pb.DecisionInputs) bool {
	return len(in.GetImportedWarnings()) > 0 || in.GetBirthDateImported() || in.GetLinkedBirthDate() != "" ||
		slices.ContainsFunc(in.GetRecordedWork(), isImportedWork) ||
		slices.ContainsFunc(in.GetIncidents(), isImportedIncident) ||
		slices.ContainsFunc(in.GetConsultation().GetOrigins(), isImportedAnswer)
}

func isImportedWork(f *pb.HistoryFact) bool {
	return f.GetSource() == pb.HistorySource_HISTORY_SOURCE_IMPORTED
}

func isImportedIncident(i *pb.Incident) bool {
	return i.GetOrigin() == pb.IncidentOrigin_INCIDENT_ORIGIN_IMPORTED
}

func isImportedAnswer(o *pb.FieldOrigin) bool {
	return o.GetOrigin() == pb.AnswerOrigin_ANSWER_ORIGIN_IMPORTED
}

// WithoutImported returns a copy of inputs without anything that was imported, and without
// the birth date of a linked client.
func WithoutImported(in *pb.DecisionInputs) *pb.DecisionInputs {
	bare := proto.CloneOf(in)
	bare.ImportedWarnings, bare.LinkedBirthDate = nil, ""
	if bare.BirthDateImported {
		bare.BirthDate, bare.BirthDateImported = "", false
	}
	bare.RecordedWork = slices.DeleteFunc(bare.RecordedWork, isImportedWork)
	bare.Incidents = slices.DeleteFunc(bare.Incidents, isImportedIncident)
	for _, o := range in.GetConsultation().GetOrigins() {
		if path, err := fieldpath.Parse(o.GetField()); err == nil && isImportedAnswer(o) && !path.IsElement() {
			path.Clear(bare)
		}
	}
	return bare
}

// TimedInputs returns the inputs of a decision that its plan, and what is learned from its
// service, may rest on: those without anything imported. Decisions of earlier revisions
// keep all.
func TimedInputs(d *pb.Decision) *pb.DecisionInputs {
	if d.GetEngineRevision() < importedSince || !hasImported(d.GetInputs()) {
		return d.GetInputs()
	}
	return WithoutImported(d.GetInputs())
}

// withWarnings returns the inputs with the answers that warnings stand for. A question
// that was answered by itself keeps its answer: who was asked today knows better than an
// old record. A statement about several answers together does not outweigh a warning.
func withWarnings(in *pb.DecisionInputs) *pb.DecisionInputs {
	if len(in.GetImportedWarnings()) == 0 {
		return in
	}
	warned := proto.CloneOf(in)
	if warned.Consultation == nil {
		warned.Consultation = &pb.Consultation{}
	}
	if warned.Consultation.History == nil {
		warned.Consultation.History = &pb.ClientHistory{}
	}
	for _, w := range in.GetImportedWarnings() {
		if of := warnedOf[w]; of != nil {
			if answer := of(warned.Consultation.History); *answer == pb.Answer_ANSWER_UNSPECIFIED {
				*answer = pb.Answer_ANSWER_YES
			}
		}
	}
	return warned
}

// withLinkedBirthDate returns the inputs with the birth date of a linked client as the
// client's own.
func withLinkedBirthDate(in *pb.DecisionInputs) *pb.DecisionInputs {
	if in.GetLinkedBirthDate() <= in.GetBirthDate() { // YYYY-MM-DD sorts by time
		return in
	}
	linked := proto.CloneOf(in)
	linked.BirthDate = in.GetLinkedBirthDate()
	return linked
}

// open makes the state of a case as the code of a revision judges it, and beside it, if
// anything was imported, the state of the case without it. It must be closed.
func (e *Engine) open(in *pb.DecisionInputs, revision int32) (*state, error) {
	if revision < importedSince || !hasImported(in) {
		s, err := e.lang.open(in)
		if err == nil {
			s.revision = revision
		}
		return s, err
	}
	s, err := e.lang.open(withLinkedBirthDate(withWarnings(in)))
	if err != nil {
		return nil, err
	}
	s.revision = revision
	if s.bare, err = e.lang.open(WithoutImported(in)); err != nil {
		s.close()
		return nil, err
	}
	s.bare.revision = revision
	return s, nil
}

// importedText ends the message of a finding that is there only because of imported facts.
const importedText = " (By a record that was imported from another system.)"

// linkedText ends it instead if the birth date of a linked client is the reason, and
// eitherText if each may be.
const (
	linkedText = " (By the birth date of a linked client.)"
	eitherText = " (By the birth date of a linked client, or a record that was imported from another system.)"
)

// onlyBy returns the text that names what a finding is there by, if it is not there
// without imported facts and the birth date of a linked client.
func onlyBy(in *pb.DecisionInputs) string {
	if in.GetLinkedBirthDate() == "" {
		return importedText
	}
	own := proto.CloneOf(in)
	own.LinkedBirthDate = ""
	if hasImported(own) {
		return eitherText
	}
	return linkedText
}

// addBare adds to an evaluation what the rules say of the case without imported facts. The
// text why ends the messages of findings that are not there without them.
func (o *evaluation) addBare(bare *evaluation, why string) {
	for _, f := range o.findings {
		if !bare.fires(f.GetRuleId(), f.GetSubject()) {
			f.Message += why
		}
	}
	for _, f := range bare.findings {
		i := slices.IndexFunc(o.findings, func(known *pb.Finding) bool { return isOf(known, f.GetRuleId(), f.GetSubject()) })
		switch {
		case i < 0:
			o.findings = append(o.findings, f)
		case isStricter(f, o.findings[i]):
			o.findings[i] = f
		}
	}
	for id := range bare.beforeContact {
		o.beforeContact[id] = true
	}
	for _, w := range bare.waiting {
		i := slices.IndexFunc(o.waiting, func(known waitingRule) bool { return known.rule == w.rule && known.subject == w.subject })
		if i < 0 {
			o.waiting = append(o.waiting, w)
			continue
		}
		known := &o.waiting[i]
		known.fields = slices.Clone(known.fields)
		for _, field := range w.fields {
			if !slices.Contains(known.fields, field) {
				known.fields = append(known.fields, field)
			}
		}
	}
	o.waiting = slices.DeleteFunc(o.waiting, func(w waitingRule) bool { return o.fires(w.text.GetRuleId(), w.subject.label()) })
}

// fires tells whether a rule has a finding about a subject.
func (o *evaluation) fires(ruleID, subject string) bool {
	return slices.ContainsFunc(o.findings, func(f *pb.Finding) bool { return isOf(f, ruleID, subject) })
}

func isOf(f *pb.Finding, ruleID, subject string) bool {
	return f.GetRuleId() == ruleID && f.GetSubject() == subject
}

// isStricter tells whether one of two findings of a rule is the stricter: the severer one,
// then the one whose wait is longer.
func isStricter(a, b *pb.Finding) bool {
	if c := contract.CompareRank(a.GetSeverity(), b.GetSeverity()); c != 0 {
		return c > 0
	}
	return a.GetWait().GetEndTime().AsTime().After(b.GetWait().GetEndTime().AsTime())
}

// milder returns the milder of two recommended strengths; none is milder than any.
func milder(a, b *pb.StrengthAdvice) *pb.StrengthAdvice {
	if b.GetStrength() < a.GetStrength() {
		return b
	}
	return a
}

// suitableInBoth returns the alternatives of a case with those cautions that also its
// counterpart without imported facts has. Both are in the order of the policy before they
// are sorted, so they are matched by id.
func suitableInBoth(all, bare []*pb.Alternative) []*pb.Alternative {
	for i, a := range all {
		for _, b := range bare {
			if b.GetAlternativeId() == a.GetAlternativeId() && a.GetSuitable() && !b.GetSuitable() {
				all[i] = b
			}
		}
	}
	slices.SortStableFunc(all, func(a, b *pb.Alternative) int { return rank(a) - rank(b) })
	return all
}
