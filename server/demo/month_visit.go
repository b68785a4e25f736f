package demo

import (
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// visit is one visit of the month: who comes, what goes wrong, and what the server
// said.
type visit struct {
	*month
	*run        // its own, because visits run side by side
	random      *rand.Rand
	at          time.Time
	by          *stylist
	kind        visitKind
	how         behaviour
	danger      *danger   // in careless visits
	accident    *accident // in unlucky visits
	finding     finding   // in careful visits that are not ordinary
	truth       *inventedClient
	before      earlier
	losesServer bool   // the till is offline for a while
	client      string // resource name; "" until the client is created
	product     string
	lot         string
	till

	wait     func(until time.Time)
	tell     func(*pb.Event) // each tap; nil: to nobody
	decision *pb.Decision
	session  *pb.Session
	hands
	result
}

// result is what the month counts of a visit.
type result struct {
	done              bool // it has ended
	refused, referred bool
	stops             []string // IDs of the rules that asked, referred or refused
	overrides, denied int
	answers, asked    int
	alarms            map[pb.AlarmKind]int
	tapsBefore, taps  int // before the first contact, and from then to closing
	stages, hurt      int
	silent            bool     // no RINSE_NOW at the hard limit
	deviations        []string // kinds
	closed, capPassed bool
	planted           bool // the danger or the accident came about
	signs             map[string]bool
}

// newResult returns an empty result.
func newResult() result {
	return result{alarms: map[pb.AlarmKind]int{}, signs: map[string]bool{}}
}

// sign notes what the server said, so that a danger can be found in it: "rule ID" of a
// finding that asks, refers or refuses, "question FIELD", "alarm KIND", "alarm KIND
// CAUSE", "deviation KIND", "error REASON", "incident".
func (r *result) sign(words ...string) { r.signs[strings.Join(words, " ")] = true }

// caughtBy reports whether one of the signs showed.
func (r *result) caughtBy(signs []string) bool {
	return slices.ContainsFunc(signs, func(s string) bool { return r.signs[s] })
}

// ordinary reports whether the visit is an ordinary retouch by careful hands.
func (v *visit) ordinary() bool {
	return v.kind == retouchVisit && v.how == careful && v.finding == nil
}

// service is the service of a kind of client.
func (k visitKind) service() pb.ServiceKind {
	switch k {
	case virginVisit:
		return pb.ServiceKind_SERVICE_KIND_VIRGIN
	case texturizingVisit:
		return pb.ServiceKind_SERVICE_KIND_TEXTURIZING
	case correctiveVisit:
		return pb.ServiceKind_SERVICE_KIND_CORRECTIVE
	case waveVisit:
		return pb.ServiceKind_SERVICE_KIND_WAVE
	}
	return pb.ServiceKind_SERVICE_KIND_RETOUCH
}

// play plays the visit from the door to the record card.
func (v *visit) play(wait func(time.Time)) {
	v.wait = wait
	v.meet(v.by.person)
	if v.client != "" && !v.before.at.IsZero() {
		call(v.run, v.by.person, v.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: v.client})
	}
	v.pause(3)
	v.intake()
	if v.allowed() && v.start() {
		v.prepare()
		v.process()
		v.finish()
	}
	v.done = true
}

// pause lets minutes pass.
func (v *visit) pause(minutes float64) {
	v.wait(v.clock.Now().Add(minutesOf(minutes)))
}

// meet creates the client, unless an earlier visit did.
func (v *visit) meet(by person) {
	if v.client != "" {
		return
	}
	client := &pb.Client{DisplayName: "Invented " + string(v.kind), BirthDate: v.truth.birthDate(v.at)}
	v.client = call(v.run, by, v.consultation.CreateClient, &pb.CreateClientRequest{Parent: ebb, Client: client, RequestId: newID()}).GetClient().GetName()
}

// intake takes the consultation and decides. What is asked for is answered as far as
// the practitioner knows; three rounds are enough for everybody.
func (v *visit) intake() {
	card := v.truth.consultationOf(v.kind.service(), v.product, v.by.salon.name, v.by.person, v.clock.Now())
	full := proto.CloneOf(card)
	switch {
	case v.finding != nil:
		v.finding(v, card)
		full = proto.CloneOf(card)
	case v.danger != nil && v.danger.answer != nil:
		v.danger.answer(v, card)
	case v.how == careful && v.random.Float64() < skippedShare:
		card.History.Keloids = pb.Answer_ANSWER_UNSPECIFIED
	}
	v.planted = v.danger != nil && v.danger.slip == noSlip
	v.answers = answersIn(card.ProtoReflect())
	v.pause(2)
	stored := v.storeCard(card)
	v.decide(stored)
	if v.decision.GetVerdict() == pb.Verdict_VERDICT_ASK && len(v.decision.GetOpenQuestions()) > 0 {
		v.pause(2)
		v.answers += len(v.decision.GetOpenQuestions())
		full.Consent.AgreeTime = timestamppb.New(v.clock.Now())
		v.decide(v.storeCard(full))
	}
}

// storeCard stores and submits a consultation.
func (v *visit) storeCard(card *pb.Consultation) *pb.Consultation {
	stored := v.draft(&pb.Client{Name: v.client}, card, v.by.person)
	v.submit(stored, v.by.person)
	return stored
}

