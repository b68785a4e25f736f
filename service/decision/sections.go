package decision

import (
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/timing"
	"alkalog/storage"
)

// readSections puts the sections that are to be treated, and the products of those
// that take another one than the rest, into a decision's inputs. A section that the
// head does not have is bad input: a decision on it would judge nothing.
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
		product, err := record.Get(r, caller, storage.Products, choice.GetProduct())
		if err != nil {
			return err
		}
		in.SectionProducts = append(in.SectionProducts, &pb.SectionProduct{
			SectionId: choice.GetSectionId(), Product: product, LotCode: choice.GetLotCode()})
	}
	in.SectionIds = req.GetSectionIds()
	return nil
}

func notASection(id string, known []string) string {
	return fmt.Sprintf("must be a section that is to be treated, one of %s; there is no %q among them", strings.Join(known, ", "), id)
}
