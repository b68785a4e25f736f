package integration

import (
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// fixture is a chain with one record of each kind.
type fixture struct {
	lessons  *school  // of a school chain; nil: a chain of salons
	school   *fixture // the school beside a chain of salons; nil: there is none
	eventful string   // a session with several events; empty: none was made
	*chain
	names fixtureNames

	takenOver string // a client with several imported records; empty: none was made
}

// fixtureNames are the names of the records of a fixture.
type fixtureNames struct {
	client, consultation, draft, session, outcome, incident, policy, entry, imported string

	refusal *pb.Decision // of that consultation
}

// newFixture stores a fixture.
func (s *testServer) newFixture(t testing.TB, id string) *fixture {
	t.Helper()
	st := &fixture{chain: s.newChain(t, id)}
	k := &st.names
	k.refusal = wantVerdict(t, st.decision(t, brokenSkin), pb.Verdict_VERDICT_REFUSE)
	k.client, k.consultation = parent(k.refusal.Name), k.refusal.Inputs.Consultation.Name
	k.draft = st.draft(t, k.client).Name
	k.session = st.session(t).Name
	k.outcome = must(t, st.amara, st.outcome.RecordOutcome, brokenOff(st.session(t))).Outcome.Name
	k.incident = must(t, st.amara, st.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: k.client, Incident: st.newIncident(), RequestId: newID()}).Incident.Name
	k.policy = must(t, st.odile, st.catalog.CreateHousePolicy, st.uploaded()).HousePolicy.Name
	k.entry = must(t, st.odile, st.audit.ListEntries, &pb.ListEntriesRequest{Parent: st.name}).Entries[0].Name
	k.imported = must(t, st.odile, st.imports.ImportRecords, st.importing("example")).Import.Name
	s.waitLogged(t)
	return st
}

// newWholeFixture stores a fixture with a school beside it, so that every RPC of the
// contract can be called.
func (s *testServer) newWholeFixture(t testing.TB, id string) *fixture {
	t.Helper()
	st := s.newFixture(t, id)
	st.addSchool(t)
	return st
}

// addSchool stores a school beside the chain.
func (st *fixture) addSchool(t testing.TB) {
	t.Helper()
	lessons := st.newSchool(t, last(st.name)+"-school")
	st.school = &fixture{lessons: lessons, chain: lessons.chain}
	st.waitLogged(t)
}

// of is the fixture in whose chain an RPC is called: the school for the RPCs of schools.
func (st *fixture) of(r rpc) *fixture {
	if r.inSchool() && st.school != nil {
		return st.school
	}
	return st
}

// example is a request to an RPC that will be answered. Make makes what the
// request needs first, and each time a request that can still be carried out.
type example struct {
	who  person
	make func(testing.TB) proto.Message
}

// examples has one for every RPC of the chain's kind, by the RPC's name.
func (st *fixture) examples() map[string]example {
	if st.lessons != nil {
		return st.lessons.examples()
	}
	all := map[string]example{}
	for _, part := range []map[string]example{st.directoryExamples(), st.catalogExamples(), st.consultationExamples(), st.decisionExamples(), st.sessionExamples(), st.incidents(), st.importExamples(), st.auditExamples()} {
		for name, e := range part {
			all[name] = e
		}
	}
	return all
}

// example is the example of an RPC.
func (st *fixture) example(t testing.TB, r rpc) example {
	t.Helper()
	e, ok := st.of(r).examples()[string(r.Name())]
	if !ok {
		t.Fatalf("%s has no example; add one", r.Name())
	}
	return e
}

// requestAs is an example that needs nothing made first.
func requestAs(who person, req proto.Message) example {
	return example{who, func(testing.TB) proto.Message {
		if req.ProtoReflect().Descriptor().Fields().ByName("request_id") == nil {
			return proto.Clone(req)
		}
		return again(req)
	}}
}

// updateMask is an update mask.
func updateMask(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }

// freshID is an id for a resource that nobody has used.
func freshID() string { return "x" + newID() }