// decide checks eligibility and notes what the decision says.
func (v *visit) decide(card *pb.Consultation) {
	request := &pb.CheckEligibilityRequest{
		ServiceKind: v.kind.service(), Product: v.product, LotCode: v.lot,
		Practitioner: v.by.name, Salon: v.by.salon.name,
	}
	if v.by.student() {
		request.Supervisor = v.by.salon.supervisor.name
	}
	asker := v.by.person
	if v.danger != nil && v.danger.ask != nil {
		v.danger.ask(v, request)
		if request.Practitioner != v.by.name { // only a supervisor may ask for somebody else
			asker = v.by.salon.supervisor
		}
	}
	v.decision = v.check(&pb.Client{Name: v.client}, card, request, asker)
	for _, f := range v.decision.GetFindings() {
		switch f.GetSeverity() {
		case pb.Severity_SEVERITY_ASK, pb.Severity_SEVERITY_REFER, pb.Severity_SEVERITY_REFUSE:
			v.sign("rule", f.GetRuleId())
		}
	}
	v.asked += len(v.decision.GetOpenQuestions())
	for _, q := range v.decision.GetOpenQuestions() {
		v.sign("question", q.GetField())
	}
}

// allowed reports whether the service may begin, after the overrides that a supervisor
// of this salon would try.
func (v *visit) allowed() bool {
	switch v.decision.GetVerdict() {
	case pb.Verdict_VERDICT_REFUSE:
		v.refused = true
	case pb.Verdict_VERDICT_REFER:
		v.referred = true
	case pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS:
		return true
	}
	v.stops = stoppingRules(v.decision)
	if v.how == careful && v.random.Float64() >= overrideShare {
		return false // the client comes another day
	}
	for _, f := range v.decision.GetFindings() {
		terms := f.GetOverrideTerms()
		stops := f.GetSeverity() == pb.Severity_SEVERITY_REFUSE || f.GetSeverity() == pb.Severity_SEVERITY_REFER
		if !stops || v.how == careful && !terms.GetAllowed() {
			continue
		}
		v.tryOverride(f)
	}
	standing := v.decision.GetStandingVerdict()
	return standing == pb.Verdict_VERDICT_PROCEED || standing == pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS
}

// tryOverride lets the supervisor set a finding aside, for the first reason that it
// lists.
func (v *visit) tryOverride(f *pb.Finding) {
	reason := "CLIENT_INSISTS"
	if given := f.GetOverrideTerms().GetReasons(); len(given) > 0 {
		reason = given[0].GetCode()
	}
	supervisor := v.by.salon.supervisor
	answer := call(v.run, supervisor, v.eligibility.OverrideDecision, &pb.OverrideDecisionRequest{
		Name: v.decision.GetName(), RuleId: f.GetRuleId(), Subject: f.GetSubject(), Practitioner: supervisor.name,
		ReasonCode: reason, Comment: "The supervisor has looked at the client and at the hair.", RequestId: newID(),
	})
	if answer.GetOverride().GetDenial() == pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED {
		v.overrides++
	} else {
		v.denied++
	}
	v.decision = answer.GetDecision()
}

// start begins the service; a student's after the supervisor has signed.
func (v *visit) start() bool {
	request := &pb.StartSessionRequest{Parent: v.client, Decision: v.decision.GetName(), SendTime: v.tillTime(), Echo: v.echo(), RequestId: newID()}
	if v.slips(notSigned) {
		v.planted = true
		_, reason := attempt(v.run, v.by.person, v.processing.StartSession, request)
		v.sign("error", reason)
	}
	if v.by.student() {
		v.pause(2)
		supervisor := v.by.salon.supervisor
		call(v.run, supervisor, v.eligibility.CountersignDecision, &pb.CountersignDecisionRequest{
			Name: v.decision.GetName(), Practitioner: supervisor.name, RequestId: newID(),
		})
	}
	request.RequestId, request.SendTime, request.Echo = newID(), v.tillTime(), v.echo()
	asker := v.by.person
	if performer := v.decision.GetInputs().GetPractitioner().GetName(); performer != v.by.name {
		asker = v.by.salon.supervisor
	}
	started, reason := attempt(v.run, asker, v.processing.StartSession, request)
	if reason != "" {
		v.sign("error", reason)
		return false
	}
	v.session = started.GetSession()
	v.hear(started.GetServerTime())
	v.observe(v.session.GetState())
	return true
}

// attempt makes a call that may fail with FAILED_PRECONDITION, and returns the reason;
// "" when it succeeded.
func attempt[Q, A proto.Message](d *run, who person, method rpc[Q, A], request Q) (answer A, reason string) {
	if d.failed() {
		return answer, ""
	}
	ctx, cancel := withIdentity(d, who)
	defer cancel()
	answer, err := method(ctx, request)
	switch {
	case status.Code(err) == codes.FailedPrecondition:
		return answer, reasonOf(status.Convert(err))
	case err != nil:
		d.fail(callError(request, who, err))
	}
	return answer, ""
}

// minutesOf is a duration in minutes.
func minutesOf(minutes float64) time.Duration { return time.Duration(minutes * float64(time.Minute)) }

// timestampAfter is the time some minutes after another.
func timestampAfter(t time.Time, minutes float64) *timestamppb.Timestamp {
	return timestamppb.New(t.Add(minutesOf(minutes)))
}
