package report

import (
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// class is a group of similar kinds of entries. Each has a letter and a pattern,
// so that it can be recognized without colour. The page has one colour, letter
// and pattern for each.
type class struct {
	// Name is the class in the style sheet, Letter the mark, Title the text of
	// the key.
	Name   string // in the page's styles
	Letter string
	Title  string
	kinds  []pb.EntryKind
}

// classes are in the order of the page. A kind in none of them belongs to the
// last, other. Set-up comes after everything that happened to a client, since a
// reader looks for that first. A link between clients is a correction: it mends a
// record that was made twice, and its end mends a wrong link.
var classes = []class{
	{"k1", "R", "refusal", []pb.EntryKind{pb.EntryKind_ENTRY_KIND_REFUSAL}},
	{"k2", "D", "referral to a doctor", []pb.EntryKind{pb.EntryKind_ENTRY_KIND_REFERRAL}},
	{"k3", "O", "override", []pb.EntryKind{pb.EntryKind_ENTRY_KIND_OVERRIDE}},
	{"k4", "N", "override denied", []pb.EntryKind{pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED}},
	{"k5", "V", "deviation", []pb.EntryKind{pb.EntryKind_ENTRY_KIND_DEVIATION}},
	{"k6", "A", "alarm", []pb.EntryKind{pb.EntryKind_ENTRY_KIND_ALARM}},
	{"k7", "I", "incident", []pb.EntryKind{pb.EntryKind_ENTRY_KIND_INCIDENT}},
	{"k8", "F", "follow-up", []pb.EntryKind{pb.EntryKind_ENTRY_KIND_FOLLOW_UP, pb.EntryKind_ENTRY_KIND_FOLLOW_UP_OVERDUE}},
	{"k9", "C", "correction", []pb.EntryKind{pb.EntryKind_ENTRY_KIND_ANSWER_CHANGED, pb.EntryKind_ENTRY_KIND_WITHDRAWN, pb.EntryKind_ENTRY_KIND_VISIT_MOVED,
		pb.EntryKind_ENTRY_KIND_CLIENTS_LINKED, pb.EntryKind_ENTRY_KIND_CLIENTS_UNLINKED}},
	{"k10", "S", "set-up", []pb.EntryKind{
		pb.EntryKind_ENTRY_KIND_POLICY_ACTIVATED, pb.EntryKind_ENTRY_KIND_LOT_RECALLED, pb.EntryKind_ENTRY_KIND_RETENTION_CHANGED,
		pb.EntryKind_ENTRY_KIND_PRODUCT_CHANGED, pb.EntryKind_ENTRY_KIND_PRACTITIONER_CHANGED, pb.EntryKind_ENTRY_KIND_SALON_CHANGED,
		pb.EntryKind_ENTRY_KIND_POLICY_CHANGED, pb.EntryKind_ENTRY_KIND_CHAIN_CHANGED,
		pb.EntryKind_ENTRY_KIND_RECORDS_IMPORTED,
	}},
	{"k0", "X", "other", nil},
}

// classOf returns the class of a kind. An unknown kind, of a newer server, is in
// the last class.
func classOf(kind pb.EntryKind) class { return classes[rank(kind)] }

// rank returns the position of a kind's class. It orders the columns of tables.
func rank(kind pb.EntryKind) int {
	i := slices.IndexFunc(classes, func(c class) bool { return slices.Contains(c.kinds, kind) })
	if i < 0 {
		return len(classes) - 1
	}
	return i
}

// kindWords describes an entry of a kind in words, by default with the name of
// the kind. Kinds have words of their own where the name in the contract would
// say too little to a reader who does not know it.
func kindWords(kind pb.EntryKind) string {
	switch kind {
	case pb.EntryKind_ENTRY_KIND_FOLLOW_UP:
		return "follow-up answered"
	case pb.EntryKind_ENTRY_KIND_FOLLOW_UP_OVERDUE:
		return "follow-up overdue"
	case pb.EntryKind_ENTRY_KIND_ANSWER_CHANGED:
		return "answer changed after a refusal"
	case pb.EntryKind_ENTRY_KIND_WITHDRAWN:
		return "deviation withdrawn"
	case pb.EntryKind_ENTRY_KIND_VISIT_MOVED:
		return "visit moved to the right client"
	case pb.EntryKind_ENTRY_KIND_CLIENTS_LINKED:
		return "clients linked as one person"
	case pb.EntryKind_ENTRY_KIND_CLIENTS_UNLINKED:
		return "client unlinked as another person"
	case pb.EntryKind_ENTRY_KIND_PRODUCT_CHANGED:
		return "product created or changed"
	case pb.EntryKind_ENTRY_KIND_PRACTITIONER_CHANGED:
		return "practitioner created or changed"
	case pb.EntryKind_ENTRY_KIND_SALON_CHANGED:
		return "salon created or changed"
	case pb.EntryKind_ENTRY_KIND_POLICY_CHANGED:
		return "house policy created or retired"
	case pb.EntryKind_ENTRY_KIND_CHAIN_CHANGED:
		return "chain created or changed"
	case pb.EntryKind_ENTRY_KIND_COVERAGE:
		return "records covered by digest"
	case pb.EntryKind_ENTRY_KIND_BASELINE:
		return "earlier records covered by digest"
	case pb.EntryKind_ENTRY_KIND_RESTORED:
		return "restored database accepted"
	case pb.EntryKind_ENTRY_KIND_PURGE:
		return "answered requests forgotten"
	case pb.EntryKind_ENTRY_KIND_RECORDS_IMPORTED:
		return "records imported from another system"
	}
	return enumLabel(kind)
}

// isCoverage reports whether entries of a kind cover records by digest. The page
// shows them as one line, because every batch of writes has one. They come every
// few seconds while a salon works.
func isCoverage(kind pb.EntryKind) bool {
	return kind == pb.EntryKind_ENTRY_KIND_COVERAGE || kind == pb.EntryKind_ENTRY_KIND_BASELINE
}

// codeWords formats a reason code in words. Other codes, such as lot codes, are
// unchanged. A code in capitals with underscores is taken for a code of the
// contract.
func codeWords(code string) string {
	for _, prefix := range []string{"DEVIATION_KIND_", "ALARM_KIND_", "OVERRIDE_DENIAL_"} {
		if rest, found := strings.CutPrefix(code, prefix); found {
			return strings.ToLower(strings.ReplaceAll(rest, "_", " "))
		}
	}
	if strings.Contains(code, "_") && strings.ToUpper(code) == code {
		return strings.ToLower(strings.ReplaceAll(code, "_", " "))
	}
	return code
}

// fieldWords formats a field path in words: "directions: maximum minutes". Paths
// are those of the contract, so a new field needs no text here.
func fieldWords(path string) string {
	return strings.ReplaceAll(strings.ReplaceAll(path, ".", ": "), "_", " ")
}