func (st *fixture) directoryExamples() map[string]example {
	salon := &pb.Salon{DisplayName: "Mill Lane", Jurisdiction: pb.Jurisdiction_JURISDICTION_EU, TimeZone: "Europe/Dublin", MinutesToBowl: new(int32(2))}
	renamed := proto.CloneOf(salon)
	renamed.Name, renamed.DisplayName = st.salon, "North Quay, upstairs"
	changed := st.licensed(st.amara)
	changed.Name = st.amara.name
	var days atomic.Int32
	return map[string]example{
		"DescribeCaller": requestAs(st.till, &pb.DescribeCallerRequest{}),
		"CreateChain": {st.operator, func(testing.TB) proto.Message {
			return &pb.CreateChainRequest{ChainId: freshID(), Chain: &pb.Chain{DisplayName: "One more"}, RequestId: newID()}
		}},
		"GetChain":   requestAs(st.odile, &pb.GetChainRequest{Name: st.name}),
		"ListChains": requestAs(st.operator, &pb.ListChainsRequest{}),
		"UpdateChain": {st.odile, func(testing.TB) proto.Message { // another period each time: only a change is an entry
			return &pb.UpdateChainRequest{RequestId: newID(), UpdateMask: updateMask("display_name", "retention", "kind"),
				Chain: &pb.Chain{Name: st.name, DisplayName: "Renamed", Retention: &pb.Retention{ClientDays: 3650 + days.Add(1), RequestDays: 90}}}
		}},
		"GetChainSettings": requestAs(st.till, &pb.GetChainSettingsRequest{Name: st.name + "/settings"}),
		"UpdateChainSettings": {st.odile, func(testing.TB) proto.Message { // another period each time: only a change is an entry
			return &pb.UpdateChainSettingsRequest{RequestId: newID(), UpdateMask: updateMask("retouch_lapse_days", "retouch_notice_days", "unreviewed_languages"),
				ChainSettings: &pb.ChainSettings{Name: st.name + "/settings", UnreviewedLanguages: []string{"fr"}, RetouchNoticeDays: proto.Int32(9), RetouchLapseDays: proto.Int32(80 + days.Add(1)%200)}}
		}},
		"CreateSalon": {st.odile, func(testing.TB) proto.Message {
			return &pb.CreateSalonRequest{Parent: st.name, SalonId: freshID(), Salon: salon, RequestId: newID()}
		}},
		"GetSalon":   requestAs(st.till, &pb.GetSalonRequest{Name: st.salon}),
		"ListSalons": requestAs(st.till, &pb.ListSalonsRequest{Parent: st.name}),
		"UpdateSalon": requestAs(st.odile, &pb.UpdateSalonRequest{
			Salon: renamed, UpdateMask: updateMask("display_name", "jurisdiction", "time_zone", "minutes_to_bowl", "region_code", "emergency_number")}),
		"CreatePractitioner": {st.odile, func(testing.TB) proto.Message {
			return &pb.CreatePractitionerRequest{Parent: st.name, PractitionerId: freshID(), Practitioner: st.licensed(st.amara), RequestId: newID()}
		}},
		"GetPractitioner":   requestAs(st.amara, &pb.GetPractitionerRequest{Name: st.imara.name}),
		"ListPractitioners": requestAs(st.amara, &pb.ListPractitionersRequest{Parent: st.name}),
		"UpdatePractitioner": requestAs(st.odile, &pb.UpdatePractitionerRequest{
			Practitioner: changed, UpdateMask: updateMask("display_name", "role", "licence_number", "licence_expire_time", "salons")}),
	}
}

