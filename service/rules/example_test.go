package rules_test

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/rules"
)

// A stylist asks about a client who shampooed yesterday. The refusal asks nothing
// more; a supervisor who found the scalp calm may set it aside, and then the
// answers that are missing count again. People and products are invented.
func Example() {
	engine, err := rules.New()
	if err != nil {
		fmt.Println(err)
		return
	}
	now := time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)
	supervisor := &pb.Practitioner{
		Name: "chains/ebb-and-flow/practitioners/sol", Role: pb.Role_ROLE_SUPERVISOR,
		LicenceNumber: "S-1", LicenceExpireTime: timestamppb.New(now.AddDate(1, 0, 0)),
	}
	practitioner := &pb.Practitioner{
		Name: "chains/ebb-and-flow/practitioners/ada", Role: pb.Role_ROLE_PRACTITIONER,
		LicenceNumber: "P-1", LicenceExpireTime: timestamppb.New(now.AddDate(1, 0, 0)),
	}
	decision, err := engine.Decide(&pb.DecisionInputs{
		DecideTime:   timestamppb.New(now),
		ServiceKind:  pb.ServiceKind_SERVICE_KIND_VIRGIN,
		Practitioner: practitioner,
		Salon:        &pb.Salon{Jurisdiction: pb.Jurisdiction_JURISDICTION_UK},
		Product: &pb.Product{
			Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER, Strength: pb.Strength_STRENGTH_MILD, UseTier: pb.UseTier_USE_TIER_PROFESSIONAL,
			Ingredients: []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_SODIUM_HYDROXIDE, MassPercent: new(1.9)}},
		},
		Consultation: &pb.Consultation{
			History: &pb.ClientHistory{Shampoo: &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: timestamppb.New(now.Add(-24 * time.Hour))}},
			Consent: &pb.Consent{AgeYears: proto.Int32(34)},
		},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	finding := decision.GetFindings()[0]
	fmt.Println(decision.GetVerdict(), "-", finding.GetRuleId(), "-", finding.GetMessage())
	fmt.Println("open questions:", len(decision.GetOpenQuestions()))

	denial := rules.JudgeOverride(decision, rules.Attempt{
		By: supervisor, Caller: supervisor.Name, As: pb.Role_ROLE_SUPERVISOR,
		RuleID: finding.GetRuleId(), Subject: finding.GetSubject(), Reason: "SCALP_CALM", At: now,
	})
	fmt.Println("override accepted:", denial == pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED)
	decision.Overrides = append(decision.Overrides, &pb.Override{RuleId: finding.GetRuleId(), Subject: finding.GetSubject(), Denial: denial})
	fmt.Println("stands at", rules.Standing(decision))

	// Output:
	// VERDICT_REFUSE - wait.shampoo - Wait 48 hours after a shampoo. The scalp's own oil protects it.
	// open questions: 0
	// override accepted: true
	// stands at VERDICT_ASK
}
