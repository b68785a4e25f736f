package timing

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	pb "alkalog/proto/alkalogv1"
)

// reference is ln k of an average head with a product of the usual minutes. Learned rates
// are stored on this scale, so that they apply to any product.
func reference() float64 { return logRate(targetPercent, usualMinutes) }

// logRate is the ln k that straightens by percent in minutes.
func logRate(percent, minutes float64) float64 {
	return math.Log(loss(percent) / max(minutes-lagMinutes, lagMinutes))
}

// expectation is what directions and analysis alone predict for a section's ln k: the
// mean, and the variance of what was not answered.
func expectation(in *pb.DecisionInputs, section *pb.HeadSection) (mean, variance float64) {
	product := productOf(in, section)
	minutes, stated := usual(product, textureOf(in.GetConsultation().GetHair(), section))
	mean = logRate(targetPercent, minutes)
	if !stated {
		variance += noDirectionsSpread * noDirectionsSpread
	}
	hair := in.GetConsultation().GetHair()
	// What was not answered shifts nothing and widens the prior.
	effects := []func() (float64, bool){
		func() (float64, bool) { return textureEffect(product, textureOf(hair, section)) },
		func() (float64, bool) { return porosityEffect(porosityOf(in, section)) },
		func() (float64, bool) { return curlEffect(curlOf(hair, section)) },
	}
	for _, effect := range effects {
		size, answered := effect()
		mean += size
		if !answered {
			variance += unansweredSpread * unansweredSpread
		}
	}
	return mean, variance
}

// productOf is the product for a section: its own, or the head's.
func productOf(in *pb.DecisionInputs, section *pb.HeadSection) *pb.Product {
	for _, choice := range in.GetSectionProducts() {
		if choice.GetSectionId() == section.GetSectionId() {
			return choice.GetProduct()
		}
	}
	return in.GetProduct()
}

func textureOf(hair *pb.HairAnalysis, section *pb.HeadSection) pb.Texture {
	if t := section.GetTexture(); t != pb.Texture_TEXTURE_UNSPECIFIED {
		return t
	}
	return hair.GetTexture()
}

func curlOf(hair *pb.HairAnalysis, section *pb.HeadSection) pb.CurlType {
	if c := section.GetCurlType(); c != pb.CurlType_CURL_TYPE_UNSPECIFIED {
		return c
	}
	return hair.GetCurlType()
}

// porosityOf is the section's own porosity, else the most porous of the treated zones,
// because that zone takes up the product first.
func porosityOf(in *pb.DecisionInputs, section *pb.HeadSection) pb.Porosity {
	most := section.GetPorosity()
	if most != pb.Porosity_POROSITY_UNSPECIFIED {
		return most
	}
	retouch := in.GetServiceKind() == pb.ServiceKind_SERVICE_KIND_RETOUCH
	for _, z := range in.GetConsultation().GetHair().GetZones() {
		if retouch && z.Zone != pb.Zone_ZONE_NEW_GROWTH {
			continue
		}
		most = max(most, z.Porosity)
	}
	return most
}

// textureEffect compares the hair with the hair that the strength is meant for: mild for
// fine, regular for medium, super for coarse. It is false when texture was not answered.
// A usual time that the directions give for the texture itself contains the effect.
func textureEffect(product *pb.Product, texture pb.Texture) (float64, bool) {
	strength := product.GetStrength()
	if strength == pb.Strength_STRENGTH_UNSPECIFIED {
		strength = pb.Strength_STRENGTH_REGULAR
	}
	if texture == pb.Texture_TEXTURE_UNSPECIFIED {
		return 0, false
	}
	if statesUsual(product, texture) {
		return 0, true
	}
	return textureStep * float64(int(strength)-int(texture)), true
}

func porosityEffect(p pb.Porosity) (float64, bool) {
	if p == pb.Porosity_POROSITY_UNSPECIFIED {
		return 0, false
	}
	return porosityStep * float64(p-pb.Porosity_POROSITY_NORMAL), true
}

func curlEffect(c pb.CurlType) (float64, bool) {
	if c == pb.CurlType_CURL_TYPE_UNSPECIFIED {
		return 0, false
	}
	return curlStep * float64(pb.CurlType_CURL_TYPE_IV-c), true
}