func (st *fixture) catalogExamples() map[string]example {
	relaxer := st.products()[3]
	relaxer.Name = ""
	changed := st.products()[3]
	return map[string]example{
		"CreateProduct": {st.odile, func(testing.TB) proto.Message {
			return &pb.CreateProductRequest{Parent: st.name, ProductId: freshID(), Product: relaxer, RequestId: newID()}
		}},
		"GetProduct":   requestAs(st.till, &pb.GetProductRequest{Name: st.relaxer}),
		"ListProducts": requestAs(st.till, &pb.ListProductsRequest{Parent: st.name}),
		"UpdateProduct": requestAs(st.odile, &pb.UpdateProductRequest{Product: changed, UpdateMask: updateMask("display_name", "kind", "hydroxide_kind",
			"strength", "ingredients", "use_tier", "declared_ph", "ph_method", "directions", "indicator", "lots", "safety_data_sheet", "gtins")}),
		"ScanPack": requestAs(st.vesna, &pb.ScanPackRequest{Parent: st.name, Scan: []byte("(01)09506000134352(10)R2611")}),
		"RecallLot": {st.imara, func(testing.TB) proto.Message {
			return &pb.RecallLotRequest{Name: st.relaxer, LotCode: freshID(), Reason: "the maker calls it back", RequestId: newID()}
		}},
		"CreateHousePolicy": {st.odile, func(testing.TB) proto.Message { return st.uploaded() }},
		"GetHousePolicy":    requestAs(st.odile, &pb.GetHousePolicyRequest{Name: st.names.policy}),
		"ListHousePolicies": requestAs(st.odile, &pb.ListHousePoliciesRequest{Parent: st.name}),
		"ActivateHousePolicy": {st.odile, func(t testing.TB) proto.Message {
			made := must(t, st.odile, st.catalog.CreateHousePolicy, st.uploaded())
			return &pb.ActivateHousePolicyRequest{Name: made.HousePolicy.Name, Etag: made.HousePolicy.Etag, RequestId: newID()}
		}},
		"PreviewHousePolicy": requestAs(st.odile, &pb.PreviewHousePolicyRequest{Name: st.names.policy, Last: 10}),
		"ListRules":          requestAs(st.vesna, &pb.ListRulesRequest{Parent: st.name}),
	}
}

// uploaded is a house policy that asks for a shorter wait and one thing more.
func (c *chain) uploaded() *pb.CreateHousePolicyRequest {
	return &pb.CreateHousePolicyRequest{
		Parent: c.name, HousePolicyId: freshID(), RequestId: newID(),
		HousePolicy: &pb.HousePolicy{
			DisplayName: "Stricter at North Quay",
			Rules: []*pb.Rule{{
				RuleId: "house.tender-scalp", Version: 1, Layer: pb.Layer_LAYER_HOUSE, Scope: pb.RuleScope_RULE_SCOPE_CASE,
				Severity: pb.Severity_SEVERITY_CONDITION, Expression: `consultation.scalp.tender == Answer.YES`,
				Message: "The scalp is tender: base it all.", Basis: &pb.Basis{Kind: pb.BasisKind_BASIS_KIND_HOUSE, Source: "invented"},
				OverrideTerms: &pb.OverrideTerms{Allowed: true, Roles: []pb.Role{pb.Role_ROLE_SUPERVISOR},
					Reasons: []*pb.OverrideReason{{Code: "BASED_ALREADY", Description: "The scalp is based already."}}},
				Jurisdictions: []string{"JURISDICTION_UK"},
			}},
			Parameters: &pb.PolicyParameters{MinimumAgeYears: new(int32(18))},
		},
	}
}

