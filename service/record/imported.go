package record

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/rules"
	"alkalog/storage"
)

// Imported records are read for two purposes only: to show them, marked as what they are,
// and to make decisions stricter. Nothing is learned from them, and they are neither
// visits nor deviations.

// Linked clients are one person, so the imported records of all of them count.

// importedAtATime is how many imported records are read at once. Our own choice; it bounds
// the memory of one query.
const importedAtATime = 500

// Imported incidents are read with all other incidents of the client, and are marked by their
// origin. Work and warnings are read here.

// ImportedPlan adds what Imported reads of a client to a plan.
func ImportedPlan(p *storage.Plan, client string) {
	storage.ImportedRecords.WantList(p, client, storage.Page{Size: importedAtATime})
}

// Imported reads all imported records of linked clients, the newest day first. No number of
// newer ones hides an older one.
func Imported(r *storage.Snapshot, clients []string) ([]*pb.ImportedRecord, error) {
	all, err := OfEach(clients, func(client string) (all []*pb.ImportedRecord, _ error) {
		for page := (storage.Page{Size: importedAtATime}); ; {
			records, next, err := storage.ImportedRecords.List(r, client, page)
			if err != nil {
				return nil, err
			}
			all = append(all, records...)
			if page.Token = next; next == "" {
				return all, nil
			}
		}
	})
	if err != nil {
		return nil, err
	}
	slices.SortStableFunc(all, func(a, b *pb.ImportedRecord) int {
		return cmp.Or(cmp.Compare(b.GetDate().GetYear(), a.GetDate().GetYear()), cmp.Compare(b.GetDate().GetMonth(), a.GetDate().GetMonth()),
			cmp.Compare(b.GetDate().GetDay(), a.GetDate().GetDay()))
	})
	return all, nil
}

// Of a record without a date that exists, the work counts as done now, see package rules.

// importedWork is the chemical work that imported records tell of, newest first. A date is
// a day in the given time zone; of a month or a year any moment fits, so it has a span.
func importedWork(records []*pb.ImportedRecord, zone *time.Location) []*pb.HistoryFact {
	var facts []*pb.HistoryFact
	for _, r := range records {
		earliest, latest, ok := rules.DateSpan(r.GetDate(), zone)
		for _, w := range r.Works {
			f := &pb.HistoryFact{Source: pb.HistorySource_HISTORY_SOURCE_IMPORTED, Work: pb.ChemicalWork(w), Zone: zoneNow(r.Zone), Happened: pb.Answer_ANSWER_YES}
			if ok {
				f.EarliestTime, f.LatestTime = timestamppb.New(earliest), timestamppb.New(latest)
			}
			facts = append(facts, f)
		}
	}
	return facts
}

// Only new growth moves; other hair is where it was, until it is cut.

// zoneNow is where hair is now that was in a zone then: new growth is mid-strand since.
func zoneNow(then pb.Zone) pb.Zone {
	if then == pb.Zone_ZONE_NEW_GROWTH {
		return pb.Zone_ZONE_MID_STRAND
	}
	return then
}

// A warning that several old cards give is one warning. The order is that of the
// contract, so that the same records give the same inputs.

// importedWarnings is what imported records warn of, each once.
func importedWarnings(records []*pb.ImportedRecord) []pb.Warning {
	var warnings []pb.Warning
	for _, r := range records {
		warnings = append(warnings, r.Warnings...)
	}
	slices.Sort(warnings)
	return slices.Compact(warnings)
}

// A client has few imported records, and all of them are read for each decision: the oldest
// may hold the only warning.

// Each work of a record is a fact of its own, as for our own visits, because a rule asks about
// one kind at a time.

// readImported adds what imported records tell to the inputs of a decision. Imported
// incidents are among the client's incidents already.
func readImported(r *storage.Snapshot, clients []string, in *pb.DecisionInputs) error {
	records, err := Imported(r, clients)
	if err != nil {
		return err
	}
	in.RecordedWork = append(in.RecordedWork, importedWork(records, Zone(in.Salon))...)
	in.ImportedWarnings = importedWarnings(records)
	return nil
}
