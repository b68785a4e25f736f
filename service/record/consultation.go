package record

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/texts"
	"alkalog/storage"
)

// ConsultationInput checks the answers of a consultation of a client: what the
// contract's rules of input cannot say by themselves, because it takes the clock
// or other records. A consultation that is stored and one that a what-if brings
// along obey the same checks, so a what-if cannot be decided on answers that
// could never be stored. path is where the consultation stands in the request,
// "consultation" or "inline", and starts the name of the field in each error.
// Errors: NOT_FOUND for a record that the answers name, INVALID_ARGUMENT for
// answers that contradict one another or lie in the future.
func ConsultationInput(path, client string, k *pb.Consultation, now time.Time) Check {
	checks := []Check{
		Exist(storage.Salons, k.GetSalon()),
		Exist(storage.Practitioners, k.GetPractitioner(), k.GetTests().GetTester()),
		Exist(storage.Products, k.GetTests().GetStrandProduct()),
		consistent(path, k),
		past(path, k, now),
		agreedText(path+".consent", k.GetConsent()),
	}
	for i, w := range k.GetHistory().GetDoctorsWords() {
		checks = append(checks, wordOf(fmt.Sprintf("%s.history.doctors_words[%d].incident", path, i), client, w.GetIncident()))
	}
	return All(checks...)
}

// agreedText checks that the text which a client agreed to is one of the server's, by
// version, language and digest. A consent to words that nobody can show again is
// worth nothing in a dispute. A salon that uses another text names none.
func agreedText(path string, consent *pb.Consent) Check {
	return func(*storage.Snapshot, actor.Actor) error {
		version, lang, digest := consent.GetTextVersion(), consent.GetLanguage(), consent.GetDigest()
		if version == "" {
			if lang+digest == "" {
				return nil
			}
			return fault.Invalid(path+".text_version", "must be given with language and digest")
		}
		text, found := texts.ConsentText(version, lang)
		switch {
		case !found:
			return fault.Invalid(path+".text_version", "must be a version of the consent text, such as "+texts.CurrentConsent)
		case text.Language != lang:
			return fault.Invalid(path+".language", "must be a language that this version of the consent text has, such as "+text.Language)
		case text.Digest != digest:
			return fault.Invalid(path+".digest", "must be the SHA-256 of that version of the consent text: "+text.Digest)
		}
		return nil
	}
}

// wordOf checks that a doctor's word names an incident of the client. The word
// lifts a block that the incident set, so one about another person must not pass.
func wordOf(field, client, incident string) Check {
	return func(r *storage.Snapshot, caller actor.Actor) error {
		if incident != "" && !strings.HasPrefix(incident, client+"/") {
			// A client may be entered twice; the incident can be on the other record.
			clients, err := LinkedNames(r, client)
			if err != nil {
				return err
			}
			if !slices.Contains(clients, Parent(incident)) {
				return fault.Invalid(field, "must be an incident of "+client).Naming("client", client)
			}
		}
		return Exist(storage.Incidents, incident)(r, caller)
	}
}

// overStretched is the wet stretch in percent from which elasticity cannot be
// called normal: beyond two thirds the hair counts as damaged (teaching pages).
const overStretched = 100 * 2.0 / 3

// consistent refuses tests that contradict one another. Only what no hair can
// show at once is refused; unlikely answers are for the rules to judge.
func consistent(path string, k *pb.Consultation) Check {
	return func(*storage.Snapshot, actor.Actor) error {
		tests := k.GetTests()
		if tests.GetElasticity() == pb.ElasticityReading_ELASTICITY_READING_NORMAL && tests.GetWetStretchPercent() > overStretched {
			return fault.Invalid(path+".tests.elasticity", "must not be normal when wet_stretch_percent is above 66.7")
		}
		return nil
	}
}

// clockTolerance is how far a time that states the past may lie ahead of the
// server's clock, because the clocks of tills differ. Our own choice.
const clockTolerance = 5 * time.Minute

// past checks every time and date that a consultation states: all of them state
// the past. Dates are days in the salon's time zone. All violations are reported
// at once, sorted by field, so a till can mark every field that is wrong.
func past(path string, k *pb.Consultation, now time.Time) Check {
	return func(r *storage.Snapshot, caller actor.Actor) error {
		salon, err := Get(r, caller, storage.Salons, k.GetSalon())
		if err != nil {
			return err
		}
		v := pastCheck{now: now, today: now.In(Zone(salon))}
		v.walk(path, k.ProtoReflect())
		slices.SortFunc(v.found, func(a, b fault.Violation) int { return strings.Compare(a.Field, b.Field) })
		if len(v.found) > 0 {
			return fault.InvalidFields(v.found...)
		}
		return nil
	}
}

