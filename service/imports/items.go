package imports

import (
	"errors"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// message makes of an item the message that is stored, and says where it will be. An error
// about a field of the item is a fault.Error.
func (b *batch) message(item *pb.ImportItem, client string) (proto.Message, storage.External, error) {
	name := b.req.Parent + "/clients/" + client
	switch {
	case item.GetClient() != nil:
		m, err := b.client(item, name)
		return m, storage.External{Client: client}, err
	case item.GetIncident() != nil:
		id := storage.NewID()
		m, err := b.incident(item, name+"/incidents/"+id)
		return m, storage.External{Client: client, Record: id}, err
	}
	id := storage.NewID()
	m, err := b.record(item, name+"/importedRecords/"+id)
	return m, storage.External{Client: client, Record: id}, err
}

// A client or an incident of the contract can hold more than an import may bring: a legal hold,
// a session, a photo, follow-ups. Who sends such a field means something by it, so the item is
// refused and not stored without it.

// notTaken refuses fields that an import does not take: storing the rest would drop them
// without a word. taken has what is taken of given.
func notTaken(given, taken proto.Message, field, which string) error {
	given = proto.Clone(given)
	record.Clear(given)
	if !proto.Equal(given, taken) {
		return fault.Invalid(field, "must have no other fields than "+which)
	}
	return nil
}

// client makes a client of an item.
func (b *batch) client(item *pb.ImportItem, name string) (*pb.Client, error) {
	given := item.GetClient()
	m := &pb.Client{DisplayName: given.DisplayName, Phone: given.Phone, Email: given.Email, BirthDate: given.BirthDate}
	if err := notTaken(given, m, "client", "display_name, phone, email and birth_date"); err != nil {
		return nil, err
	}
	if err := record.CheckBirthDate("client.birth_date", m.BirthDate, b.now); err != nil {
		return nil, err
	}
	m.Name, m.ExternalId, m.Source = name, item.ExternalId, b.source(item)
	m.CreateTime, m.UpdateTime = timestamppb.New(b.now), timestamppb.New(b.now)
	return m, nil
}

// furthestEast is the time zone in which a day begins first. A record says no time zone,
// so a date is in the future only if it is everywhere.
const furthestEast = 14 * time.Hour

// record makes an imported record of an item.
func (b *batch) record(item *pb.ImportItem, name string) (*pb.ImportedRecord, error) {
	m := proto.CloneOf(item.GetRecord())
	record.Clear(m)
	first, _, ok := rules.DateSpan(m.Date, time.UTC)
	switch {
	case !ok:
		return nil, fault.Invalid("record.date", "must be a day, a month or a year from 1900 on, such as 2024-05-17, 2024-05 or 2024")
	case first.After(b.now.Add(furthestEast)):
		return nil, fault.Invalid("record.date", "must not be in the future")
	case m.HydroxideKind != 0 && !slices.Contains(m.Works, pb.ImportedWork_IMPORTED_WORK_HYDROXIDE):
		return nil, fault.Invalid("record.hydroxide_kind", "must not be stated unless works has IMPORTED_WORK_HYDROXIDE")
	case len(m.Works) == 0 && len(m.Warnings) == 0 && m.Remarks == "" && m.ResultText == "":
		return nil, fault.Invalid("record", "must have works, warnings, result_text or remarks")
	}
	m.Name, m.CreateTime, m.Source = name, timestamppb.New(b.now), b.source(item)
	return m, nil
}

// The salon of an incident is the one that answers for the client now, so that a person there
// finds it; where it happened can be said in words.

// incident makes an incident of an item. It is over as far as follow-ups go: nobody here is
// late with one. What it means for decisions is for the rules to say.
func (b *batch) incident(item *pb.ImportItem, name string) (*pb.Incident, error) {
	given := item.GetIncident()
	m := &pb.Incident{Kind: given.Kind, OccurTime: given.OccurTime, Place: given.Place, SectionId: given.SectionId, Blister: given.Blister,
		Seen: given.Seen, FirstAction: given.FirstAction, FlushMinutes: given.FlushMinutes, Advice: given.Advice, Referred: given.Referred, Salon: given.Salon}
	if err := notTaken(given, m, "incident", "kind, occur_time, place, section_id, blister, seen, first_action, flush_minutes, advice, referred and salon"); err != nil {
		return nil, err
	}
	switch {
	case m.OccurTime == nil:
		return nil, fault.Invalid("incident.occur_time", "must be the time at which it happened")
	case m.OccurTime.AsTime().After(b.now):
		return nil, fault.Invalid("incident.occur_time", "must not be in the future")
	}
	if err := b.salon(m.Salon); err != nil {
		return nil, err
	}
	m.Name, m.Origin, m.State, m.Source = name, pb.IncidentOrigin_INCIDENT_ORIGIN_IMPORTED, pb.IncidentState_INCIDENT_STATE_FOLLOWED_UP, b.source(item)
	m.CreateTime, m.UpdateTime = timestamppb.New(b.now), timestamppb.New(b.now)
	return m, nil
}

// salon checks that a salon is one of the chain, once for each.
func (b *batch) salon(name string) error {
	err, known := b.salons[name]
	if !known {
		if _, err = storage.Salons.GetUnchecked(b.r, name); errors.Is(err, storage.ErrNotFound) {
			err = fault.Invalid("incident.salon", "must be a salon of "+b.req.Parent)
		}
		b.salons[name] = err
	}
	return err
}
