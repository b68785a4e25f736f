package record

import pb "alkalog/proto/alkalogv1"

// The texts are constants of the program and need no database, so a till can
// fetch them once and show them while it is offline. They are instructions for the first minutes and never a diagnosis.
const (
	// firstAidVersion is raised with every change of the texts.
	firstAidVersion = 1
	// firstAidSource says what the texts rest on. It is part of each text, so
	// that an owner can judge it.
	firstAidSource = "The product's safety data sheet comes first. Fifteen minutes of water and medical help: common first-aid advice, from memory; " +
		"Regulation (EC) 1223/2009, Annex III, entries 15a to 15c, names contact with eyes and blindness on the label."
)

// FirstAid is what to do first, for everything that can go wrong: reviewed
// English, with the emergency number of the place. There is one text for each
// kind of incident that the contract has.
func FirstAid(number string) []*pb.FirstAidText {
	call := "Call " + number + " at once for trouble breathing, a swollen face, or when the client faints."
	doctor := "Then to a doctor or a hospital, with the pack and its safety data sheet."
	lines := []struct {
		id   string
		kind pb.IncidentKind
		do   []string
	}{
		{"first-aid.burn", pb.IncidentKind_INCIDENT_KIND_BURN, []string{
			"Rinse now, with plenty of lukewarm water.", "Keep the water running for at least 15 minutes, and on until medical help says stop.",
			"Put nothing else on it: no acid, no cream.", doctor, call}},
		{"first-aid.eye", pb.IncidentKind_INCIDENT_KIND_EYE, []string{
			"Water into the eye now. Hold the lids open.", "Take contact lenses out if that is easy; do not stop the water for it.",
			"Rinse from the nose outwards for at least 15 minutes, and on until medical help says stop.", "Call " + number + " while the water runs.", doctor}},
		{"first-aid.skin", pb.IncidentKind_INCIDENT_KIND_SKIN, []string{
			"Rinse the skin now, for at least 15 minutes.", "Take off clothing and jewellery that product is on.", doctor, call}},
		{"first-aid.breakage", pb.IncidentKind_INCIDENT_KIND_BREAKAGE, []string{
			"Rinse now if product is on the hair.", "No heat, no combing through, nothing chemical today.", "Look at the scalp and write down what you see."}},
		{"first-aid.hair-loss", pb.IncidentKind_INCIDENT_KIND_HAIR_LOSS, []string{
			"Rinse now if product is on the hair.", "Keep what came out.", "Send the client to a doctor within days; say what was used."}},
		{"first-aid.reaction", pb.IncidentKind_INCIDENT_KIND_REACTION, []string{
			"Rinse now if product is on.", call, "Stay with the client."}},
		{"first-aid.not-neutralized", pb.IncidentKind_INCIDENT_KIND_NOT_NEUTRALIZED, []string{
			"Ask the client back today: rinse, normalizer, neutralizing shampoo until the lather stays clear.", "It burns or itches: rinse now, then a doctor."}},
		{"first-aid.other", pb.IncidentKind_INCIDENT_KIND_OTHER, []string{
			"Rinse now if product is on.", "In doubt, ask a doctor.", call}},
	}
	var texts []*pb.FirstAidText
	for _, l := range lines {
		texts = append(texts, &pb.FirstAidText{TextId: l.id, Version: firstAidVersion, Language: "en", Kind: l.kind, Instructions: l.do, Source: firstAidSource})
	}
	return texts
}