func (st *fixture) consultationExamples() map[string]example {
	card := st.consultationAnswers()
	return map[string]example{
		"CreateClient": requestAs(st.odile, &pb.CreateClientRequest{Parent: st.name, Client: &pb.Client{DisplayName: "Invented", Phone: "none", Email: "none"}}),
		"GetClient":    requestAs(st.till, &pb.GetClientRequest{Name: st.names.client}),
		"ListClients":  requestAs(st.till, &pb.ListClientsRequest{Parent: st.name}),
		"UpdateClient": requestAs(st.till, &pb.UpdateClientRequest{
			Client: &pb.Client{Name: st.names.client, DisplayName: "Renamed", Phone: "none"}, UpdateMask: updateMask("display_name", "phone", "email", "birth_date", "external_id")}),
		"EraseClient": {st.odile, func(t testing.TB) proto.Message {
			made := must(t, st.till, st.consultation.CreateClient, &pb.CreateClientRequest{Parent: st.name,
				Client: &pb.Client{DisplayName: "Invented"}, RequestId: newID()})
			return &pb.EraseClientRequest{Name: made.Client.Name, RequestId: newID()}
		}},
		"LinkClients": {st.odile, func(t testing.TB) proto.Message {
			return &pb.LinkClientsRequest{Name: st.client(t), Client: st.client(t), RequestId: newID()}
		}},
		"UnlinkClients": {st.odile, func(t testing.TB) proto.Message {
			one, other := st.client(t), st.client(t)
			must(t, st.odile, st.consultation.LinkClients, &pb.LinkClientsRequest{Name: one, Client: other, RequestId: newID()})
			return &pb.UnlinkClientsRequest{Name: one, RequestId: newID()}
		}},
		"ExportClient":       requestAs(st.odile, &pb.ExportClientRequest{Name: st.names.client}),
		"CreateConsultation": requestAs(st.amara, &pb.CreateConsultationRequest{Parent: st.names.client, Consultation: card}),
		"GetConsultation":    requestAs(st.vesna, &pb.GetConsultationRequest{Name: st.names.consultation}),
		"ListConsultations":  requestAs(st.vesna, &pb.ListConsultationsRequest{Parent: st.names.client}),
		"GetForm": requestAs(st.amara, &pb.GetFormRequest{Name: st.names.client, Consultation: st.names.draft, Practitioner: st.amara.name, Salon: card.Salon,
			Service: &pb.PlannedService{ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN, Product: st.question(st.names.consultation).Product}}),
		"UpdateConsultation": {st.amara, func(testing.TB) proto.Message {
			changed := proto.CloneOf(card)
			changed.Name = st.names.draft
			return &pb.UpdateConsultationRequest{Consultation: changed, RequestId: newID(), UpdateMask: updateMask("salon", "practitioner",
				"wishes", "scalp", "hair", "tests", "history", "consent", "remarks", "origins", "statements")}
		}},
		"DraftConsultation": requestAs(st.amara, &pb.DraftConsultationRequest{Parent: st.names.client, Salon: st.salon, Practitioner: st.amara.name,
			ServiceKind: pb.ServiceKind_SERVICE_KIND_RETOUCH}),
		"AnswerConsultation": requestAs(st.amara, &pb.AnswerConsultationRequest{Name: st.names.draft, ClearFields: []string{"consultation.remarks"},
			Answers: []*pb.FieldAnswer{
				yesOrNo("consultation.scalp.broken_skin", no, bySeeing),
				{Field: "consultation.hair.zones[ends].condition", Origin: bySeeing, Value: &pb.FieldAnswer_Choice{Choice: "HAIR_CONDITION_SOUND"}},
			}}),
		"SubmitConsultation": {st.amara, func(t testing.TB) proto.Message {
			draft := st.draft(t, st.names.client)
			return &pb.SubmitConsultationRequest{Name: draft.Name, Etag: draft.Etag, RequestId: newID()}
		}},
	}
}

func (st *fixture) decisionExamples() map[string]example {
	finding := st.names.refusal.Findings[0]
	return map[string]example{
		"CheckEligibility": requestAs(st.amara, st.question(st.names.consultation)),
		"CheckBooking":     requestAs(st.amara, st.booking(st.names.consultation, 7*24*time.Hour)),
		"GetDecision":      requestAs(st.vesna, &pb.GetDecisionRequest{Name: st.names.refusal.Name}),
		"ListDecisions":    requestAs(st.vesna, &pb.ListDecisionsRequest{Parent: st.names.client}),
		"OverrideDecision": requestAs(st.imara, st.override(st.names.refusal, finding)),
		"CountersignDecision": {st.imara, func(t testing.TB) proto.Message {
			return &pb.CountersignDecisionRequest{Name: st.students(t).Name, Practitioner: st.imara.name, RequestId: newID()}
		}},
		"ReplayDecision": requestAs(st.vesna, &pb.ReplayDecisionRequest{Name: st.names.refusal.Name}),
	}
}

