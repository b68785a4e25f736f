package rules

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// truth is the answer of a rule written by hand: no, yes, or it waits.
type truth int

const (
	no truth = iota
	yes
	waits
)

func is(a, wanted pb.Answer) truth {
	switch a {
	case pb.Answer_ANSWER_UNSPECIFIED:
		return waits
	case wanted:
		return yes
	}
	return no
}

// within is the usual waiting time: it happened, and less than d before now.
func within(e *pb.PastEvent, now time.Time, d time.Duration) truth {
	switch t := is(e.GetHappened(), pb.Answer_ANSWER_YES); {
	case t != yes:
		return t
	case e.GetLastTime() == nil:
		return waits
	case now.Sub(e.GetLastTime().AsTime()) < d:
		return yes
	}
	return no
}

// byHand are ten rules of the case as somebody would write them in Go.
func byHand() map[string]func(*pb.DecisionInputs) truth {
	days := func(n int32) time.Duration { return time.Duration(n) * day }
	return map[string]func(*pb.DecisionInputs) truth{
		"scalp.broken-skin": func(in *pb.DecisionInputs) truth {
			return is(in.GetConsultation().GetScalp().GetBrokenSkin(), pb.Answer_ANSWER_YES)
		},
		"scalp.sores": func(in *pb.DecisionInputs) truth {
			return is(in.GetConsultation().GetScalp().GetSores(), pb.Answer_ANSWER_YES)
		},
		"scalp.doubtful": func(in *pb.DecisionInputs) truth {
			s, worst := in.GetConsultation().GetScalp(), no
			for _, a := range [...]pb.Answer{
				s.GetBrokenSkin(), s.GetSores(), s.GetInfectionSigns(), s.GetInfestationSigns(), s.GetBurns(), s.GetSwelling(), s.GetRedness(), s.GetEruption(),
			} {
				switch is(a, pb.Answer_ANSWER_UNSURE) {
				case yes:
					return yes
				case waits:
					worst = waits
				}
			}
			return worst
		},
		"wait.shampoo": func(in *pb.DecisionInputs) truth {
			wait := time.Duration(in.GetParameters().GetShampooWaitHours()) * time.Hour
			return within(in.GetConsultation().GetHistory().GetShampoo(), in.GetDecideTime().AsTime(), wait)
		},
		"wait.extensions": func(in *pb.DecisionInputs) truth {
			midnight := in.GetDecideTime().AsTime().Truncate(day) // the head's salon counts in UTC
			return within(in.GetConsultation().GetHistory().GetExtensionsRemoved(), midnight, days(in.GetParameters().GetExtensionsWaitDays()-1))
		},
		"tests.elasticity-failed": func(in *pb.DecisionInputs) truth {
			switch in.GetConsultation().GetTests().GetElasticity() {
			case pb.ElasticityReading_ELASTICITY_READING_UNSPECIFIED:
				return waits
			case pb.ElasticityReading_ELASTICITY_READING_FAILED:
				return yes
			}
			return no
		},
		"age.minimum": func(in *pb.DecisionInputs) truth {
			c := in.GetConsultation().GetConsent()
			switch {
			case c == nil || c.AgeYears == nil:
				return waits
			case c.GetAgeYears() < in.GetParameters().GetMinimumAgeYears():
				return yes
			}
			return no
		},
		"practitioner.licence-expired": func(in *pb.DecisionInputs) truth {
			p := in.GetPractitioner()
			if p.GetLicenceNumber() != "" && (p.GetLicenceExpireTime() == nil || !p.GetLicenceExpireTime().AsTime().After(in.GetDecideTime().AsTime())) {
				return yes
			}
			return no
		},
		"product.lot-recalled": func(in *pb.DecisionInputs) truth {
			worst := no
			for _, l := range in.GetProduct().GetLots() {
				switch {
				case l.GetRecallTime() == nil:
				case in.GetLotCode() == "":
					worst = waits
				case l.GetLotCode() == in.GetLotCode():
					return yes
				}
			}
			return worst
		},
		"strength.fine": func(in *pb.DecisionInputs) truth {
			if s := in.GetProduct().GetStrength(); s != pb.Strength_STRENGTH_REGULAR && s != pb.Strength_STRENGTH_SUPER {
				return no
			}
			switch in.GetConsultation().GetHair().GetTexture() {
			case pb.Texture_TEXTURE_UNSPECIFIED:
				return waits
			case pb.Texture_TEXTURE_FINE:
				return yes
			}
			return no
		},
	}
}

// The ten rules written by hand and the ten of the policy never disagree.
func TestByHandAgrees(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		in := e.withParameters(anyCase(t, e))
		s := opened(t, e, in)
		for _, r := range e.builtInRules {
			hand := byHand()[r.text.GetRuleId()]
			if hand == nil {
				continue
			}
			answer, missing, err := r.test(s)
			want := hand(in)
			if err != nil || answer != (want == yes) || (len(missing) > 0) != (want == waits) {
				t.Errorf("%s: %v, waits for %v, %v; by hand %v", r.text.GetRuleId(), answer, missing, err, want)
			}
		}
	})
}

// An expression says the same as a rule of the policy, which runs without a limit,
// and as a house's, which runs under one.
func TestLimitChangesNothing(t *testing.T) {
	e := newEngine(t)
	limited := map[string]*rule{}
	for _, r := range e.builtInRules {
		limited[r.text.GetRuleId()] = e.lang.newRule(r.text, e.lang.buildLimited)
	}
	rapid.Check(t, func(t *rapid.T) {
		in := e.withParameters(anyCase(t, e))
		in.RecordCard = retouch().GetRecordCard()
		s := opened(t, e, in)
		for scope := pb.RuleScope_RULE_SCOPE_CASE; scope <= pb.RuleScope_RULE_SCOPE_SECTION; scope++ {
			s.forEachSubject(scope, func(about subject) {
				for _, r := range e.rulesByScope[scope] {
					answer, missing, err := r.test(s)
					again, alsoMissing, errAgain := limited[r.text.GetRuleId()].test(s)
					if answer != again || !slices.Equal(missing, alsoMissing) || err != nil || errAgain != nil {
						t.Errorf("%s: %v %v %v; under a limit %v %v %v", r.text.GetRuleId(), answer, missing, err, again, alsoMissing, errAgain)
					}
				}
			})
		}
	})
}

// BenchmarkTenRules asks ten rules of the policy, values read again each time.
func BenchmarkTenRules(b *testing.B) {
	e := newEngine(b)
	in := e.withParameters(soundHead())
	var ten []*rule
	for _, r := range e.builtInRules {
		if byHand()[r.text.GetRuleId()] != nil {
			ten = append(ten, r)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		s, err := e.lang.open(in)
		if err != nil {
			b.Fatal(err)
		}
		for _, r := range ten {
			if answer, missing, err := r.test(s); answer || missing != nil || err != nil {
				b.Fatal(r.text.GetRuleId())
			}
		}
		s.close()
	}
}

// BenchmarkTenRulesByHand asks the same ten written in Go.
func BenchmarkTenRulesByHand(b *testing.B) {
	e := newEngine(b)
	in := e.withParameters(soundHead())
	var ten []func(*pb.DecisionInputs) truth
	for _, hand := range byHand() {
		ten = append(ten, hand)
	}
	b.ReportAllocs()
	for b.Loop() {
		for _, hand := range ten {
			if hand(in) != no {
				b.Fatal("fired")
			}
		}
	}
}
