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

// stage is a chain in which there is one of everything.
type stage struct {
	*chain
	known names
}

// names are those of what is on a stage.
type names struct {
	client, consultation, draft, session, outcome, incident, policy, entry string

	refusal *pb.Decision // of that consultation
}

// newStage sets one.
func (s *site) newStage(t testing.TB, id string) *stage {
	t.Helper()
	st := &stage{chain: s.newChain(t, id)}
	k := &st.known
	k.refusal = wantVerdict(t, st.decision(t, brokenSkin), pb.Verdict_VERDICT_REFUSE)
	k.client, k.consultation = parent(k.refusal.Name), k.refusal.Inputs.Consultation.Name
	k.draft = st.draft(t, k.client).Name
	k.session = st.session(t).Name
	k.outcome = must(t, st.amara, st.outcome.RecordOutcome, brokenOff(st.session(t))).Outcome.Name
	k.incident = must(t, st.amara, st.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: k.client, Incident: st.noticed(), RequestId: newID()}).Incident.Name
	k.policy = must(t, st.odile, st.catalog.CreateHousePolicy, st.uploaded()).HousePolicy.Name
	k.entry = must(t, st.odile, st.audit.ListEntries, &pb.ListEntriesRequest{Parent: st.name}).Entries[0].Name
	s.integrated(t)
	return st
}

// example is a request to an RPC that will be answered. Make makes what the
// request needs first, and each time a request that can still be carried out.
type example struct {
	who  person
	make func(testing.TB) proto.Message
}

// examples has one for every RPC, by the RPC's name.
func (st *stage) examples() map[string]example {
	all := map[string]example{}
	for _, part := range []map[string]example{st.staff(), st.shelves(), st.intake(), st.decisions(), st.services(), st.incidents(), st.log()} {
		for name, e := range part {
			all[name] = e
		}
	}
	return all
}

// example is the example of an RPC.
func (st *stage) example(t testing.TB, r rpc) example {
	t.Helper()
	e, ok := st.examples()[string(r.Name())]
	if !ok {
		t.Fatalf("%s has no example; add one", r.Name())
	}
	return e
}

// by is an example that needs nothing made first.
func by(who person, req proto.Message) example {
	return example{who, func(testing.TB) proto.Message {
		if req.ProtoReflect().Descriptor().Fields().ByName("request_id") == nil {
			return proto.Clone(req)
		}
		return again(req)
	}}
}

// mask is an update mask.
func mask(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }

// fresh is an id for a resource that nobody has used.
func fresh() string { return "x" + newID() }

func (st *stage) staff() map[string]example {
	salon := &pb.Salon{DisplayName: "Mill Lane", Jurisdiction: pb.Jurisdiction_JURISDICTION_EU, TimeZone: "Europe/Dublin", MinutesToBowl: new(int32(2))}
	renamed := proto.CloneOf(salon)
	renamed.Name, renamed.DisplayName = st.salon, "North Quay, upstairs"
	changed := st.licensed(st.amara)
	changed.Name = st.amara.name
	var days atomic.Int32
	return map[string]example{
		"CreateChain": {st.operator, func(testing.TB) proto.Message {
			return &pb.CreateChainRequest{ChainId: fresh(), Chain: &pb.Chain{DisplayName: "One more"}, RequestId: newID()}
		}},
		"GetChain":   by(st.odile, &pb.GetChainRequest{Name: st.name}),
		"ListChains": by(st.operator, &pb.ListChainsRequest{}),
		"UpdateChain": {st.odile, func(testing.TB) proto.Message { // another period each time: only a change is an entry
			return &pb.UpdateChainRequest{RequestId: newID(), UpdateMask: mask("display_name", "retention"),
				Chain: &pb.Chain{Name: st.name, DisplayName: "Renamed", Retention: &pb.Retention{ClientDays: 3650 + days.Add(1), RequestDays: 90}}}
		}},
		"CreateSalon": {st.odile, func(testing.TB) proto.Message {
			return &pb.CreateSalonRequest{Parent: st.name, SalonId: fresh(), Salon: salon, RequestId: newID()}
		}},
		"GetSalon":   by(st.till, &pb.GetSalonRequest{Name: st.salon}),
		"ListSalons": by(st.till, &pb.ListSalonsRequest{Parent: st.name}),
		"UpdateSalon": by(st.odile, &pb.UpdateSalonRequest{
			Salon: renamed, UpdateMask: mask("display_name", "jurisdiction", "time_zone", "minutes_to_bowl", "region_code", "emergency_number")}),
		"CreatePractitioner": {st.odile, func(testing.TB) proto.Message {
			return &pb.CreatePractitionerRequest{Parent: st.name, PractitionerId: fresh(), Practitioner: st.licensed(st.amara), RequestId: newID()}
		}},
		"GetPractitioner":   by(st.amara, &pb.GetPractitionerRequest{Name: st.imara.name}),
		"ListPractitioners": by(st.amara, &pb.ListPractitionersRequest{Parent: st.name}),
		"UpdatePractitioner": by(st.odile, &pb.UpdatePractitionerRequest{
			Practitioner: changed, UpdateMask: mask("display_name", "role", "licence_number", "licence_expire_time", "salons")}),
	}
}

