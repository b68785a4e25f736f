// Package rules decides whether a hydroxide relaxer may be put on a head: it asks
// every rule of a policy about a case and gathers what they say.
//
// A rule is data: a CEL expression over the contract's own fields, a severity, a
// message, a basis. Rules come in layers (built in, the law of the place, the
// manufacturer's directions, the chain's own) and every layer can only add
// findings: the verdict is the severest that fires, so that no layer can loosen
// another.
//
// An answer that was not given is unknown, which is neither yes nor no. A rule
// that waits for answers is asked for with the questions it waits for, as long as
// it could still make the verdict worse. In a condition, c ? x : y, what stands
// behind the question mark is asked, and counts, only once c is known: that is
// how "when was it last?" follows "has it ever happened?".
//
// # How a case is decided
//
// The inputs of a decision (pb.DecisionInputs) hold everything that it is made from:
// the consultation, the product with its directions, the people, the salon, the record
// card, and the time. From them a state is opened. It gives expressions their values:
// fields of the messages, and derived fields that put several answers together, such
// as what is known of the chemical history. Every rule that holds where the salon is
// is put to every subject of its scope: the case, the three zones of the hair, or the
// sections of the head. A rule fires, is silent, waits for answers, or fails; a rule
// that fails refers, because nobody can say that it does not apply. What fired are the
// findings. What waits becomes questions, as far as an answer could still make the
// verdict worse, and conditions. Then the strength and the alternatives are worked out
// by the same expressions.
//
// # What may loosen
//
// Nothing, by construction, but three things that are meant to, each in a place of its
// own: the maker's directions replace default waits (waitnumbers.go), a chain's
// loosening within a range that has a source (loosening.go), and an override by a
// person (override.go). Overrides are judged here but are records beside the decision,
// which never changes.
//
// # What is kept for ever
//
// Decisions are evidence for years. A decision stores its inputs, the digest of its
// policy and the revision of the code. The text of each policy is kept under its
// digest, so that it can be built again and the decision made again (replay.go). So
// a policy is data in files, a rule never reads what is not in the inputs, and code
// that decides otherwise asks which revision it decides as.
//
// The package is pure: it has no clock, no files, no network; the same inputs
// under the same policy give the same decision, years later.
package rules

