// Package ledger makes the audit log: its entries, and the Merkle tree over them
// that shows when one was changed, lost or slipped in. It is pure: values in,
// values out. The door to the database commits an entry together with its
// cause; the tree, its tiles and its checkpoints are computed here from the
// bytes that were stored, and kept by the caller.
//
// An entry holds no personal data in clear. People appear by their resource
// names; free text appears as a commitment, SHA-256 over a random salt and the
// text, with the salt kept beside the text.
//
// The tree is that of RFC 6962, section 2.1 (Certificate Transparency, 2013);
// hashes and proofs are computed by golang.org/x/mod/sumdb/tlog. It is laid out
// in tiles and entry bundles as c2sp.org/tlog-tiles has them, and its heads are
// signed as c2sp.org/tlog-checkpoint and c2sp.org/signed-note say, so that other
// people's programs can read and check a log of ours.
package ledger

import (
	"crypto/sha256"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// format is the version of what an entry's fields mean.
const format = 1

// EntryContext is what every entry of one call has in common.
type EntryContext struct {
	Chain     string        // resource name of the chain
	Actor     string        // who calls
	Role      pb.Role       // in which capacity
	Till      string        // the sending till; empty: not known
	Version   string        // of the till's program; empty: not known
	TraceID   string        // 32 lower-case hex digits; empty: not traced
	RequestID string        // the caller's id of the request
	Time      time.Time     // when it is recorded
	NewID     func() string // a fresh, time-ordered id
}

// entry begins an entry whose cause is the message given, as it is stored.
func (ec EntryContext) entry(kind pb.EntryKind, cause proto.Message) *pb.AuditEntry {
	return &pb.AuditEntry{
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

// Digest is the SHA-256 of a record as it is stored: its deterministic encoding
// by this program, which is what storage writes. To check it later, hash the
// stored bytes; never encode again.
func Digest(m proto.Message) []byte {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return nil // invalid UTF-8, which no message that came through the wire has
	}
	sum := sha256.Sum256(body)
	return sum[:]
}

// Commit is the commitment to a free text.
func Commit(salt []byte, text string) []byte {
	sum := sha256.Sum256(append(append([]byte(nil), salt...), text...))
	return sum[:]
}

// Decided is the entry of a decision that refuses or refers; others have none.
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

// concerns notes that an entry is about a zone or section, each once.
func concerns(e *pb.AuditEntry, subject string) {
	if subject != "" && !slices.Contains(e.Subjects, subject) {
		e.Subjects = append(e.Subjects, subject)
	}
}

// section is the subject that a section is; empty for the whole head.
func section(id string) string {
	if id == "" {
		return ""
	}
	return "section:" + id
}

// about fills in what a decision is about.
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

// firstMessage is the message of the deciding finding, without a lot code that
// may not stand on the log in clear.
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

// parent is the resource name above a name: the client of a decision.
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

// Deviated is the entry of a departure of a session; cause is the event or
// session that showed it, as stored.
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

// Withdrawn is the entry that withdraws a deviation which later facts disproved; it
// names the entry of the deviation. The log keeps both.
func (ec EntryContext) Withdrawn(session *pb.Session, d *pb.Deviation, cause proto.Message) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_WITHDRAWN, cause)
	ec.during(e, session)
	e.ReasonCode = d.Kind.String()
	e.Summary = "disproved by facts that came later: " + d.Message
	e.Withdraws = d.Entry
	return e
}

// Alarmed is the entry of an alarm of a session.
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

// Recalled is the entry of a lot's recall; before is the product as it was read,
// and p as it is stored with the recall.
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

// OpaqueLot is the coded reason of a recall whose lot code could be any text. The
// code is in the product, which the entry's digests cover.
const OpaqueLot = "LOT_CODE_IN_PRODUCT"

// plainLot is a lot code as makers print them: capitals, digits and a few signs,
// with a digit in it and no more than four letters in a row, so that no name and
// no address fits it. Our own choice.
var plainLot = regexp.MustCompile(`^[A-Z0-9]+([ ./-]?[A-Z0-9]+)*$`)

// plainBadLot is the message of a bad lot, without a code that may not stand on
// the log in clear. The message begins with "lot CODE of chains/".
func plainBadLot(message string) string {
	rest, isLot := strings.CutPrefix(message, "lot ")
	end := strings.LastIndex(rest, " of chains/")
	if isLot && end >= 0 && PlainLot(rest[:end]) {
		return message
	}
	return "a lot that had been recalled or had expired was used; its code is in the session"
}

// PlainLot reports whether a lot code may stand on the log in clear.
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

// Activated is the entry of a house policy that came into force; before is the
// policy as it was read.
func (ec EntryContext) Activated(before, p *pb.HousePolicy) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_POLICY_ACTIVATED, p)
	describeChange(e, before, p)
	e.HousePolicy = p.Name
	e.PolicyDigest = p.Digest
	e.Summary = fmt.Sprintf("house policy in force with %d rules", len(p.Rules))
	return e
}

// Restored is the entry of an operator who accepts that the database was put
// back; earlier is the checkpoint that it does not follow from.
func (ec EntryContext) Restored(req *pb.AcceptRestoreRequest, earlier string) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_RESTORED, req)
	e.Summary = req.Reason
	e.EarlierCheckpoint = earlier
	return e
}