func (st *stage) shelves() map[string]example {
	relaxer := st.shelf()[3]
	relaxer.Name = ""
	changed := st.shelf()[3]
	return map[string]example{
		"CreateProduct": {st.odile, func(testing.TB) proto.Message {
			return &pb.CreateProductRequest{Parent: st.name, ProductId: fresh(), Product: relaxer, RequestId: newID()}
		}},
		"GetProduct":   by(st.till, &pb.GetProductRequest{Name: st.relaxer}),
		"ListProducts": by(st.till, &pb.ListProductsRequest{Parent: st.name}),
		"UpdateProduct": by(st.odile, &pb.UpdateProductRequest{Product: changed, UpdateMask: mask("display_name", "kind", "hydroxide_kind",
			"strength", "ingredients", "use_tier", "declared_ph", "ph_method", "directions", "indicator", "lots", "safety_data_sheet")}),
		"RecallLot": {st.imara, func(testing.TB) proto.Message {
			return &pb.RecallLotRequest{Name: st.relaxer, LotCode: fresh(), Reason: "the maker calls it back", RequestId: newID()}
		}},
		"CreateHousePolicy": {st.odile, func(testing.TB) proto.Message { return st.uploaded() }},
		"GetHousePolicy":    by(st.odile, &pb.GetHousePolicyRequest{Name: st.known.policy}),
		"ListHousePolicies": by(st.odile, &pb.ListHousePoliciesRequest{Parent: st.name}),
		"ActivateHousePolicy": {st.odile, func(t testing.TB) proto.Message {
			made := must(t, st.odile, st.catalog.CreateHousePolicy, st.uploaded())
			return &pb.ActivateHousePolicyRequest{Name: made.HousePolicy.Name, Etag: made.HousePolicy.Etag, RequestId: newID()}
		}},
		"PreviewHousePolicy": by(st.odile, &pb.PreviewHousePolicyRequest{Name: st.known.policy, Last: 10}),
		"ListRules":          by(st.vesna, &pb.ListRulesRequest{Parent: st.name}),
	}
}

