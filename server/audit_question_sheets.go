package main

import (
	"encoding/json"
	"strconv"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/report"
)

// The tables have the last parts of names, which fit a line; CSV and JSON have the full
// ones. Either can be used in a filter.

// threadSheet defines the columns of what happened with a client: the same as those of
// entries, with the records that each is about in the table.
//
// Columns that the table shows come first; all others of an entry follow in CSV.
func threadSheet() report.Sheet[*pb.AuditEntry] {
	type entry = *pb.AuditEntry
	sheet := entrySheet()
	table := []report.Column[entry]{
		describeEntry("occur_time", func(e entry) string { return timeText(e.GetOccurTime()) }),
		describeEntry("kind", func(e entry) string { return strings.TrimPrefix(e.GetKind().String(), "ENTRY_KIND_") }),
		nameColumn("salon", entry.GetSalon),
		nameColumn("actor", entry.GetActor),
		{Name: "summary", Cell: entry.GetSummary, TableCell: summaryText},
		nameColumn("decision", entry.GetDecision),
		nameColumn("session", entry.GetSession),
	}
	shown := map[string]bool{}
	for _, c := range table {
		shown[c.Name] = true
	}
	for _, c := range sheet.Columns {
		if !shown[c.Name] {
			table = append(table, report.Column[entry]{Name: c.Name, Cell: c.Cell}) // in CSV only
		}
	}
	sheet.Columns = table
	return sheet
}

// followedSheet defines the columns of followed refusals: the refusal, then the service.
// The table has the deciding rule only; the entry, whose name is in CSV, has all.
func followedSheet() report.Sheet[*pb.FollowedRefusal] {
	type row = *pb.FollowedRefusal
	return report.Sheet[row]{JSON: entryJSON[row], Columns: []report.Column[row]{
		describeEntry("refusal_time", func(r row) string { return timeText(r.GetEntry().GetOccurTime()) }),
		nameColumn("refused_in", func(r row) string { return r.GetEntry().GetSalon() }),
		describeEntry("rule", func(r row) string {
			if rules := r.GetEntry().GetRules(); len(rules) > 0 {
				return rules[0].GetRuleId()
			}
			return ""
		}),
		nameColumn("client", func(r row) string { return r.GetEntry().GetClient() }),
		countColumn("after_minutes", row.GetAfterMinutes),
		nameColumn("served_in", row.GetSalon),
		nameColumn("practitioner", row.GetPractitioner),
		describeEntry("overridden", func(r row) string { return strconv.FormatBool(r.GetOverridden()) }),
		{Name: "refused_decision", Cell: func(r row) string { return r.GetEntry().GetDecision() }},
		{Name: "session", Cell: row.GetSession},
		{Name: "decision", Cell: row.GetDecision},
		{Name: "entry", Cell: func(r row) string { return r.GetEntry().GetName() }},
	}}
}

// discomfortSheet defines the columns of times from discomfort to water, in seconds. late
// counts reports with water after more than a minute, and those without water.
func discomfortSheet() report.Sheet[*pb.DiscomfortTimes] {
	type row = *pb.DiscomfortTimes
	return report.Sheet[row]{JSON: entryJSON[row], Columns: []report.Column[row]{
		{Name: "key", Cell: row.GetKey, TableCell: func(r row) string {
			if r.GetKey() == "" {
				return "all"
			}
			return lastSegment(r.GetKey())
		}},
		countColumn("count", row.GetCount),
		countColumn("without_water", row.GetWithoutWater),
		countColumn("late", row.GetLate),
		describeEntry("median_seconds", func(r row) string { return secondsText(r.MedianSeconds) }),
		describeEntry("p90_seconds", func(r row) string { return secondsText(r.P90Seconds) }),
		describeEntry("longest_seconds", func(r row) string { return secondsText(r.LongestSeconds) }),
	}}
}

// secondsText formats a time in whole seconds, as precise as people report; empty if there
// is none.
func secondsText(seconds *float64) string {
	if seconds == nil {
		return ""
	}
	return strconv.FormatFloat(*seconds, 'f', 0, 64)
}

// discomfortCaseSheet defines the columns of single reports of discomfort. An empty
// section is the whole head.
func discomfortCaseSheet() report.Sheet[*pb.DiscomfortCase] {
	type row = *pb.DiscomfortCase
	return report.Sheet[row]{JSON: entryJSON[row], Columns: []report.Column[row]{
		describeEntry("report_time", func(r row) string { return timeText(r.GetReportTime()) }),
		describeEntry("water_time", func(r row) string { return timeText(r.GetWaterTime()) }),
		describeEntry("seconds", func(r row) string { return secondsText(r.Seconds) }),
		describeEntry("late", func(r row) string { return strconv.FormatBool(r.GetLate()) }),
		describeEntry("comfort", func(r row) string { return strings.TrimPrefix(r.GetComfort().String(), "COMFORT_") }),
		nameColumn("salon", row.GetSalon),
		nameColumn("practitioner", row.GetPractitioner),
		nameColumn("product", row.GetProduct),
		{Name: "section_id", Cell: row.GetSectionId},
		{Name: "session", Cell: row.GetSession},
	}}
}

// lotSheet defines the columns of sessions in which a lot was used. lot_code is the one
// that was planned; another lot of the product may have been used for a part of the head.
func lotSheet() report.Sheet[*pb.Session] {
	type row = *pb.Session
	client := func(r row) string { name, _, _ := strings.Cut(r.GetName(), "/sessions/"); return name }
	return report.Sheet[row]{JSON: entryJSON[row], Columns: []report.Column[row]{
		describeEntry("start_time", func(r row) string { return timeText(r.GetStartTime()) }),
		nameColumn("client", client),
		nameColumn("salon", row.GetSalon),
		nameColumn("practitioner", row.GetPractitioner),
		nameColumn("product", row.GetProduct),
		describeEntry("lot_code", row.GetLotCode),
		{Name: "session", Cell: row.GetName},
	}}
}

// readerSheet defines the columns of who read about a client. There is no message of the
// contract for it, so JSON has the fields of the row.
func readerSheet() report.Sheet[*readerRow] {
	type row = *readerRow
	return report.Sheet[row]{JSON: func(r row) ([]byte, error) { return json.Marshal(r) }, Columns: []report.Column[row]{
		nameColumn("who", func(r row) string { return r.Who }),
		describeEntry("role", func(r row) string { return r.Role }),
		describeEntry("call", func(r row) string { return r.Method }),
		countColumn("reads", func(r row) int64 { return r.Reads }),
		describeEntry("first", func(r row) string { return r.First.Format(time.RFC3339) }),
		describeEntry("last", func(r row) string { return r.Last.Format(time.RFC3339) }),
	}}
}

// nameColumn is a column of a resource name, of which the table shows the last part. Other
// forms of output have the whole name.
func nameColumn[T any](name string, of func(T) string) report.Column[T] {
	return report.Column[T]{Name: name, Cell: of, TableCell: func(row T) string { return lastSegment(of(row)) }}
}

// countColumn is a column of a count. It is the same in every form of output, so that sums
// can be made from any of them.
func countColumn[T any](name string, of func(T) int64) report.Column[T] {
	return describeEntry(name, func(row T) string { return strconv.FormatInt(of(row), 10) })
}
