package storage

import (
	pb "alkalog/proto/alkalogv1"
)

// SchoolSchema is the schema version from which chains can be schools. A server of an
// older version would take clients into a school, so none is created while such
// servers may write.
const SchoolSchema int64 = 24

// Cases are listed by ID. Attempts and marking sheets are listed newest first. All
// three belong to no client and are stored in clear. A marking sheet is never changed.
var (
	Cases    = Mutable[*pb.Case]{Kind[*pb.Case]{table: newTable[*pb.Case]("cases")}}
	Attempts = Mutable[*pb.Attempt]{Kind[*pb.Attempt]{newestFirst: true, table: newTable("attempts",
		column[*pb.Attempt]{"student", "text", func(a *pb.Attempt) any { return a.GetStudent() }},
		column[*pb.Attempt]{"submitted", "boolean", func(a *pb.Attempt) any { return a.GetState() == pb.AttemptState_ATTEMPT_STATE_SUBMITTED }},
	)}}
	MarkSheets = Kind[*pb.MarkSheet]{newestFirst: true, table: newTable("mark_sheets",
		column[*pb.MarkSheet]{"confirmed", "boolean", func(m *pb.MarkSheet) any { return m.GetState() == pb.MarkSheetState_MARK_SHEET_STATE_CONFIRMED }},
	)}
)

// ListAttempts reads a page of the attempts on a case, given by its resource name, or
// on all cases of the chain if the name is empty; with a student only that student's.
func ListAttempts(s *Snapshot, ofCase, student string, page Page) ([]*pb.Attempt, string, error) {
	where, args, err := ofParent(s, ofCase)
	if err != nil {
		return nil, "", err
	}
	if student != "" {
		args = append(args, student)
		where += " and student = $" + string(rune('0'+len(args)))
	}
	return list[*pb.Attempt](s, Attempts.byID(where, true, args...), page)
}

// ListMarkSheets reads a page of the marking sheets of an attempt, newest first.
func ListMarkSheets(s *Snapshot, attempt string, page Page) ([]*pb.MarkSheet, string, error) {
	where, args, err := ofParent(s, attempt)
	if err != nil {
		return nil, "", err
	}
	return list[*pb.MarkSheet](s, MarkSheets.byID(where, true, args...), page)
}

// ListConfirmedSheets reads a page of the confirmed marking sheets of the chain, newest
// first. Of an attempt whose marks were corrected there are several.
func ListConfirmedSheets(s *Snapshot, page Page) ([]*pb.MarkSheet, string, error) {
	return list[*pb.MarkSheet](s, MarkSheets.byID("chain = $1 and confirmed", true, s.chain), page)
}

// CountUnconfirmed counts the stated attempts on a case, given by its resource name, or
// on all cases if the name is empty, whose marks nobody has confirmed.
func CountUnconfirmed(s *Snapshot, ofCase string) (int, error) {
	where, args, err := ofParent(s, ofCase)
	if err != nil {
		return 0, err
	}
	var n int
	err = s.one(&n, "select count(*) from attempts where "+where+` and submitted and not exists
		(select from mark_sheets m where m.chain = $1 and m.parent = attempts.id and m.confirmed)`, args...)
	return n, err
}

// ofParent is the condition for what belongs to a case or an attempt; to the chain, if
// the name is empty.
func ofParent(s *Snapshot, parent string) (string, []any, error) {
	if parent == "" {
		return "chain = $1", []any{s.chain}, nil
	}
	at, err := parseName(parent)
	if err != nil {
		return "", nil, err
	}
	return "chain = $1 and parent = $2", []any{s.chain, at.id}, nil
}