import (
	"errors"
	"fmt"
	"slices"
	"sync"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// Version is the version of the engine. It is raised when the same inputs under
// the same policy would be answered otherwise than before.
const Version = "1"

// Revision is the revision of the code that decides: rules, history, questions,
// conditions, alternatives and plan. A decision stores the revision that made it
// and is replayed by the code of that revision. It is raised once for each release
// in which the same inputs under the same policy can be answered otherwise.
//
//	0  before decisions stored a revision
//	1  conditions name their subject and whether they come before first contact
//	2  texts that the engine adds say first what to do; findings name their cause,
//	   and those of one cause share the strictest terms; of conditions that wait for
//	   one question, the question is shown, once
//	3  imported facts can only make a decision stricter
const Revision = 3

// Engine holds a policy, checked and built. It is safe for concurrent use.
type Engine struct {
	lang           *language
	text           []byte
	textDigest     string
	documents      []document
	defaults       *pb.PolicyParameters
	builtInRules   []*rule // in the order of their files
	rulesByScope   ruleSet
	waits          []*rule // those with a wait
	questions      map[string]string
	strength       []step
	strengthChecks []check // one for each step
	alternatives   []alternative
	cautions       []string
	statements     []*pb.StatementAnswer // as forms show them, every version
	together       []togetherText
	readsHistory   bool              // some rule reads what is known of the history: decisions show it
	builtInOnly    *housePolicyRules // without any house policy
	policies       *policyCache
	looserRanges   map[protoreflect.Name]looseningRange // how far a house may loosen a number
}

// New builds the built-in policy.
func New() (*Engine, error) {
	text, err := builtInText()
	if err != nil {
		return nil, err
	}
	return Load(text)
}

// Load builds a policy from its text, as PolicyText gave it, perhaps years ago.
func Load(text []byte) (*Engine, error) {
	book, err := newLanguage()
	if err != nil {
		return nil, err
	}
	e := &Engine{
		lang: book, text: withoutCases(text), defaults: &pb.PolicyParameters{}, questions: map[string]string{}, policies: newPolicyCache(policyCacheCapacity), looserRanges: permittedRanges(),
	}
	book.defaults = e.defaults
	e.textDigest = digest(e.text)
	if e.documents, err = parse(text); err != nil {
		return nil, err
	}
	built := e.buildRules()
	for i, d := range e.documents {
		if err := e.add(d, built[i]); err != nil {
			return nil, fmt.Errorf("%s: %w", d.Family, err)
		}
	}
	if len(e.builtInRules) == 0 {
		return nil, errors.New("a policy must have rules")
	}
	e.builtInOnly = &housePolicyRules{digest: e.digestWith(nil)}
	return e, nil
}

// builtRule is a rule of a document, or why there is none.
type builtRule struct {
	rule *rule
	err  error
}

// buildRules builds the rules of all documents, at once, because compiling them is most
// of what a server does before it is ready. They stay in the order of their files.
func (e *Engine) buildRules() [][]builtRule {
	var building sync.WaitGroup
	built := make([][]builtRule, len(e.documents))
	for i, d := range e.documents {
		built[i] = make([]builtRule, len(d.Rules))
		for j := range d.Rules {
			building.Go(func() { built[i][j] = e.lang.buildText(&d.Rules[j]) })
		}
	}
	building.Wait()
	return built
}

// buildText builds a rule of a policy's file.
func (l *language) buildText(text *ruleText) builtRule {
	r, err := text.rule()
	if err != nil {
		return builtRule{err: err}
	}
	built := l.newRule(r, l.buildBuiltIn)
	if built.failure != nil {
		return builtRule{err: fmt.Errorf("rule %s: %w", r.GetRuleId(), built.failure)}
	}
	return builtRule{rule: built}
}

// add adds one document of a policy. The built-in rules run without a limit on their
// cost, so one that cannot be built is an error here and not a rule that refers: it
// would be a fault of the program, which the tests find.
func (e *Engine) add(d document, rules []builtRule) error {
	if err := setParameters(e.defaults, d.Parameters); err != nil {
		return err
	}
	for path, question := range d.Questions {
		e.questions[path] = question
	}
	for _, r := range rules {
		if r.err != nil {
			return r.err
		}
		built := r.rule
		e.builtInRules = append(e.builtInRules, built)
		e.readsHistory = e.readsHistory || slices.ContainsFunc(built.fields, e.lang.isHistoryField)
		e.rulesByScope.add(built)
		if built.wait != nil {
			e.waits = append(e.waits, built)
		}
	}
	for _, text := range d.Strength {
		s, err := newStep(text)
		if err != nil {
			return err
		}
		c, err := e.lang.newCheck(text.When, text.Scope)
		if err != nil {
			return err
		}
		e.strength, e.strengthChecks = append(e.strength, s), append(e.strengthChecks, c)
	}
	for _, text := range d.Alternatives {
		a, err := e.lang.alternative(text)
		if err != nil {
			return err
		}
		e.alternatives = append(e.alternatives, a)
	}
	e.cautions = append(e.cautions, d.Cautions...)
	if err := e.addTogether(d.Together); err != nil {
		return err
	}
	return e.addStatements(d.Statements)
}

// PolicyText is the text of the policy without any house policy and without the
// worked cases. Kept under its SHA-256, it lets Load build the same policy again.
func (e *Engine) PolicyText() []byte { return slices.Clone(e.text) }

// Rules lists the rules that hold under a house policy, which may be nil: the
// built-in ones in the order of their files, then the house's own.
func (e *Engine) Rules(house *pb.HousePolicy) []*pb.Rule {
	return append(cloneRules(e.builtInRules), cloneRules(e.policyFor(house).rules)...)
}

// errIncomplete is returned for inputs that no verdict can be based on.
var errIncomplete = errors.New("the time, product, practitioner and salon of a decision must be given")

// complete tells whether the inputs have what the chain itself must supply.
// Answers may be missing; these may not.
func complete(in *pb.DecisionInputs) error {
	if moment(in.GetDecideTime()) == nil || in.GetProduct() == nil || in.GetPractitioner() == nil || in.GetSalon() == nil {
		return errIncomplete
	}
	return nil
}

// withParameters copies the inputs, sharing their parts, with the parameters in force.
// The strictest of three sets counts: the defaults of this policy, the numbers in the
// inputs, and the house policy's. Those in the inputs are usually the other two put
// together already; they are looked at again so that inputs which hold looser numbers,
// by mistake or on purpose, loosen nothing.
func (e *Engine) withParameters(in *pb.DecisionInputs) *pb.DecisionInputs {
	return &pb.DecisionInputs{
		DecideTime:   &timestamppb.Timestamp{Seconds: in.GetDecideTime().GetSeconds(), Nanos: in.GetDecideTime().GetNanos()},
		Consultation: in.GetConsultation(), Product: in.GetProduct(), LotCode: in.GetLotCode(),
		Practitioner: in.GetPractitioner(), Supervisor: in.GetSupervisor(), Salon: in.GetSalon(),
		ServiceKind: in.GetServiceKind(), Parameters: e.strictestParameters(e.looser(in.GetHousePolicy().GetLoosening()), in.GetParameters(), in.GetHousePolicy().GetParameters()),
		HousePolicy: in.GetHousePolicy(), RecordCard: in.GetRecordCard(), BirthDate: in.GetBirthDate(),
		Incidents: in.GetIncidents(), AnswerChanges: in.GetAnswerChanges(), WhatChanged: in.GetWhatChanged(),
		SectionIds: in.GetSectionIds(), SectionProducts: in.GetSectionProducts(), RecordedWork: in.GetRecordedWork(),
		ApplicationPace: in.GetApplicationPace(), ImportedWarnings: in.GetImportedWarnings(), BirthDateImported: in.GetBirthDateImported(),
		LinkedBirthDate: in.GetLinkedBirthDate(),
	}
}
