// Package ledger makes the audit log: its entries, and the Merkle tree over them that
// shows when one was changed, lost or inserted. It is pure: values in, values out.
// Package storage commits an entry together with its cause; the tree, its tiles and its
// checkpoints are computed here from the stored bytes, and stored by the caller.
//
// # Entries
//
// An entry is made by a method of EntryContext, one per kind of event, so that what an
// entry of a kind contains is decided in one place. Every entry says who acted, in
// which role, on which till, when, and because of which record: the cause digest is
// that of the record as it is stored.
//
// An entry holds no personal data in clear. People appear by their resource names; free
// text appears as a commitment, SHA-256 over a random salt and the text, with the salt
// kept beside the text. A text that a caller typed gets on the log only if it comes
// from a closed set or has a harmless form (PlainLot).
//
// # Tree
//
// The tree is that of RFC 6962, section 2.1 (Certificate Transparency, 2013); hashes
// and proofs are computed by golang.org/x/mod/sumdb/tlog. It is laid out in tiles and
// entry bundles as in c2sp.org/tlog-tiles, and its heads are signed according to
// c2sp.org/tlog-checkpoint and c2sp.org/signed-note, so that other people's programs
// can read and check a log of ours.
//
// The leaves are stored entries. Nothing that is stored is trusted: every function that
// reads tiles checks them against the signed root first (ErrTiles). A log can therefore
// be extended, proved and copied from a database that somebody else can write to, and
// at worst these operations fail.
package ledger

import (
	"crypto/sha256"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// format is the version of the meaning of an entry's fields. Raise it when an existing
// field gets another meaning; a new field needs no new version.
const format = 1

// EntryContext is what all entries of one call have in common.
type EntryContext struct {
	// Chain is the resource name of the chain.
	Chain string
	// Actor is the resource name of the caller, or "server".
	Actor string
	// Role is the capacity in which the call is made.
	Role pb.Role
	// Till is the till that sent the call; empty: not known.
	Till string
	// Version is that of the till's program; empty: not known.
	Version string
	// TraceID has 32 lower-case hexadecimal digits; empty: not traced.
	TraceID string
	// RequestID is the caller's ID of the request.
	RequestID string
	// Time is the record time, from the reference clock.
	Time time.Time
	// NewID returns a new ID that sorts after earlier ones. It is a parameter because this
	// package is pure.
	NewID func() string
}

// entry begins an entry whose cause is the given message. The message must be exactly
// as it is stored.
func (ec EntryContext) entry(kind pb.EntryKind, cause proto.Message) *pb.AuditEntry {
	return &pb.AuditEntry{
		// The name is made here and not by storage, so that other records can refer to the
		// entry in the same write.
		Name:        ec.Chain + "/entries/" + ec.NewID(),
		Kind:        kind,
		Format:      format,
		Actor:       ec.Actor,
		Role:        ec.Role,
		CauseDigest: Digest(cause),
		OccurTime:   timestamppb.New(ec.Time),
		RecordTime:  timestamppb.New(ec.Time),
		Till:        ec.Till,
		TillVersion: ec.Version,
		TraceId:     ec.TraceID,
		RequestId:   ec.RequestID,
	}
}

// Digest returns the SHA-256 of a record as it is stored: of its deterministic encoding
// by this program, which storage writes. To check a digest later, hash the stored bytes
// and never encode again, because another version of the program may encode
// differently.
func Digest(m proto.Message) []byte {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return nil // invalid UTF-8, which no message that came through the wire has
	}
	sum := sha256.Sum256(body)
	return sum[:]
}

// Commit returns the commitment to a free text. Without the salt it reveals nothing
// about the text; with both, anybody can check it.
func Commit(salt []byte, text string) []byte {
	sum := sha256.Sum256(append(append([]byte(nil), salt...), text...))
	return sum[:]
}

