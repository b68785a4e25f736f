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
	// Its own, because visits run side by side: an error ends this visit first, and then
	// the month.
	*run
	// Its own too, so that what one visit draws does not change another.
	random *rand.Rand

	// When the client comes, to whom, and what for.
	at   time.Time
	by   *stylist
	kind visitKind
	// How it goes. Careless visits have a danger, unlucky ones an accident, and careful
	// ones that are not ordinary a finding.
	how      behaviour
	danger   *danger
	accident *accident
	finding  finding
	// What is true of the client, and the visit before.
	truth  *inventedClient
	before earlier
	// The till is offline for a while.
	losesServer bool
	// Resource name of the client; "" until it is created.
	client string
	// What the practitioner means to use.
	product, lot string
	till

	// Waits for a simulated time.
	wait func(until time.Time)
	// Is told of each tap; nil: nobody is.
	tell func(*pb.Event)
	// The last decision, and the session, which is nil until the service begins.
	decision *pb.Decision
	session  *pb.Session
	hands
	result
}

// result is what the month counts of a visit.
type result struct {
	// It has ended.
	done bool
	// What the first complete decision said, and the IDs of the rules that asked, referred
	// or refused. Overrides do not change these: a refusal that was set aside was one.
	refused, referred bool
	stops             []string
	// Overrides that were accepted, and that were denied.
	overrides, denied int
	// Answers that were given, and open questions that came back.
	answers, asked int
	// How often an alarm of a kind appeared on the screen.
	alarms map[pb.AlarmKind]int
	// Causes of the RINSE_NOW among them.
	causes []string
	// Taps before the first contact, and from then to closing.
	tapsBefore, taps int
	// Stages that were rinsed, and incidents that were opened.
	stages, hurt int
	// No RINSE_NOW was on the screen at the hard limit.
	silent bool
	// Kinds of the deviations, without those that later facts disproved.
	deviations []string
	// The outcome is on record, and the true straightening of a section passed the cap.
	closed, capPassed bool
	// The danger or the accident came about. A visit that is refused for another reason
	// never gets as far as a slip of the hands.
	planted bool
	// See sign.
	signs map[string]bool
}

// newResult returns an empty result. Maps must exist before they count.
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

// ordinary reports whether the visit is an ordinary retouch by careful hands. The
// goals are about these: nothing is wrong, and nobody is in a hurry.
func (v *visit) ordinary() bool {
	return v.kind == retouchVisit && v.how == careful && v.finding == nil
}

// service is the service of a kind of client. A student's visit is a retouch to the
// server.
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

// play plays the visit from the door to the record card. The steps are those of a salon;
// each of them does nothing once a call has failed.
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

// pause lets minutes pass. It ends at the next step of the clock.
func (v *visit) pause(minutes float64) {
	v.wait(v.clock.Now().Add(minutesOf(minutes)))
}

// meet creates the client, unless an earlier visit did. The name says that it is
// invented; nothing else is known of the client.
func (v *visit) meet(by person) {
	if v.client != "" {
		return
	}
	client := &pb.Client{DisplayName: "Invented " + string(v.kind), BirthDate: v.truth.birthDate(v.at)}
	v.client = call(v.run, by, v.consultation.CreateClient, &pb.CreateClientRequest{Parent: ebb, Client: client, RequestId: newID()}).GetClient().GetName()
}

// decide checks eligibility and notes what the decision says. The lot is that of
// the jar on the trolley, which may be another one than in the hand later.
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

// allowed reports whether the service may begin, after the overrides that a
// supervisor of this salon would try. Careful supervisors send half of the clients
// home, and try only what the terms allow; careless ones try everything, so that
// denials are counted too. A verdict of "ask" stops the service too, since nobody
// knew more.
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
// lists. A finding without reasons may be overridden by nobody, and the attempt is
// denied whatever it says. The decision that comes back has the finding set aside,
// or not.
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

// start begins the service; a student's after the supervisor has signed. It reports
// whether the service began: the records may have changed since the decision, such
// as by a recall, and then the server decides again and refuses. The echo of the
// server's time is sent with it, as with every call of a till.
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
	// A refused attempt is stored under its request ID; a new one needs another.
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
// "" when it succeeded. Every other error ends the visit, as in call.
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
