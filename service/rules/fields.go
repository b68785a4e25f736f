package rules

import (
	"math"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"cel.dev/cel-go/common/types/traits"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// field is one input that a rule may name. The table below is the whole of what
// rules can see: names, free words and other personal data are not in it.
type field struct {
	path string
	kind *cel.Type
	// asked fields are answers: one that was not given is unknown. The others
	// are known to the chain, and null or UNSPECIFIED when not stated.
	asked bool
	// derived fields are worked out from answers and records; see derived.go. sees
	// returns the answers behind one.
	// stands is the answer that a derived field takes the place of.
	derived bool
	stands  string
	sees    func(*state) []*pb.SeenAnswer
	// after is the question that comes first, when this one follows another: its
	// answer means nothing without the other's.
	after string
	// get reads the field; nil is an answer not given.
	get func(*state) ref.Val
	// absent is what the field is when get returns nil.
	absent ref.Val
}

// allFields lists every field, grouped as scopes() needs them: the case's own
// first, then those of one zone, then those of one section.
func allFields(v vocabulary) []field {
	var all []field
	all = append(all, scalpFields(v)...)
	all = append(all, hairFields(v)...)
	all = append(all, testFields(v)...)
	all = append(all, historyFields(v)...)
	all = append(all, clearanceFields(v)...)
	all = append(all, agreementFields(v)...)
	all = append(all, productFields(v)...)
	all = append(all, peopleFields(v)...)
	all = append(all, parameterFields()...)
	all = append(all, recordFields()...)
	all = append(all, incidentFields(v)...)
	all = append(all, knownFields(v)...)
	all = append(all, testedFields(v)...)
	all = append(all, ageFields()...)
	all = append(all, zoneFields(v)...)
	all = append(all, sectionFields(v)...)
	for i := range all {
		all[i].absent = types.NullValue
		if all[i].asked {
			all[i].absent = types.NewUnknown(int64(i), types.NewAttributeTrail(all[i].path))
		}
	}
	return all
}

func scalpFields(v vocabulary) []field {
	of := func(s *state) *pb.ScalpAnalysis { return s.in.GetConsultation().GetScalp() }
	return append([]field{
		asked(v, "consultation.scalp.broken_skin", of, (*pb.ScalpAnalysis).GetBrokenSkin),
		asked(v, "consultation.scalp.sores", of, (*pb.ScalpAnalysis).GetSores),
		asked(v, "consultation.scalp.infection_signs", of, (*pb.ScalpAnalysis).GetInfectionSigns),
		asked(v, "consultation.scalp.infestation_signs", of, (*pb.ScalpAnalysis).GetInfestationSigns),
		asked(v, "consultation.scalp.burns", of, (*pb.ScalpAnalysis).GetBurns),
		asked(v, "consultation.scalp.swelling", of, (*pb.ScalpAnalysis).GetSwelling),
		asked(v, "consultation.scalp.redness", of, (*pb.ScalpAnalysis).GetRedness),
		asked(v, "consultation.scalp.eruption", of, (*pb.ScalpAnalysis).GetEruption),
		asked(v, "consultation.scalp.flaking", of, (*pb.ScalpAnalysis).GetFlaking),
		asked(v, "consultation.scalp.tender", of, (*pb.ScalpAnalysis).GetTender),
		{path: "consultation.scalp.seen_time", kind: cel.TimestampType, asked: true, get: func(s *state) ref.Val {
			return momentOr(of(s).GetSeenTime(), s.in.GetConsultation().GetUpdateTime())
		}},
	}, happened(v, "consultation.scalp.scratched", of, (*pb.ScalpAnalysis).GetScratched)...)
}

func hairFields(v vocabulary) []field {
	of := func(s *state) *pb.HairAnalysis { return s.in.GetConsultation().GetHair() }
	return []field{
		asked(v, "consultation.hair.texture", of, (*pb.HairAnalysis).GetTexture),
		asked(v, "consultation.hair.density", of, (*pb.HairAnalysis).GetDensity),
		asked(v, "consultation.hair.curl_type", of, (*pb.HairAnalysis).GetCurlType),
		measured("consultation.hair.curl_index", func(s *state) *float64 { return of(s).CurlIndex }, of),
		measured("consultation.hair.length_mm", func(s *state) *float64 { return of(s).LengthMm }, of),
		measured("consultation.hair.new_growth_mm", func(s *state) *float64 { return of(s).NewGrowthMm }, of),
	}
}

func testFields(v vocabulary) []field {
	of := func(s *state) *pb.PreliminaryTests { return s.in.GetConsultation().GetTests() }
	return []field{
		asked(v, "consultation.tests.elasticity", of, (*pb.PreliminaryTests).GetElasticity),
		measured("consultation.tests.wet_stretch_percent", func(s *state) *float64 { return of(s).WetStretchPercent }, of).behind("consultation.tests.elasticity"),
		asked(v, "consultation.tests.incompatibility", of, (*pb.PreliminaryTests).GetIncompatibility),
		asked(v, "consultation.tests.strand", of, (*pb.PreliminaryTests).GetStrand),
		named("consultation.tests.strand_product", of, (*pb.PreliminaryTests).GetStrandProduct).behind("consultation.tests.strand"),
		measured("consultation.tests.strand_minutes", func(s *state) *float64 { return of(s).StrandMinutes }, of).behind("consultation.tests.strand"),
		dated("consultation.tests.test_time", of, (*pb.PreliminaryTests).GetTestTime).behind("consultation.tests.elasticity"),
		dated("consultation.tests.incompatibility_time", of, (*pb.PreliminaryTests).GetIncompatibilityTime).behind("consultation.tests.incompatibility"),
		field{path: "consultation.tests.strand_time", kind: cel.TimestampType, asked: true, get: func(s *state) ref.Val {
			return momentOr(of(s).GetStrandTime(), of(s).GetTestTime())
		}}.behind("consultation.tests.strand"),
	}
}

func historyFields(v vocabulary) []field {
	of := func(s *state) *pb.ClientHistory { return s.in.GetConsultation().GetHistory() }
	fields := []field{
		asked(v, "consultation.history.extensions_in", of, (*pb.ClientHistory).GetExtensionsIn),
		asked(v, "consultation.history.bad_reaction", of, (*pb.ClientHistory).GetBadReaction),
		asked(v, "consultation.history.allergy", of, (*pb.ClientHistory).GetAllergy),
		asked(v, "consultation.history.pregnancy", of, (*pb.ClientHistory).GetPregnancy),
		asked(v, "consultation.history.medication", of, (*pb.ClientHistory).GetMedication),
		asked(v, "consultation.history.recent_illness", of, (*pb.ClientHistory).GetRecentIllness),
		asked(v, "consultation.history.hair_loss", of, (*pb.ClientHistory).GetHairLoss),
		asked(v, "consultation.history.medical_clearance", of, (*pb.ClientHistory).GetMedicalClearance),
		dated("consultation.history.medical_clearance_time", of, (*pb.ClientHistory).GetMedicalClearanceTime).behind("consultation.history.medical_clearance"),
		asked(v, "consultation.history.undescribed_work", of, (*pb.ClientHistory).GetUndescribedWork),
		asked(v, "consultation.history.thinning_crown", of, (*pb.ClientHistory).GetThinningCrown),
		asked(v, "consultation.history.thinning_edges", of, (*pb.ClientHistory).GetThinningEdges),
		asked(v, "consultation.history.breakage_lines", of, (*pb.ClientHistory).GetBreakageLines),
		asked(v, "consultation.history.keloids", of, (*pb.ClientHistory).GetKeloids),
		asked(v, "consultation.history.scalp_steroids", of, (*pb.ClientHistory).GetScalpSteroids),
		asked(v, "consultation.history.contact_lenses", of, (*pb.ClientHistory).GetContactLenses),
		asked(v, "consultation.history.glove_allergy", of, (*pb.ClientHistory).GetGloveAllergy),
	}
	fields = append(fields, happened(v, "consultation.history.shampoo", of, (*pb.ClientHistory).GetShampoo)...)
	fields = append(fields, happened(v, "consultation.history.extensions_removed", of, (*pb.ClientHistory).GetExtensionsRemoved)...)
	fields = append(fields, happened(v, "consultation.history.relaxer", of, (*pb.ClientHistory).GetRelaxer)...)
	fields = append(fields, happened(v, "consultation.history.isotretinoin", of, (*pb.ClientHistory).GetIsotretinoin)...)
	return append(fields, happened(v, "consultation.history.cancer_treatment", of, (*pb.ClientHistory).GetCancerTreatment)...)
}

func agreementFields(v vocabulary) []field {
	wishes := func(s *state) *pb.Wishes { return s.in.GetConsultation().GetWishes() }
	consent := func(s *state) *pb.Consent { return s.in.GetConsultation().GetConsent() }
	inputs := func(s *state) *pb.DecisionInputs { return s.in }
	age := field{path: "consultation.consent.age_years", kind: cel.IntType, asked: true, get: func(s *state) ref.Val {
		if c := consent(s); c != nil && c.AgeYears != nil {
			return types.Int(*c.AgeYears)
		}
		return nil
	}}
	return []field{
		asked(v, "consultation.wishes.service_kind", wishes, (*pb.Wishes).GetServiceKind),
		measured("consultation.wishes.straightening_percent", func(s *state) *float64 { return wishes(s).StraighteningPercent }, wishes),
		asked(v, "consultation.consent.explained", consent, (*pb.Consent).GetExplained),
		asked(v, "consultation.consent.agreed", consent, (*pb.Consent).GetAgreed),
		dated("consultation.consent.agree_time", consent, (*pb.Consent).GetAgreeTime).behind("consultation.consent.agreed"),
		age,
		asked(v, "consultation.consent.guardian_agreed", consent, (*pb.Consent).GetGuardianAgreed).behind("consultation.consent.age_years"),
		asked(v, "service_kind", inputs, (*pb.DecisionInputs).GetServiceKind),
		named("what_changed", inputs, (*pb.DecisionInputs).GetWhatChanged),
		{path: "answer_changes", kind: cel.IntType, get: func(s *state) ref.Val { return types.Int(len(s.in.GetAnswerChanges())) }},
		{path: "products.mixed_kinds", kind: cel.BoolType, get: func(s *state) ref.Val {
			return types.Bool(s.productsDiffer(func(p *pb.Product) any { return p.GetKind() }))
		}},
		{path: "products.mixed_alkalis", kind: cel.BoolType, get: func(s *state) ref.Val {
			return types.Bool(s.productsDiffer(func(p *pb.Product) any { return p.GetHydroxideKind() }))
		}},
		named("lot_code", func(s *state) string { return s.lotCode }, func(code string) string { return code }),
	}
}

func productFields(v vocabulary) []field {
	of := func(s *state) *pb.Product { return s.product }
	directions := func(s *state) *pb.Directions { return s.product.GetDirections() }
	return []field{
		text("product.name", of, (*pb.Product).GetName),
		stated(v, "product.kind", of, (*pb.Product).GetKind),
		stated(v, "product.hydroxide_kind", of, (*pb.Product).GetHydroxideKind),
		stated(v, "product.strength", of, (*pb.Product).GetStrength),
		stated(v, "product.use_tier", of, (*pb.Product).GetUseTier),
		stated(v, "product.ph_method", of, (*pb.Product).GetPhMethod),
		{path: "product.declared_ph", kind: cel.NullableType(cel.DoubleType), get: func(s *state) ref.Val {
			if p := of(s); p != nil && p.DeclaredPh != nil && !math.IsNaN(*p.DeclaredPh) {
				return types.Double(*p.DeclaredPh)
			}
			return nil
		}},
		{path: "product.ingredients", kind: cel.ListType(cel.ObjectType("alkalog.v1.Ingredient")), get: func(s *state) ref.Val {
			messages := of(s).GetIngredients()
			return &ingredients{s.book.adapter.NativeToValue(messages).(traits.Lister), messages}
		}},
		listed("product.lots", "Lot", func(s *state) any { return of(s).GetLots() }),
		text("product.safety_data_sheet", of, (*pb.Product).GetSafetyDataSheet),
		counted("product.directions.maximum_minutes", func(s *state) *int32 { return directions(s).MaximumMinutes }, directions),
		counted("product.directions.usual_minutes", func(s *state) *int32 { return directions(s).UsualMinutes }, directions),
		counted("product.directions.strand_test_minutes", func(s *state) *int32 { return directions(s).StrandTestMinutes }, directions),
		counted("product.directions.minimum_age_years", func(s *state) *int32 { return directions(s).MinimumAgeYears }, directions),
		stated(v, "product.directions.base_needed", directions, (*pb.Directions).GetBaseNeeded),
		counted("product.directions.use_within_minutes", func(s *state) *int32 { return directions(s).UseWithinMinutes }, directions),
		counted("product.directions.neutralizer_minutes", func(s *state) *int32 { return directions(s).NeutralizerMinutes }, directions),
		text("product.directions.neutralizer", directions, (*pb.Directions).GetNeutralizer),
		text("product.directions.normalizer", directions, (*pb.Directions).GetNormalizer),
		text("product.directions.neutralizing_shampoo", directions, (*pb.Directions).GetNeutralizingShampoo),
		stated(v, "product.directions.allowed_on_coloured", directions, (*pb.Directions).GetAllowedOnColoured),
		stated(v, "product.directions.allowed_on_lightened", directions, (*pb.Directions).GetAllowedOnLightened),
		stated(v, "product.directions.strand_test_required", directions, (*pb.Directions).GetStrandTestRequired),
	}
}

func peopleFields(v vocabulary) []field {
	practitioner := func(s *state) *pb.Practitioner { return s.in.GetPractitioner() }
	supervisor := func(s *state) *pb.Practitioner { return s.in.GetSupervisor() }
	salon := func(s *state) *pb.Salon { return s.in.GetSalon() }
	return []field{
		text("practitioner.name", practitioner, (*pb.Practitioner).GetName),
		stated(v, "practitioner.role", practitioner, (*pb.Practitioner).GetRole),
		text("practitioner.licence_number", practitioner, (*pb.Practitioner).GetLicenceNumber),
		since("practitioner.licence_expire_time", practitioner, (*pb.Practitioner).GetLicenceExpireTime),
		words("practitioner.salons", func(s *state) []string { return practitioner(s).GetSalons() }),
		text("supervisor.name", supervisor, (*pb.Practitioner).GetName),
		stated(v, "supervisor.role", supervisor, (*pb.Practitioner).GetRole),
		text("supervisor.licence_number", supervisor, (*pb.Practitioner).GetLicenceNumber),
		since("supervisor.licence_expire_time", supervisor, (*pb.Practitioner).GetLicenceExpireTime),
		text("salon.name", salon, (*pb.Salon).GetName),
		stated(v, "salon.jurisdiction", salon, Jurisdiction),
	}
}

func parameterFields() []field {
	of := func(s *state) *pb.PolicyParameters { return s.in.GetParameters() }
	number := func(path string, get func(*pb.PolicyParameters) float64) field {
		return field{path: path, kind: cel.DoubleType, get: func(s *state) ref.Val { return types.Double(get(of(s))) }}
	}
	whole := func(path string, get func(*pb.PolicyParameters) int32) field {
		return field{path: path, kind: cel.IntType, get: func(s *state) ref.Val { return types.Int(get(of(s))) }}
	}
	return []field{
		whole("parameters.shampoo_wait_hours", (*pb.PolicyParameters).GetShampooWaitHours),
		whole("parameters.colour_wait_days", (*pb.PolicyParameters).GetColourWaitDays),
		whole("parameters.relaxer_wait_days", (*pb.PolicyParameters).GetRelaxerWaitDays),
		number("parameters.new_growth_mm", (*pb.PolicyParameters).GetNewGrowthMm),
		whole("parameters.minimum_age_years", (*pb.PolicyParameters).GetMinimumAgeYears),
		whole("parameters.guardian_age_years", (*pb.PolicyParameters).GetGuardianAgeYears),
		whole("parameters.extensions_wait_days", (*pb.PolicyParameters).GetExtensionsWaitDays),
		whole("parameters.smoothing_wait_days", (*pb.PolicyParameters).GetSmoothingWaitDays),
		number("parameters.straightening_cap_percent", (*pb.PolicyParameters).GetStraighteningCapPercent),
		number("parameters.straightening_target_percent", (*pb.PolicyParameters).GetStraighteningTargetPercent),
		whole("parameters.processing_maximum_minutes", (*pb.PolicyParameters).GetProcessingMaximumMinutes),
		whole("parameters.strand_test_minutes", (*pb.PolicyParameters).GetStrandTestMinutes),
		whole("parameters.clearance_days", (*pb.PolicyParameters).GetClearanceDays),
		whole("parameters.test_days", (*pb.PolicyParameters).GetTestDays),
		whole("parameters.flush_minutes", (*pb.PolicyParameters).GetFlushMinutes),
		whole("parameters.absolute_age_years", (*pb.PolicyParameters).GetAbsoluteAgeYears),
		number("parameters.texturizing_target_percent", (*pb.PolicyParameters).GetTexturizingTargetPercent),
		{path: "decide_time", kind: cel.TimestampType, get: func(s *state) ref.Val { return moment(s.in.GetDecideTime()) }},
	}
}

func recordFields() []field {
	card := func(s *state) *pb.RecordCard { return s.in.GetRecordCard() }
	return []field{
		listed("record_card.visits", "Visit", func(s *state) any { return card(s).GetVisits() }),
		since("record_card.next_retouch_time", card, (*pb.RecordCard).GetNextRetouchTime),
		{path: "record_card.days_to_retouch", kind: cel.NullableType(cel.IntType), get: func(s *state) ref.Val {
			if t, ok := moment(card(s).GetNextRetouchTime()).(types.Timestamp); ok {
				return types.Int(-s.daysAgo(t.Time))
			}
			return nil
		}},
	}
}

func zoneFields(v vocabulary) []field {
	of := func(s *state) *pb.HairZone { return s.zone }
	fields := []field{
		stated(v, "zone.zone", of, (*pb.HairZone).GetZone),
		asked(v, "zone.condition", of, (*pb.HairZone).GetCondition),
		asked(v, "zone.porosity", of, (*pb.HairZone).GetPorosity),
		asked(v, "zone.metallic_dye", of, (*pb.HairZone).GetMetallicDye),
		asked(v, "zone.plant_henna", of, (*pb.HairZone).GetPlantHenna),
		asked(v, "zone.hydroxide_kind", of, (*pb.HairZone).GetHydroxideKind).behind("zone.hydroxide.happened"),
	}
	fields = append(fields, happened(v, "zone.thio", of, (*pb.HairZone).GetThio)...)
	fields = append(fields, happened(v, "zone.hydroxide", of, (*pb.HairZone).GetHydroxide)...)
	fields = append(fields, happened(v, "zone.permanent_colour", of, (*pb.HairZone).GetPermanentColour)...)
	fields = append(fields, happened(v, "zone.semi_permanent_colour", of, (*pb.HairZone).GetSemiPermanentColour)...)
	fields = append(fields, happened(v, "zone.lightened", of, (*pb.HairZone).GetLightened)...)
	fields = append(fields, happened(v, "zone.smoothing", of, (*pb.HairZone).GetSmoothing)...)
	return append(fields, zoneKnownFields(v)...)
}

func sectionFields(v vocabulary) []field {
	of := func(s *state) *pb.HeadSection { return s.section }
	return []field{
		text("section.section_id", of, (*pb.HeadSection).GetSectionId),
		asked(v, "section.resistant", of, (*pb.HeadSection).GetResistant),
		asked(v, "section.fragile", of, (*pb.HeadSection).GetFragile),
		asked(v, "section.hairline", of, (*pb.HeadSection).GetHairline),
		elsewhere(v, "section.texture", "consultation.hair.texture", of, (*pb.HeadSection).GetTexture),
		elsewhere(v, "section.curl_type", "consultation.hair.curl_type", of, (*pb.HeadSection).GetCurlType),
		stated(v, "section.porosity", of, (*pb.HeadSection).GetPorosity),
	}
}

// asked is an answer chosen from an enum.
func asked[M any, E protoreflect.Enum](v vocabulary, path string, part func(*state) M, get func(M) E) field {
	f := stated(v, path, part, get)
	given := f.get
	f.asked = true
	f.get = func(s *state) ref.Val {
		if w := given(s); w.(*word).number != 0 {
			return w
		}
		return nil
	}
	return f
}

// stated is an enum that the catalogue or the directory knows.
func stated[M any, E protoreflect.Enum](v vocabulary, path string, part func(*state) M, get func(M) E) field {
	var zero E
	words := v[zero.Descriptor().FullName()]
	return field{path: path, kind: words[0].kind, get: func(s *state) ref.Val { return of(words, get(part(s))) }}
}

// elsewhere is an answer about one section that, when not given, is the head's.
func elsewhere[M any, E protoreflect.Enum](v vocabulary, path, head string, part func(*state) M, get func(M) E) field {
	f := asked(v, path, part, get)
	given := f.get
	f.get = func(s *state) ref.Val {
		if w := given(s); w != nil {
			return w
		}
		return s.value(s.book.index[head])
	}
	return f
}

// happened is a past event: whether, and when last, which is the latest moment
// that fits the answer; and how many calendar days of the salon ago that was.
func happened[M any](v vocabulary, path string, part func(*state) M, get func(M) *pb.PastEvent) []field {
	event := func(s *state) *pb.PastEvent { return get(part(s)) }
	last := field{path: path + ".last_time", kind: cel.TimestampType, asked: true, get: func(s *state) ref.Val {
		if at, ok := s.when(event(s)); ok {
			return types.Timestamp{Time: at.latest}
		}
		return nil
	}}
	ago := derive(path+".days_ago", cel.IntType, func(s *state) ref.Val {
		if at, ok := s.when(event(s)); ok {
			return types.Int(s.daysAgo(at.latest))
		}
		return s.ask(path + ".last_time")
	}, func(s *state) []*pb.SeenAnswer { return s.seenEvent(path, event(s)) })
	return []field{asked(v, path+".happened", event, (*pb.PastEvent).GetHappened), last.behind(path + ".happened"), ago.behind(path + ".happened")}
}

// behind makes a field a question that follows another.
func (f field) behind(path string) field {
	f.after = path
	return f
}

// measured is a reading; one that is no finite number was not taken.
func measured[M any](path string, get func(*state) *float64, part func(*state) *M) field {
	return field{path: path, kind: cel.DoubleType, asked: true, get: func(s *state) ref.Val {
		if part(s) == nil {
			return nil
		}
		if n := get(s); n != nil && !math.IsNaN(*n) && !math.IsInf(*n, 0) {
			return types.Double(*n)
		}
		return nil
	}}
}

// counted is a whole number that the directions may state.
func counted[M any](path string, get func(*state) *int32, part func(*state) *M) field {
	return field{path: path, kind: cel.NullableType(cel.IntType), get: func(s *state) ref.Val {
		if part(s) == nil {
			return nil
		}
		if n := get(s); n != nil {
			return types.Int(*n)
		}
		return nil
	}}
}

// named is an answer that is the name or code of something.
func named[M any](path string, part func(*state) M, get func(M) string) field {
	return field{path: path, kind: cel.StringType, asked: true, get: func(s *state) ref.Val {
		if t := get(part(s)); t != "" {
			return types.String(t)
		}
		return nil
	}}
}

// text is a name or code that the chain knows; empty when there is none.
func text[M any](path string, part func(*state) M, get func(M) string) field {
	return field{path: path, kind: cel.StringType, get: func(s *state) ref.Val { return types.String(get(part(s))) }}
}

// words is a list of names.
func words(path string, get func(*state) []string) field {
	return field{path: path, kind: cel.ListType(cel.StringType), get: func(s *state) ref.Val {
		return s.book.adapter.NativeToValue(get(s))
	}}
}

// listed is a list of the contract's messages.
func listed(path, element string, get func(*state) any) field {
	kind := cel.ListType(cel.ObjectType("alkalog.v1." + element))
	return field{path: path, kind: kind, get: func(s *state) ref.Val { return s.book.adapter.NativeToValue(get(s)) }}
}

// dated is an answer that is a time.
func dated[M any](path string, part func(*state) M, get func(M) *timestamppb.Timestamp) field {
	return field{path: path, kind: cel.TimestampType, asked: true, get: func(s *state) ref.Val { return moment(get(part(s))) }}
}

// since is a time that the directory or the record card may hold.
func since[M any](path string, part func(*state) M, get func(M) *timestamppb.Timestamp) field {
	f := dated(path, part, get)
	f.kind, f.asked = cel.NullableType(cel.TimestampType), false
	return f
}

// momentOr is a time, or the one that stands for it when it was not given.
func momentOr(t, otherwise *timestamppb.Timestamp) ref.Val {
	if t == nil {
		return moment(otherwise)
	}
	return moment(t)
}

// moment is nil for a time that is absent or cannot be an answer. Within three
// centuries every two times can be subtracted.
func moment(t *timestamppb.Timestamp) ref.Val {
	if t == nil || t.CheckValid() != nil {
		return nil
	}
	if at := t.AsTime(); at.Year() >= 1900 && at.Year() < 2150 {
		return types.Timestamp{Time: at}
	}
	return nil
}