// Decided returns the entry of a decision that refuses or refers; none for other
// decisions.
//
// The summary is the message of the first finding, and Rules lists the findings above
// the severity of a condition. The reasons of a refusal can therefore be counted
// without opening the decision.
func (ec EntryContext) Decided(d *pb.Decision) []*pb.AuditEntry {
	if !contract.AtLeast(d.Verdict, pb.Verdict_VERDICT_REFER) {
		return nil
	}
	kind := pb.EntryKind_ENTRY_KIND_REFUSAL
	if d.Verdict == pb.Verdict_VERDICT_REFER {
		kind = pb.EntryKind_ENTRY_KIND_REFERRAL
	}
	e := ec.entry(kind, d)
	ec.about(e, d)
	e.Summary = firstMessage(d)
	for _, f := range d.Findings {
		// Each once, however many sections it speaks of: an entry that were longer
		// than the log takes would keep the refusal from being recorded.
		if contract.CompareRank(f.Severity, pb.Severity_SEVERITY_CONDITION) > 0 && !slices.ContainsFunc(e.Rules, func(r *pb.RuleRef) bool { return r.RuleId == f.RuleId }) {
			e.Rules = append(e.Rules, &pb.RuleRef{RuleId: f.RuleId, Version: f.RuleVersion})
		}
		if f.Severity > pb.Severity_SEVERITY_CONDITION {
			concerns(e, f.Subject)
		}
	}
	return []*pb.AuditEntry{e}
}

// concerns notes, once, that an entry is about a zone or a section.
func concerns(e *pb.AuditEntry, subject string) {
	if subject != "" && !slices.Contains(e.Subjects, subject) {
		e.Subjects = append(e.Subjects, subject)
	}
}

// section returns the subject for a section; empty for the whole head.
func section(id string) string {
	if id == "" {
		return ""
	}
	return "section:" + id
}

// about fills in what a decision is about. OnBehalfOf is set only if the caller is not
// the practitioner of the service.
//
// The lot code is added only if it is one of the product's lots in the catalogue and
// has a plain form.
func (ec EntryContext) about(e *pb.AuditEntry, d *pb.Decision) {
	e.Decision = d.Name
	e.Client = parent(d.Name)
	e.Salon = d.Inputs.GetSalon().GetName()
	e.Product = d.Inputs.GetProduct().GetName()
	e.HousePolicy = d.Inputs.GetHousePolicy().GetName()
	e.PolicyDigest = d.PolicyDigest
	e.Practitioner = d.Inputs.GetPractitioner().GetName()
	if e.Practitioner != ec.Actor {
		e.OnBehalfOf = e.Practitioner
	}
	// Only a lot that the chain keeps: what else was typed as one can be any text,
	// and the log is in clear.
	if lot := d.Inputs.GetLotCode(); PlainLot(lot) && slices.ContainsFunc(d.Inputs.GetProduct().GetLots(), func(l *pb.Lot) bool { return l.LotCode == lot }) {
		e.LotCode = lot
	}
}

// firstMessage returns the message of the deciding finding, without a lot code that
// must not be on the log in clear.
func firstMessage(d *pb.Decision) string {
	if len(d.Findings) == 0 {
		return ""
	}
	message := d.Findings[0].Message
	if lot := d.Inputs.GetLotCode(); lot != "" && !PlainLot(lot) {
		message = strings.ReplaceAll(message, lot, "(its code is in the decision)")
	}
	return message
}

// parent returns the resource name above a name, such as the client of a decision.
//
// The result is empty for a name with fewer than two pairs of collection and ID.
func parent(name string) string {
	slashes := 0
	for i := len(name) - 1; i > 0; i-- {
		if name[i] == '/' {
			if slashes++; slashes == 2 {
				return name[:i]
			}
		}
	}
	return ""
}

// Deviated returns the entry of a deviation of a session. cause is the event or session
// that showed it, as stored. The occur time is that of the deviation, which can be long
// before the record time if a till was offline.
func (ec EntryContext) Deviated(session *pb.Session, d *pb.Deviation, cause proto.Message) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_DEVIATION, cause)
	ec.during(e, session)
	e.ReasonCode, e.Deviation = d.Kind.String(), d.Kind
	concerns(e, section(d.SectionId))
	e.Summary = d.Message
	if d.Kind == pb.DeviationKind_DEVIATION_KIND_BAD_LOT {
		e.Summary = plainBadLot(d.Message)
	}
	if d.OccurTime != nil {
		e.OccurTime = d.OccurTime
	}
	return e
}

// Withdrawn returns the entry that withdraws a deviation which later facts disproved.
// It names the entry of the deviation. The log keeps both, because nothing is ever
// removed from it.
func (ec EntryContext) Withdrawn(session *pb.Session, d *pb.Deviation, cause proto.Message) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_WITHDRAWN, cause)
	ec.during(e, session)
	e.ReasonCode = d.Kind.String()
	e.Summary = "disproved by facts that came later: " + d.Message
	e.Withdraws = d.Entry
	return e
}