// priorOf is the distribution of a section's ln k before today's first strand test.
func priorOf(in *pb.DecisionInputs, section *pb.HeadSection) normal {
	mean, variance := expectation(in, section)
	effect := learnedEffect(in.GetRecordCard().GetRates(), section)
	own := normal{mean + effect.mean, math.Sqrt(variance + effect.deviation*effect.deviation)}
	if minutes, done := preliminaryTest(in, section); done {
		own = own.combinedWith(normal{logRate(targetPercent, minutes), preliminarySpread})
	}
	return normal{own.mean, math.Hypot(own.deviation, visitSpread)}
}

// preliminaryTest is the time of a sound preliminary strand test with the same product;
// false when there is none.
func preliminaryTest(in *pb.DecisionInputs, section *pb.HeadSection) (float64, bool) {
	t := in.GetConsultation().GetTests()
	if t == nil || t.StrandMinutes == nil || t.GetStrandMinutes() <= 0 ||
		t.Strand != pb.StrandReading_STRAND_READING_SOUND || t.StrandProduct != productOf(in, section).GetName() {
		return 0, false
	}
	return t.GetStrandMinutes(), true
}

// learnedEffect is the lasting difference of a section's ln k from the prediction, by the
// visits so far: its own, else the head's, else none with the spread between heads.
func learnedEffect(rates []*pb.LearnedRate, section *pb.HeadSection) normal {
	if r := rateOf(rates, section.GetSectionId()); r != nil {
		return normal{r.Mean - reference(), math.Hypot(r.Deviation, driftSpread)}
	}
	// A section that was never measured is as far from its head as any other section.
	effect := normal{0, headSpread}
	if r := rateOf(rates, ""); r != nil {
		effect = normal{r.Mean - reference(), math.Hypot(r.Deviation, driftSpread)}
	}
	if section.GetResistant() == pb.Answer_ANSWER_YES {
		effect.mean -= resistantStep
	}
	return normal{effect.mean, math.Hypot(effect.deviation, sectionSpread)}
}

// rateOf finds a learned rate; nil when there is none that was measured.
func rateOf(rates []*pb.LearnedRate, sectionID string) *pb.RateEstimate {
	for _, r := range rates {
		if r.GetSectionId() == sectionID && r.GetRate().GetReadings() > 0 && r.Rate.Deviation > 0 {
			return r.Rate
		}
	}
	return nil
}

// combinedWith is the normal posterior after one normal observation of the same quantity.
func (n normal) combinedWith(o normal) normal {
	precision := 1/(n.deviation*n.deviation) + 1/(o.deviation*o.deviation)
	mean := (n.mean/(n.deviation*n.deviation) + o.mean/(o.deviation*o.deviation)) / precision
	return normal{mean, 1 / math.Sqrt(precision)}
}

// plannedSections are the clocks of the plan's sections, in its order.
func plannedSections(s *pb.Session, limits *pb.SessionLimits) []*section {
	var sections []*section
	for _, p := range s.GetPlan().GetSections() {
		c := &section{
			id:      p.SectionId,
			planned: true,
			prior:   plannedPrior(s.Plan, p),
			guide:   sessionGuide(s, limits),
		}
		if p.HardLimitMinute > 0 {
			c.guide.hardLimit = min(c.guide.hardLimit, p.HardLimitMinute)
		}
		c.longest = c.guide.hardLimit
		c.posterior = posterior{normal: c.prior}
		sections = append(sections, c)
	}
	return sections
}

// plannedPrior reads a section's prior back from the plan that was decided on: the
// expected minutes are the median and its interval the 90 % interval of the time to the
// target, so the plan holds the whole distribution. A plan with impossible figures gets
// the default prior.
func plannedPrior(plan *pb.Plan, p *pb.PlannedSection) normal {
	ends := distuv.UnitNormal.Quantile(highTail) - distuv.UnitNormal.Quantile(lowTail)
	low, high := p.ExpectedMinutesLow-lagMinutes, p.ExpectedMinutesHigh-lagMinutes
	middle := p.ExpectedMinutes - lagMinutes
	if plan.TargetPercent <= 0 || low <= 0 || middle <= 0 || high <= low {
		return priorOf(nil, nil)
	}
	return normal{math.Log(loss(plan.TargetPercent) / middle), math.Log(high/low) / ends}
}

// unplannedPrior is the prior of a section that is not planned: the default, but not
// slower than a section that reaches its target at the limit, nor than the fastest planned
// section.
func unplannedPrior(sections []*section, limits *pb.SessionLimits) normal {
	prior := priorOf(nil, nil)
	prior.mean = max(prior.mean, logRate(targetPercent, limits.HardLimitMinutes))
	for _, c := range sections {
		if c.planned {
			prior.mean = max(prior.mean, c.prior.mean)
		}
	}
	return prior
}
