package rules

import (
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// Law differs by place, and the rules of all places are in one policy: each names where
// it holds. A salon that does not say where it is is held to all of them; that is
// inconvenient, on purpose, and the way out is to say where it is.

// Jurisdiction is whose rules a salon works under: the pack that it states, or the
// one that its region code selects where that says more. Unspecified holds the
// salon to every pack.
// What a salon states counts before its region code; only within the US the code may
// say more.
func Jurisdiction(salon *pb.Salon) pb.Jurisdiction {
	stated := salon.GetJurisdiction()
	region := OfRegion(salon.GetRegionCode())
	if stated == pb.Jurisdiction_JURISDICTION_UNSPECIFIED || stated == pb.Jurisdiction_JURISDICTION_US && partOf(region, stated) {
		return region
	}
	return stated
}

// OfRegion is the pack of an ISO 3166-1 or 3166-2 code; unspecified when there is
// none for it. Member states of the EU, and Iceland, Liechtenstein and Norway,
// where the Cosmetics Regulation holds through the EEA Agreement (from memory).
// Of a code the country counts, but for the states of the US that have a pack of
// their own.
func OfRegion(code string) pb.Jurisdiction {
	switch code {
	case "US-TX":
		return pb.Jurisdiction_JURISDICTION_US_TEXAS
	case "US-CA":
		return pb.Jurisdiction_JURISDICTION_US_CALIFORNIA
	case "US-MD":
		return pb.Jurisdiction_JURISDICTION_US_MARYLAND
	}
	switch country, _, _ := strings.Cut(code, "-"); country {
	case "US":
		return pb.Jurisdiction_JURISDICTION_US
	case "GB":
		return pb.Jurisdiction_JURISDICTION_UK
	case "AT", "BE", "BG", "CY", "CZ", "DE", "DK", "EE", "ES", "FI", "FR", "GR", "HR", "HU", "IE", "IT", "LT", "LU", "LV", "MT",
		"NL", "PL", "PT", "RO", "SE", "SI", "SK", "IS", "LI", "NO":
		return pb.Jurisdiction_JURISDICTION_EU
	}
	return pb.Jurisdiction_JURISDICTION_UNSPECIFIED
}

// Contradicts tells whether a region code and a jurisdiction cannot both be right.
// "US" and a state of the US can; so can a code and no stated jurisdiction.
func Contradicts(code string, stated pb.Jurisdiction) bool {
	if code == "" || stated == pb.Jurisdiction_JURISDICTION_UNSPECIFIED {
		return false
	}
	region := OfRegion(code)
	if code == "US" {
		return !partOf(stated, pb.Jurisdiction_JURISDICTION_US)
	}
	return !partOf(region, stated)
}

// partOf tells whether a place is the other one or a part of it.
// Only the US has parts here.
func partOf(place, whole pb.Jurisdiction) bool {
	switch place {
	case whole:
		return true
	case pb.Jurisdiction_JURISDICTION_US_TEXAS, pb.Jurisdiction_JURISDICTION_US_CALIFORNIA, pb.Jurisdiction_JURISDICTION_US_MARYLAND:
		return whole == pb.Jurisdiction_JURISDICTION_US
	}
	return false
}

// licenses tells whether a place licenses hairdressers: the states of the US do,
// the United Kingdom does not and member states of the EU differ (from memory).
// A place not stated, or not known here, counts as one that does.
func licenses(place pb.Jurisdiction) bool {
	return place != pb.Jurisdiction_JURISDICTION_EU && place != pb.Jurisdiction_JURISDICTION_UK
}
