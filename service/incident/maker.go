package incident

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/storage"
)

// ExportIncident returns one text file for the maker of the product. It is a read
// and stores nothing. The file's name holds the incident's id and nothing of the
// client.
func (s Service) ExportIncident(ctx context.Context, req *pb.ExportIncidentRequest) (*pb.ExportIncidentResponse, error) {
	caller := actor.From(ctx)
	var f makerFile
	err := storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) (err error) {
		f, err = gather(r, caller, req.Name)
		return err
	})
	if err != nil {
		return nil, err
	}
	return &pb.ExportIncidentResponse{Content: []byte(f.text()), FileName: "incident-" + f.incident.Name[strings.LastIndexByte(f.incident.Name, '/')+1:] + ".txt"}, nil
}

// makerFile holds what a report to the maker is written from. The text is written
// after the transaction has ended, so all that it needs is in here.
type makerFile struct {
	incident *pb.Incident
	client   *pb.Client  // nil unless the client agreed
	product  *pb.Product // nil: not known
	salon    *pb.Salon   // whose time zone the times are in
	session  *pb.Session // nil: none
	state    *pb.SessionState
}

// gather reads the incident and the records that belong to it. The caller must be
// allowed to see the incident; its salon, product and session are then read
// unchecked, since the incident already shows them. The client is read only with
// the client's consent to be named, so no later mistake in the text can reveal the
// name. A product that the catalogue does not have is left out.
func gather(r *storage.Snapshot, caller actor.Actor, name string) (f makerFile, err error) {
	if f.incident, err = record.Get(r, caller, storage.Incidents, name); err == nil {
		f.incident, err = record.CurrentIncident(r, caller, f.incident)
	}
	if err != nil {
		return f, err
	}
	name = f.incident.Name
	if f.incident.NameToMaker == pb.Answer_ANSWER_YES {
		if f.client, err = record.Get(r, caller, storage.Clients, record.Parent(name)); err != nil {
			return f, err
		}
	}
	if f.salon, err = record.GetUnchecked(r, storage.Salons, f.incident.Salon); err != nil {
		return f, err
	}
	if f.incident.Product != "" {
		f.product, err = storage.Products.GetUnchecked(r, f.incident.Product)
		if err != nil && !errors.Is(err, storage.ErrNotFound) {
			return f, err
		}
	}
	if f.incident.Session == "" {
		return f, nil
	}
	if f.session, err = record.GetUnchecked(r, storage.Sessions, f.incident.Session); err != nil {
		return f, err
	}
	events, err := storage.Events(r, f.session.Name, 0)
	if err == nil {
		f.state, err = record.State(r, f.session, events, f.session.UpdateTime.AsTime())
	}
	return f, err
}

// text writes the report: what was seen, the product and its lot, and the times of
// the service. It gives no opinion on the cause. Empty values have no line. It
// ends with who must report to the authority: Regulation (EC) No 1223/2009,
// article 23, 2009, and the Federal Food, Drug, and Cosmetic Act, section 605, are
// from memory.
func (f makerFile) text() string {
	var b strings.Builder
	line := func(label, value string) {
		if value != "" {
			fmt.Fprintf(&b, "%-22s %s\n", label+":", value)
		}
	}
	i := f.incident
	b.WriteString("Report of an undesirable effect, for the maker of the product\n\n")
	line("What was seen", words(i.Kind.String(), "INCIDENT_KIND_")+" - not a diagnosis")
	line("When", f.local(i.OccurTime))
	line("Where on the client", words(i.Place.String(), "PLACE_")+sectionSuffix(i.SectionId))
	line("In words", i.Seen)
	line("Blister or open skin", words(i.Blister.String(), "ANSWER_"))
	line("First action", i.FirstAction)
	if i.FlushMinutes != nil {
		line("Minutes of water", fmt.Sprintf("%.0f", i.GetFlushMinutes()))
	}
	line("Referred to a doctor", words(i.Referred.String(), "ANSWER_"))
	b.WriteString("\n")
	line("Product", f.productName())
	line("Lot", i.LotCode)
	line("Safety data sheet", f.product.GetSafetyDataSheet())
	line("Directions, edition", f.product.GetDirections().GetEdition())
	line("Client", f.clientName())
	f.service(line)
	b.WriteString("\n")
	for _, follow := range i.FollowUps {
		line(fmt.Sprintf("Follow-up %d", follow.Number), f.followUp(follow))
	}
	b.WriteString("\nWho must pass it on: in the European Union the responsible person and the distributor report serious undesirable effects\n" +
		"to the authority without delay (Regulation (EC) 1223/2009, art. 23). In the United States the firm on the label reports\n" +
		"serious adverse events within 15 business days (Federal Food, Drug, and Cosmetic Act, s. 605, from memory).\n")
	return b.String()
}

// service writes the times of the service as the facts show them: contact and
// water for each section, exposure in minutes.
func (f makerFile) service(line func(label, value string)) {
	if f.session == nil {
		return
	}
	line("Service begun", f.local(f.session.StartTime))
	for _, s := range f.state.Sections {
		if s.FirstContactTime == nil {
			continue
		}
		line("Section "+s.SectionId, fmt.Sprintf("first contact %s, water %s, %.1f minutes", f.local(s.FirstContactTime), f.local(s.RinseTime), s.ExposureMinutes))
	}
	line("Discomfort reported", f.local(f.state.DiscomfortTime))
	line("Neutralizing lathers", fmt.Sprint(f.state.Shampoos))
}

// productName is what the salon calls the product. A report without it is still
// made: the lot and the day may be enough to find it.
func (f makerFile) productName() string {
	if f.product == nil {
		return "not known"
	}
	return f.product.DisplayName
}

// clientName is the client's name if the client agreed, or why there is none.
func (f makerFile) clientName() string {
	if f.client == nil {
		return "not named: the client did not agree, or was not asked"
	}
	return f.client.DisplayName
}

// followUp describes one follow-up: when it is due, or when and how it was
// answered.
func (f makerFile) followUp(u *pb.FollowUp) string {
	if u.DoneTime == nil {
		return "due " + f.local(u.DueTime)
	}
	text := f.local(u.DoneTime) + ", " + words(u.Channel.String(), "FOLLOW_UP_CHANNEL_")
	if u.Worse != pb.Answer_ANSWER_UNSPECIFIED {
		text += ", worse: " + words(u.Worse.String(), "ANSWER_")
	}
	if u.DoctorSeen != pb.Answer_ANSWER_UNSPECIFIED {
		text += ", doctor seen: " + words(u.DoctorSeen.String(), "ANSWER_")
	}
	if u.Text != "" {
		text += ": " + u.Text
	}
	return text
}

// local writes a time as the salon's clock showed it, with the offset from UTC,
// since the maker may be in another time zone. Empty for no time.
func (f makerFile) local(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().In(record.Zone(f.salon)).Format("2006-01-02 15:04:05 -07:00")
}

// words turns the name of an enum value into words; empty for one that is not
// stated.
func words(value, prefix string) string {
	value = strings.TrimPrefix(value, prefix)
	if value == "UNSPECIFIED" {
		return ""
	}
	return strings.ToLower(strings.ReplaceAll(value, "_", " "))
}

// sectionSuffix is the section as an addition to a place; empty for none.
func sectionSuffix(id string) string {
	if id == "" {
		return ""
	}
	return ", section " + id
}
