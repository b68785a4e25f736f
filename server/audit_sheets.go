package main

import (
	"encoding/hex"
	"encoding/json"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/report"
)

// entryJSON formats a message of the contract as one JSON value. It is the JSON
// form of protobuf, as every gRPC tool prints it.
func entryJSON[T proto.Message](m T) ([]byte, error) { return report.MarshalMessage(m) }

// entrySheet defines the columns of audit entries. CSV has every column; the
// table has the few that fit a screen, with the last segments of names.
func entrySheet() report.Sheet[*pb.AuditEntry] {
	type entry = *pb.AuditEntry
	brief := func(name string, of func(entry) string) report.Column[entry] {
		return report.Column[entry]{Name: name, Cell: of, TableCell: func(e entry) string { return lastSegment(of(e)) }}
	}
	column := func(name string, of func(entry) string) report.Column[entry] {
		return report.Column[entry]{Name: name, Cell: of}
	}
	return report.Sheet[entry]{JSON: entryJSON[entry], Columns: []report.Column[entry]{
		brief("record_time", func(e entry) string { return timeText(e.GetRecordTime()) }),
		brief("kind", func(e entry) string { return strings.TrimPrefix(e.GetKind().String(), "ENTRY_KIND_") }),
		brief("actor", entry.GetActor),
		brief("salon", entry.GetSalon),
		brief("reason", entry.GetReasonCode),
		{Name: "summary", Cell: entry.GetSummary, TableCell: summaryText},
		column("name", entry.GetName),
		column("occur_time", func(e entry) string { return timeText(e.GetOccurTime()) }),
		column("role", func(e entry) string { return strings.TrimPrefix(e.GetRole().String(), "ROLE_") }),
		column("on_behalf_of", entry.GetOnBehalfOf),
		column("client", entry.GetClient),
		column("decision", entry.GetDecision),
		column("session", entry.GetSession),
		column("product", entry.GetProduct),
		column("house_policy", entry.GetHousePolicy),
		column("rules", rulesText),
		column("comment_commitment", func(e entry) string { return hex.EncodeToString(e.GetCommentCommitment()) }),
		column("cause_digest", func(e entry) string { return hex.EncodeToString(e.GetCauseDigest()) }),
		column("till", entry.GetTill),
		column("till_version", entry.GetTillVersion),
		column("trace_id", entry.GetTraceId),
		column("request_id", entry.GetRequestId),
		column("policy_digest", entry.GetPolicyDigest),
		column("count", func(e entry) string { return strconv.FormatInt(max(1, e.GetCount()), 10) }),
		column("last_time", func(e entry) string { return timeText(e.GetLastTime()) }),
		column("method", entry.GetMethod),
		column("query", entry.GetQuery),
		column("changed_record", entry.GetChangedRecord),
		column("changed_fields", func(e entry) string { return strings.Join(e.GetChangedFields(), " ") }),
		column("before_digest", func(e entry) string { return hex.EncodeToString(e.GetBeforeDigest()) }),
		column("after_digest", func(e entry) string { return hex.EncodeToString(e.GetAfterDigest()) }),
		column("practitioner", entry.GetPractitioner),
		column("lot_code", entry.GetLotCode),
		column("subjects", func(e entry) string { return strings.Join(e.GetSubjects(), " ") }),
		column("override_reason", entry.GetOverrideReason),
	}}
}

// summaryText is the summary of an entry, with the method if the entry is about a
// call. Reads and denials have the same summary for every method.
func summaryText(e *pb.AuditEntry) string {
	if e.GetMethod() == "" {
		return e.GetSummary()
	}
	return e.GetSummary() + ": " + e.GetMethod()
}