// uploaded is a house policy that asks for a shorter wait and one thing more.
func (c *chain) uploaded() *pb.CreateHousePolicyRequest {
	return &pb.CreateHousePolicyRequest{
		Parent: c.name, HousePolicyId: fresh(), RequestId: newID(),
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

func (st *stage) intake() map[string]example {
	card := st.card()
	return map[string]example{
		"CreateClient": by(st.odile, &pb.CreateClientRequest{Parent: st.name, Client: &pb.Client{DisplayName: "Invented", Phone: "none", Email: "none"}}),
		"GetClient":    by(st.till, &pb.GetClientRequest{Name: st.known.client}),
		"ListClients":  by(st.till, &pb.ListClientsRequest{Parent: st.name}),
		"UpdateClient": by(st.till, &pb.UpdateClientRequest{
			Client: &pb.Client{Name: st.known.client, DisplayName: "Renamed", Phone: "none"}, UpdateMask: mask("display_name", "phone", "email", "birth_date")}),
		"EraseClient": {st.odile, func(t testing.TB) proto.Message {
			made := must(t, st.till, st.consultation.CreateClient, &pb.CreateClientRequest{Parent: st.name,
				Client: &pb.Client{DisplayName: "Invented"}, RequestId: newID()})
			return &pb.EraseClientRequest{Name: made.Client.Name, RequestId: newID()}
		}},
		"ExportClient":       by(st.odile, &pb.ExportClientRequest{Name: st.known.client}),
		"CreateConsultation": by(st.amara, &pb.CreateConsultationRequest{Parent: st.known.client, Consultation: card}),
		"GetConsultation":    by(st.vesna, &pb.GetConsultationRequest{Name: st.known.consultation}),
		"ListConsultations":  by(st.vesna, &pb.ListConsultationsRequest{Parent: st.known.client}),
		"UpdateConsultation": {st.amara, func(testing.TB) proto.Message {
			changed := proto.CloneOf(card)
			changed.Name = st.known.draft
			return &pb.UpdateConsultationRequest{Consultation: changed, RequestId: newID(), UpdateMask: mask("salon", "practitioner",
				"wishes", "scalp", "hair", "tests", "history", "consent", "remarks")}
		}},
		"SubmitConsultation": {st.amara, func(t testing.TB) proto.Message {
			draft := st.draft(t, st.known.client)
			return &pb.SubmitConsultationRequest{Name: draft.Name, Etag: draft.Etag, RequestId: newID()}
		}},
	}
}

func (st *stage) decisions() map[string]example {
	finding := st.known.refusal.Findings[0]
	return map[string]example{
		"CheckEligibility": by(st.amara, st.question(st.known.consultation)),
		"GetDecision":      by(st.vesna, &pb.GetDecisionRequest{Name: st.known.refusal.Name}),
		"ListDecisions":    by(st.vesna, &pb.ListDecisionsRequest{Parent: st.known.client}),
		"OverrideDecision": by(st.imara, st.override(st.known.refusal, finding)),
		"CountersignDecision": {st.imara, func(t testing.TB) proto.Message {
			return &pb.CountersignDecisionRequest{Name: st.students(t).Name, Practitioner: st.imara.name, RequestId: newID()}
		}},
		"ReplayDecision": by(st.vesna, &pb.ReplayDecisionRequest{Name: st.known.refusal.Name}),
	}
}

func (st *stage) services() map[string]example {
	return map[string]example{
		"StartSession": {st.amara, func(t testing.TB) proto.Message {
			d := st.cleared(t)
			return &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, Salon: st.salon, Practitioner: st.amara.name,
				StartTime: st.clock.stamp(), RequestId: newID()}
		}},
		"CloseSession": {st.imara, func(t testing.TB) proto.Message {
			return &pb.CloseSessionRequest{Name: st.session(t).Name, Practitioner: st.imara.name, Comment: "left open", RequestId: newID()}
		}},
		"RecordEvents": {st.till, func(t testing.TB) proto.Message {
			session := st.session(t)
			return &pb.RecordEventsRequest{Name: session.Name, SendTime: st.clock.stamp(), RequestId: newID(),
				Events: []*pb.Event{happened(session, 0, note("a remark")), happened(session, 0, based())}}
		}},
		"GetSession":    by(st.vesna, &pb.GetSessionRequest{Name: st.known.session, WithEvents: true}),
		"ListSessions":  by(st.vesna, &pb.ListSessionsRequest{Parent: parent(st.known.session), Product: st.relaxer, LotCode: st.relaxerLot}),
		"WatchSession":  by(st.till, &pb.WatchSessionRequest{Name: st.known.session}),
		"RecordOutcome": {st.amara, func(t testing.TB) proto.Message { return completed(st.carriedOut(t)) }},
		"GetOutcome":    by(st.vesna, &pb.GetOutcomeRequest{Name: st.known.outcome}),
		"ListOutcomes":  by(st.vesna, &pb.ListOutcomesRequest{Parent: parent(st.known.outcome)}),
		"GetRecordCard": by(st.vesna, &pb.GetRecordCardRequest{Name: parent(st.known.outcome)}),
	}
}

func (st *stage) log() map[string]example {
	return map[string]example{
		"ListEntries":   by(st.vesna, &pb.ListEntriesRequest{Parent: st.name, Filter: `kind = "REFUSAL"`}),
		"ExportEntries": by(st.vesna, &pb.ExportEntriesRequest{Parent: st.name, Filter: `kind = "REFUSAL"`}),
		"SummarizeEntries": by(st.vesna, &pb.SummarizeEntriesRequest{Parent: st.name, StartTime: timestamppb.New(time.Unix(0, 0)),
			EndTime: st.clock.stamp(), Dimension: pb.SummaryDimension_SUMMARY_DIMENSION_RULE}),
		"GetCheckpoint":       by(st.vesna, &pb.GetCheckpointRequest{Name: st.name}),
		"GetInclusionProof":   by(st.vesna, &pb.GetInclusionProofRequest{Name: st.known.entry}),
		"GetConsistencyProof": by(st.vesna, &pb.GetConsistencyProofRequest{Name: st.name}),
		// Answered only when there is something to accept; see restore_test.go.
		"AcceptRestore": by(st.operator, &pb.AcceptRestoreRequest{Name: st.name, Reason: "the disk of the database was replaced"}),
	}
}