// pastCheck collects what is wrong with the times of a message. It walks the
// message by reflection, so a time or date that is added to the contract is
// checked without a change here.
type pastCheck struct {
	// today is the date in the salon.
	now, today time.Time
	found      []fault.Violation
}

// setByServer are the times of a consultation that are no answers.
var setByServer = map[protoreflect.Name]bool{"create_time": true, "update_time": true, "submit_time": true, "give_time": true}

// walk checks a message and the messages in it. A time and a date for the same
// event are refused, since nobody could say which counts.
func (v *pastCheck) walk(path string, m protoreflect.Message) {
	if e, ok := m.Interface().(*pb.PastEvent); ok && e.GetLastTime() != nil && e.GetLastDate() != nil {
		v.report(path+".last_date", "must be left out when last_time is given")
	}
	v.never(path, m)
	m.Range(func(f protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		at := path + "." + string(f.Name())
		switch {
		case f.Message() == nil || setByServer[f.Name()]:
		case f.IsList():
			for i := range value.List().Len() {
				v.value(fmt.Sprintf("%s[%d]", at, i), value.List().Get(i).Message())
			}
		default:
			v.value(at, value.Message())
		}
		return true
	})
}

// never reports what is said of something that is said never to have happened. A
// date beside a NO is a slip of the finger in one of the two; guessing which
// would be guessing about a chemical service.
func (v *pastCheck) never(path string, m protoreflect.Message) {
	const no = pb.Answer_ANSWER_NO
	switch m := m.Interface().(type) {
	case *pb.PastEvent:
		if m.GetHappened() == no && m.GetLastTime() != nil {
			v.report(path+".last_time", "must be left out when happened is NO")
		}
		if m.GetHappened() == no && m.GetLastDate() != nil {
			v.report(path+".last_date", "must be left out when happened is NO")
		}
	case *pb.HairZone:
		if m.GetHydroxide().GetHappened() == no && m.GetHydroxideKind() != 0 {
			v.report(path+".hydroxide_kind", "must be left out when hydroxide.happened is NO")
		}
	}
}

// value checks one field that holds a message: a time, a date, or a message with
// fields of its own.
func (v *pastCheck) value(path string, m protoreflect.Message) {
	switch m := m.Interface().(type) {
	case *timestamppb.Timestamp:
		if m.AsTime().After(v.now.Add(clockTolerance)) {
			v.report(path, fmt.Sprintf("must not lie in the future: it is %s, and the server's clock says %s",
				m.AsTime().Format(time.RFC3339), v.now.UTC().Format(time.RFC3339)))
		}
	case *date.Date:
		if want := pastDate(m, v.today); want != "" {
			v.report(path, want)
		}
	default:
		v.walk(path, m.ProtoReflect())
	}
}

// report notes a violation.
func (v *pastCheck) report(field, want string) {
	v.found = append(v.found, fault.Violation{Field: field, Want: want})
}

// pastDate says what would be right for a date that is no calendar date, or that
// begins after today; empty: it is right. A day of 0 is a month, and a month of 0
// a year, as google.type.Date defines.
func pastDate(d *date.Date, today time.Time) string {
	y, m, day := int(d.GetYear()), int(d.GetMonth()), int(d.GetDay())
	if y < 1900 || y > 9999 || m < 0 || m > 12 || m == 0 && day != 0 {
		return fmt.Sprintf("must be a date with a year from 1900 and a month from 1 to 12 (day 0: the whole month); it is %04d-%02d-%02d", y, m, day)
	}
	if at := time.Date(y, time.Month(max(m, 1)), max(day, 1), 0, 0, 0, 0, time.UTC); at.Day() != max(day, 1) {
		return fmt.Sprintf("must be a day of the calendar; there is no %04d-%02d-%02d", y, m, day)
	} else if at.After(time.Date(today.Year(), today.Month(), today.Day(), 0, 0, 0, 0, time.UTC)) {
		return fmt.Sprintf("must not lie in the future: it is %04d-%02d-%02d, and today is %s in the salon", y, m, day, today.Format(time.DateOnly))
	}
	return ""
}

// CheckBirthDate checks a date of birth as a client's record has it: a day of the
// calendar, from 1900, and not in the future anywhere on earth. Empty passes.
func CheckBirthDate(field, birthDate string, now time.Time) error {
	if birthDate == "" {
		return nil
	}
	born, err := time.Parse(time.DateOnly, birthDate)
	const furthestEast = 14 * time.Hour // UTC+14
	switch {
	case err != nil:
		return fault.Invalid(field, "must be a day of the calendar as YYYY-MM-DD, such as 1992-02-29")
	case born.Year() < 1900:
		return fault.Invalid(field, "must not be before 1900")
	case born.After(now.UTC().Add(furthestEast)):
		return fault.Invalid(field, "must not be in the future")
	}
	return nil
}
