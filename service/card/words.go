package card

import (
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// enumWords turns the name of an enum value into words, or returns other when it
// is not stated. prefix is that of the enum, such as "COMFORT_". A new value of
// the contract needs no text here.
func enumWords(value, prefix, other string) string {
	value = strings.TrimPrefix(value, prefix)
	if value == "UNSPECIFIED" {
		return other
	}
	return strings.ToLower(strings.ReplaceAll(value, "_", " "))
}

// incidentWords says what went wrong and where. A section is named rather than a
// place, since it is closer.
func incidentWords(i *pb.Incident) string {
	what := enumWords(i.Kind.String(), "INCIDENT_KIND_", "an incident")
	switch {
	case i.SectionId != "":
		return what + " at " + i.SectionId
	case i.Place == pb.Place_PLACE_EYE_LEFT, i.Place == pb.Place_PLACE_EYE_RIGHT:
		return "product in the " + strings.TrimPrefix(enumWords(i.Place.String(), "PLACE_EYE_", ""), " ") + " eye"
	case i.Kind == pb.IncidentKind_INCIDENT_KIND_EYE:
		return "product in an eye"
	}
	return what
}

// incidentLine is an incident and its state in one line. Minutes of water and
// follow-ups are those recorded so far.
func incidentLine(i *pb.Incident, zones Zones) string {
	line := zones.day(i.Salon, i.OccurTime.AsTime()) + ": " + incidentWords(i)
	if i.FlushMinutes != nil {
		line += fmt.Sprintf(", %.0f min of water", i.GetFlushMinutes())
	}
	if i.Referred == pb.Answer_ANSWER_YES {
		line += ", referred to a doctor"
	}
	// An imported one has no follow-ups here, and "0 of 0 done" would look like a lack.
	if i.Origin == pb.IncidentOrigin_INCIDENT_ORIGIN_IMPORTED {
		return line + "; imported from " + i.GetSource().GetSystem()
	}
	done := 0
	for _, f := range i.FollowUps {
		if f.DoneTime != nil {
			done++
		}
	}
	return line + fmt.Sprintf("; %d of %d follow-ups done", done, len(i.FollowUps))
}

// deviationWords is a deviation in a few words. Its message is left out: it may
// name what the card does not show.
func deviationWords(d *pb.Deviation) string {
	what := enumWords(d.Kind.String(), "DEVIATION_KIND_", "a deviation")
	if d.SectionId != "" {
		what += " at " + d.SectionId
	}
	return what
}

// ruleWords is a rule with its subject.
func ruleWords(rule, subject string) string {
	if subject == "" {
		return rule
	}
	return rule + " (" + subject + ")"
}

// lastSegment is the last segment of a resource name. The name of a practitioner
// is an id and no display name, which a card does not look up.
func lastSegment(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

// unique drops repeated lines and keeps the order.
func unique(lines []string) []string {
	var kept []string
	for _, l := range lines {
		if !slices.Contains(kept, l) {
			kept = append(kept, l)
		}
	}
	return kept
}