func (st *fixture) sessionExamples() map[string]example {
	return map[string]example{
		"StartSession": {st.amara, func(t testing.TB) proto.Message {
			d := st.proceedDecision(t)
			return &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, Salon: st.salon, Practitioner: st.amara.name,
				StartTime: st.clock.timestamp(), RequestId: newID()}
		}},
		"CloseSession": {st.imara, func(t testing.TB) proto.Message {
			return &pb.CloseSessionRequest{Name: st.session(t).Name, Practitioner: st.imara.name, Comment: "left open", RequestId: newID()}
		}},
		"RecordEvents": {st.till, func(t testing.TB) proto.Message {
			session := st.session(t)
			return &pb.RecordEventsRequest{Name: session.Name, SendTime: st.clock.timestamp(), RequestId: newID(),
				Events: []*pb.Event{eventAt(session, 0, note("a remark")), eventAt(session, 0, based())}}
		}},
		"GetSession":       requestAs(st.vesna, &pb.GetSessionRequest{Name: st.names.session, WithEvents: true}),
		"ListSessions":     requestAs(st.vesna, &pb.ListSessionsRequest{Parent: parent(st.names.session), Product: st.relaxer, LotCode: st.relaxerLot}),
		"ListEvents":       requestAs(st.vesna, &pb.ListEventsRequest{Parent: st.names.session}),
		"WatchSession":     requestAs(st.till, &pb.WatchSessionRequest{Name: st.names.session}),
		"RecordOutcome":    {st.amara, func(t testing.TB) proto.Message { return completed(st.carriedOut(t)) }},
		"GetOutcome":       requestAs(st.vesna, &pb.GetOutcomeRequest{Name: st.names.outcome}),
		"ListOutcomes":     requestAs(st.vesna, &pb.ListOutcomesRequest{Parent: parent(st.names.outcome)}),
		"ListDueRetouches": requestAs(st.till, &pb.ListDueRetouchesRequest{Parent: st.salon}),
		"GetPrintout":      requestAs(st.vesna, &pb.GetPrintoutRequest{Name: parent(st.names.outcome), Kind: pb.PrintoutKind_PRINTOUT_KIND_CONSENT, Salon: st.salon}),
		"GetRecordCard":    requestAs(st.vesna, &pb.GetRecordCardRequest{Name: parent(st.names.outcome)}),
	}
}

func (st *fixture) auditExamples() map[string]example {
	return map[string]example{
		"ListEntries":   requestAs(st.vesna, &pb.ListEntriesRequest{Parent: st.name, Filter: `kind = "REFUSAL"`}),
		"ExportEntries": requestAs(st.vesna, &pb.ExportEntriesRequest{Parent: st.name, Filter: `kind = "REFUSAL"`}),
		"SummarizeEntries": requestAs(st.vesna, &pb.SummarizeEntriesRequest{Parent: st.name, StartTime: timestamppb.New(time.Unix(0, 0)),
			EndTime: st.clock.timestamp(), Dimension: pb.SummaryDimension_SUMMARY_DIMENSION_RULE}),
		"ListFollowedRefusals": requestAs(st.vesna, &pb.ListFollowedRefusalsRequest{Parent: st.name, WithinHours: proto.Int32(48)}),
		"SummarizeDiscomfort":  requestAs(st.vesna, &pb.SummarizeDiscomfortRequest{Parent: st.name, Dimension: pb.SummaryDimension_SUMMARY_DIMENSION_SALON}),
		"ExportReport":         requestAs(st.vesna, &pb.ExportReportRequest{Parent: st.name, EndTime: st.clock.timestamp()}),
		"GetCheckpoint":        requestAs(st.vesna, &pb.GetCheckpointRequest{Name: st.name}),
		"GetInclusionProof":    requestAs(st.vesna, &pb.GetInclusionProofRequest{Name: st.names.entry}),
		"GetConsistencyProof":  requestAs(st.vesna, &pb.GetConsistencyProofRequest{Name: st.name}),
		// Answered only when there is something to accept; see restore_test.go.
		"AcceptRestore": requestAs(st.operator, &pb.AcceptRestoreRequest{Name: st.name, Reason: "the disk of the database was replaced"}),
	}
}
