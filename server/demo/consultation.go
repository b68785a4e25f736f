package demo

import (
	"time"

	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// healthyConsultation is a complete consultation with a healthy scalp and untreated
// hair. Each part of the story changes the answers that it is about. It is complete
// on purpose: what a part leaves out is then the only thing that is asked.
func healthyConsultation(salon string, by person, now time.Time) *pb.Consultation {
	return &pb.Consultation{
		Salon: salon, Practitioner: by.name,
		Wishes: &pb.Wishes{
			ServiceKind:          pb.ServiceKind_SERVICE_KIND_VIRGIN,
			StraighteningPercent: proto.Float64(70),
			Words:                "softer, not poker straight",
		},
		// What was seen, felt and measured.
		Scalp: healthyScalp(),
		Hair:  untreatedHair(),
		Tests: passedTests(by, now),
		// What the client said, and agreed to after the risks were explained.
		History: emptyHistory(now),
		Consent: &pb.Consent{Agreed: yes, Explained: yes, AgreeTime: timestamppb.New(now), AgeYears: proto.Int32(34)},
	}
}

// healthyScalp has an answer to every question; an omitted answer means not
// examined. The ten findings are those that a stylist looks for before any chemical
// service.
func healthyScalp() *pb.ScalpAnalysis {
	return &pb.ScalpAnalysis{
		BrokenSkin: no, Sores: no, InfectionSigns: no, InfestationSigns: no, Redness: no,
		Swelling: no, Burns: no, Eruption: no, Flaking: no, Tender: no, Scratched: didNotHappen(),
	}
}

// untreatedHair is medium, thick, tightly curled hair in three sections: crown,
// nape and edges. The hairline is a section of its own, since it is the most
// delicate.
func untreatedHair() *pb.HairAnalysis {
	return &pb.HairAnalysis{
		Texture: pb.Texture_TEXTURE_MEDIUM, Density: pb.Density_DENSITY_HIGH, CurlType: pb.CurlType_CURL_TYPE_VI,
		CurlIndex: proto.Float64(3.4), LengthMm: proto.Float64(240), NewGrowthMm: proto.Float64(0),
		Zones: []*pb.HairZone{
			untreated(pb.Zone_ZONE_NEW_GROWTH), untreated(pb.Zone_ZONE_MID_STRAND), untreated(pb.Zone_ZONE_ENDS),
		},
		Sections: []*pb.HeadSection{
			{SectionId: "crown", Resistant: no, Fragile: no, Hairline: no},
			{SectionId: "nape", Resistant: no, Fragile: no, Hairline: no},
			{SectionId: "edges", Resistant: no, Fragile: no, Hairline: yes},
		},
	}
}

// untreated is a zone of the strand without any chemical service. Each kind of
// earlier work is answered, because each excludes something.
func untreated(zone pb.Zone) *pb.HairZone {
	return &pb.HairZone{
		Zone: zone, Condition: pb.HairCondition_HAIR_CONDITION_SOUND, Porosity: pb.Porosity_POROSITY_NORMAL,
		Thio: didNotHappen(), Hydroxide: didNotHappen(), PermanentColour: didNotHappen(), SemiPermanentColour: didNotHappen(),
		Lightened: didNotHappen(), MetallicDye: no, PlantHenna: no, Smoothing: didNotHappen(),
	}
}

// passedTests are yesterday's tests with good results. The strand test was made
// with the product that is to be used; another one would be a condition.
func passedTests(by person, now time.Time) *pb.PreliminaryTests {
	return &pb.PreliminaryTests{
		Elasticity: pb.ElasticityReading_ELASTICITY_READING_NORMAL, WetStretchPercent: proto.Float64(45),
		Incompatibility: pb.IncompatibilityReading_INCOMPATIBILITY_READING_CLEAR,
		Strand:          pb.StrandReading_STRAND_READING_SOUND, StrandProduct: regular, StrandMinutes: proto.Float64(13),
		TestTime: timestamppb.New(now.Add(-20 * time.Hour)), Tester: by.name,
	}
}

// emptyHistory is a history without findings. The last shampoo was four days ago,
// because a freshly washed scalp burns sooner.
func emptyHistory(now time.Time) *pb.ClientHistory {
	return &pb.ClientHistory{
		// What was done to the hair.
		Shampoo: happenedDaysAgo(now, 4), ExtensionsRemoved: didNotHappen(), ExtensionsIn: no, Relaxer: didNotHappen(),
		// Health: each cause is asked by itself, because a doctor's word clears only one.
		BadReaction: no, Allergy: no, Pregnancy: no, Medication: no, RecentIllness: no, HairLoss: no,
		ThinningCrown: no, ThinningEdges: no, BreakageLines: no, Keloids: no, ScalpSteroids: no, ContactLenses: no, GloveAllergy: no,
		Isotretinoin: didNotHappen(), CancerTreatment: didNotHappen(),
		MedicalClearance: no, UndescribedWork: no,
	}
}

// didNotHappen is the answer "no", which differs from no answer.
func didNotHappen() *pb.PastEvent { return &pb.PastEvent{Happened: no} }

// happenedDaysAgo is the answer "yes", with its time. Times are instants here; a
// client who knows only the day or the month gives a date.
func happenedDaysAgo(now time.Time, days int) *pb.PastEvent {
	return &pb.PastEvent{Happened: yes, LastTime: timestamppb.New(now.AddDate(0, 0, -days))}
}
