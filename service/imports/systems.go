package imports

import (
	"errors"
	"fmt"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

// Two systems can use one id for two people, and a chain has an external id once. What a
// second system says under such an id would reach the first one's client, and rules would
// judge a head by the history of another. So the item is refused. An id that a person has
// given to a client says no system and is good for all of them.
//
// The system of a stored record is read from the record itself, because that stays as it was
// imported: the digest beside its external id goes with a correction of the client. Each
// record is read once in a batch. What the batch itself has made is of its own system, and
// is known without a read.

// fromAnother returns the result of an item that names, in a field, what another system has
// brought; nil if the record is of this system, or of none.
func (b *batch) fromAnother(field, id string, at storage.External) (*pb.ImportResult, error) {
	system, known := b.systems[at.Client+"/"+at.Record]
	if !known {
		source, err := b.sourceOf(at)
		if err != nil {
			return nil, err
		}
		system = source.GetSystem()
		if source.GetExternalId() != id {
			system = "" // a person has changed the client's id since
		}
		b.systems[at.Client+"/"+at.Record] = system
	}
	if system == "" || system == b.req.System {
		return nil, nil
	}
	return refusedItem(field, fmt.Sprintf("must not be an id that system %q has brought: ids are unique in the chain, so begin all ids of this system with a prefix of its own", system)), nil
}

// An external id does not say whether it is of a record or of an incident, so both are
// looked up. A record that was erased while the batch is judged has no source any more; if
// it matters, the write finds its client gone and is judged again.

// sourceOf reads where a stored record was imported from; nil: a person has made it.
func (b *batch) sourceOf(at storage.External) (*pb.ImportSource, error) {
	source, err := b.storedSource(at)
	if errors.Is(err, storage.ErrNotFound) {
		return nil, nil
	}
	return source, err
}

// storedSource is sourceOf, with ErrNotFound for what is not stored.
func (b *batch) storedSource(at storage.External) (*pb.ImportSource, error) {
	client := b.req.Parent + "/clients/" + at.Client
	if at.Record == "" {
		m, err := storage.Clients.GetUnchecked(b.r, client)
		return m.GetSource(), err
	}
	m, err := storage.ImportedRecords.GetUnchecked(b.r, client+"/importedRecords/"+at.Record)
	if errors.Is(err, storage.ErrNotFound) {
		incident, err := storage.Incidents.GetUnchecked(b.r, client+"/incidents/"+at.Record)
		return incident.GetSource(), err
	}
	return m.GetSource(), err
}
