package record

import (
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/timing"
	"alkalog/storage"
)

// readSections puts the sections to be treated into a decision's inputs, with the
// products of those that take a product of their own. A section that the head
// does not have is an error: a decision on it would be about nothing. No stated
// section means the whole head. A section may have another product than the rest,
// each at most one; product and lot are decided on like the main one.
func readSections(r *storage.Snapshot, caller actor.Actor, in *pb.DecisionInputs, req *pb.CheckEligibilityRequest) error {
	known := timing.SectionIDs(in)
	for i, id := range req.GetSectionIds() {
		if !slices.Contains(known, id) {
			return fault.Invalid(fmt.Sprintf("section_ids[%d]", i), notASection(id, known))
		}
	}
	treated := known
	if len(req.GetSectionIds()) > 0 {
		treated = req.GetSectionIds()
	}
	for i, choice := range req.GetSectionChoices() {
		if !slices.Contains(treated, choice.GetSectionId()) {
			return fault.Invalid(fmt.Sprintf("section_choices[%d].section_id", i), notASection(choice.GetSectionId(), treated))
		}
		product, err := Get(r, caller, storage.Products, choice.GetProduct())
		if err != nil {
			return err
		}
		in.SectionProducts = append(in.SectionProducts, &pb.SectionProduct{
			SectionId: choice.GetSectionId(), Product: product, LotCode: choice.GetLotCode()})
	}
	in.SectionIds = req.GetSectionIds()
	return nil
}

// notASection says which sections there are. The list lets a till offer the right
// ones.
func notASection(id string, known []string) string {
	return fmt.Sprintf("must be a section that is to be treated, one of %s; there is no %q among them", strings.Join(known, ", "), id)
}