// lastSegment is the last segment of a resource name.
func lastSegment(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

// describeEntry is a column that the table shows unchanged.
func describeEntry[T any](name string, of func(T) string) report.Column[T] {
	return report.Column[T]{Name: name, Cell: of, TableCell: of}
}

// rulesText lists rules with their versions, "scalp.broken-skin@1 ...". The form
// fits a cell and can be split at blanks.
func rulesText(e *pb.AuditEntry) string {
	var all []string
	for _, r := range e.GetRules() {
		all = append(all, r.GetRuleId()+"@"+strconv.Itoa(int(r.GetVersion())))
	}
	return strings.Join(all, " ")
}

// timeText formats a time by RFC 3339; empty if it is absent. Times are in UTC.
func timeText(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().Format(time.RFC3339)
}

// proportions returns the columns of a proportion: its total, its rate and the bounds
// of the interval of the rate. prefix tells two proportions of one row apart. Cells
// are empty if the total is zero: 0 of 0 is no rate.
func proportions[T any](prefix string, of func(T) *pb.Proportion) []report.Column[T] {
	column := func(name string, cell func(*pb.Proportion) string) report.Column[T] {
		return describeEntry(prefix+name, func(row T) string {
			if p := of(row); p.GetOf() > 0 {
				return cell(p)
			}
			return ""
		})
	}
	return []report.Column[T]{
		column("of", func(p *pb.Proportion) string { return strconv.FormatInt(p.GetOf(), 10) }),
		column("rate", func(p *pb.Proportion) string { return fraction(float64(p.GetCount()) / float64(p.GetOf())) }),
		column("low", func(p *pb.Proportion) string { return fraction(p.GetLow()) }),
		column("high", func(p *pb.Proportion) string { return fraction(p.GetHigh()) }),
	}
}

// fraction formats a number from 0 to 1. Four decimals are a hundredth of a
// percent.
func fraction(f float64) string { return strconv.FormatFloat(f, 'f', 4, 64) }

// countSheet defines the columns of counts. There is one row for each kind and
// value. The rate is empty for kinds that are not about a decision. by says in words what
// they are counted by. Rows of two tables with different groupings must not be added up,
// and without the column a saved file would not say which one it is.
func countSheet(by string) report.Sheet[*pb.SummaryRow] {
	type row = *pb.SummaryRow
	return report.Sheet[row]{JSON: entryJSON[row], Columns: append([]report.Column[row]{
		describeEntry("kind", func(r row) string { return strings.TrimPrefix(r.GetKind().String(), "ENTRY_KIND_") }),
		describeEntry("by", func(row) string { return by }),
		{Name: "key", Cell: row.GetKey, TableCell: func(r row) string { return lastSegment(r.GetKey()) }},
		describeEntry("count", func(r row) string { return strconv.FormatInt(r.GetCount(), 10) }),
	}, proportions("", row.GetRate)...)}
}

// practitionerSheet defines the columns of the figures of practitioners. others_
// is the same proportion for all others of the chain. out_of_line is the server's
// judgement, by a statistical test. The columns about statements are counts and not
// shares, so that whole months can be added up before a share is taken; the column
// statement_seconds is divided by statements_timed.
func practitionerSheet() report.Sheet[*pb.PractitionerFigures] {
	type row = *pb.PractitionerFigures
	columns := []report.Column[row]{
		{Name: "practitioner", Cell: row.GetPractitioner, TableCell: func(r row) string { return lastSegment(r.GetPractitioner()) }},
		describeEntry("overrides", func(r row) string { return strconv.FormatInt(r.GetOverrides().GetCount(), 10) }),
	}
	columns = append(columns, proportions("", row.GetOverrides)...)
	columns = append(columns, proportions("others_", row.GetOthers)...)
	return report.Sheet[row]{JSON: entryJSON[row], Columns: append(columns,
		describeEntry("out_of_line", func(r row) string { return strconv.FormatBool(r.GetOutOfLine()) }),
		describeEntry("changed_answers", func(r row) string { return strconv.FormatInt(r.GetChangedAnswers(), 10) }),
		describeEntry("what_ifs", func(r row) string { return strconv.FormatInt(r.GetWhatIfs(), 10) }),
		describeEntry("statements", func(r row) string { return strconv.FormatInt(r.GetStatements(), 10) }),
		describeEntry("statements_all_none", func(r row) string { return strconv.FormatInt(r.GetStatementsAllNone(), 10) }),
		describeEntry("statements_timed", func(r row) string { return strconv.FormatInt(r.GetStatementsTimed(), 10) }),
		describeEntry("statement_seconds", func(r row) string { return strconv.FormatInt(r.GetStatementSeconds(), 10) }),
		describeEntry("single_items", func(r row) string { return strconv.FormatInt(r.GetSingleItems(), 10) }),
		describeEntry("single_items_differing", func(r row) string { return strconv.FormatInt(r.GetSingleItemsDiffering(), 10) }))}
}

// followUpRates is one outcome of refusals or overrides.
type followUpRates struct {
	What string
	*pb.Proportion
}

// followUpRate lists the outcomes of refusals and overrides in words. The order
// is fixed.
func followUpRate(f *pb.OverrideFigures) []followUpRates {
	return []followUpRates{
		{"refusals and referrals overridden", f.GetRefusalsOverridden()},
		{"overrides followed by a deviation", f.GetFollowedByDeviation()},
		{"overrides followed by a bad outcome", f.GetFollowedByBadOutcome()},
	}
}

// followUpSheet defines their columns.
func followUpSheet() report.Sheet[followUpRates] {
	return report.Sheet[followUpRates]{JSON: followUpJSON, Columns: append([]report.Column[followUpRates]{
		describeEntry("what", func(f followUpRates) string { return f.What }),
		describeEntry("count", func(f followUpRates) string { return strconv.FormatInt(f.GetCount(), 10) }),
	}, proportions("", func(f followUpRates) *pb.Proportion { return f.Proportion })...)}
}

// followUpJSON formats one of them as JSON: the label and the proportion. A
// message of the contract alone would not say which of the three it is.
func followUpJSON(f followUpRates) ([]byte, error) {
	proportion, err := report.MarshalMessage(f.Proportion)
	if err != nil {
		return nil, err
	}
	return json.Marshal(map[string]any{"what": f.What, "proportion": json.RawMessage(proportion)})
}