// Alarmed returns the entry of an alarm of a session. Its occur time is when the
// condition of the alarm began.
func (ec EntryContext) Alarmed(session *pb.Session, a *pb.Alarm) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_ALARM, a)
	ec.during(e, session)
	e.ReasonCode, e.Alarm = a.Kind.String(), a.Kind
	concerns(e, section(a.SectionId))
	e.Summary = a.Message
	if a.SinceTime != nil {
		e.OccurTime = a.SinceTime
	}
	return e
}

// during fills in what a session is about.
//
// An entry that the server makes by itself, such as an alarm, has no role and acts for
// nobody.
func (ec EntryContext) during(e *pb.AuditEntry, session *pb.Session) {
	e.Session = session.Name
	e.Client = parent(session.Name)
	e.Decision = session.Decision
	e.Salon = session.Salon
	e.Product = session.Product
	e.Practitioner = session.Practitioner
	if ec.Role != pb.Role_ROLE_UNSPECIFIED && session.Practitioner != ec.Actor { // the server itself acts for nobody
		e.OnBehalfOf = session.Practitioner
	}
}

// Recalled returns the entry of a lot's recall. before is the product as it was read, p
// as it is stored with the recall.
//
// If the lot code could be any text, the reason is OpaqueLot.
func (ec EntryContext) Recalled(before, p *pb.Product, lotCode string) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_LOT_RECALLED, p)
	describeChange(e, before, p)
	e.Product = p.Name
	e.ReasonCode, e.Summary = OpaqueLot, "a lot recalled; its code is in the product"
	if PlainLot(lotCode) {
		e.ReasonCode, e.LotCode, e.Summary = lotCode, lotCode, fmt.Sprintf("lot %s recalled", lotCode)
	}
	return e
}

// OpaqueLot is the reason code of a recall whose lot code could be any text. The code
// is in the product, which the digests of the entry cover.
const OpaqueLot = "LOT_CODE_IN_PRODUCT"

// plainLot matches lot codes as manufacturers print them: capitals, digits and a few
// signs. Together with the further conditions of PlainLot, no name and no address fits
// it. Our own choice.
var plainLot = regexp.MustCompile(`^[A-Z0-9]+([ ./-]?[A-Z0-9]+)*$`)

// plainBadLot returns the message of a bad lot, without a code that must not be on the
// log in clear. The message begins with "lot CODE of chains/".
func plainBadLot(message string) string {
	rest, isLot := strings.CutPrefix(message, "lot ")
	end := strings.LastIndex(rest, " of chains/")
	if isLot && end >= 0 && PlainLot(rest[:end]) {
		return message
	}
	return "a lot that had been recalled or had expired was used; its code is in the session"
}

// PlainLot reports whether a lot code may be on the log in clear: at most 30 characters
// of plainLot, with a digit and no more than four letters in a row. Others could be
// personal data that somebody typed into the field. Our own choice.
func PlainLot(code string) bool {
	letters := 0
	for _, r := range code {
		if letters++; r < 'A' || r > 'Z' {
			letters = 0
		}
		if letters > 4 {
			return false
		}
	}
	return len(code) <= 30 && plainLot.MatchString(code) && strings.ContainsAny(code, "0123456789")
}

// Activated returns the entry of a house policy that comes into force. before is the
// policy as it was read.
func (ec EntryContext) Activated(before, p *pb.HousePolicy) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_POLICY_ACTIVATED, p)
	describeChange(e, before, p)
	e.HousePolicy = p.Name
	e.PolicyDigest = p.Digest
	e.Summary = fmt.Sprintf("house policy in force with %d rules", len(p.Rules))
	if looser := loosened(p); len(looser) > 0 {
		e.Summary += ", looser than the default in " + strings.Join(looser, ", ")
	}
	return e
}

// loosened names the numbers that a house policy sets looser than the default.
func loosened(p *pb.HousePolicy) []string {
	var names []string
	p.GetLoosening().ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		names = append(names, fmt.Sprintf("%s (%v)", f.Name(), v))
		return true
	})
	slices.Sort(names)
	return names
}

// Restored returns the entry of an operator who accepts a restored database. earlier is
// the checkpoint that the database is not a continuation of; it stays on the log as
// evidence.
func (ec EntryContext) Restored(req *pb.AcceptRestoreRequest, earlier string) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_RESTORED, req)
	e.Summary = req.Reason
	e.EarlierCheckpoint = earlier
	return e
}
