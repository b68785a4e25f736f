package proto_test

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// aboutClients are the records that are kept about a client.
var aboutClients = []protoreflect.Message{
	(*pb.Client)(nil).ProtoReflect(), (*pb.Consultation)(nil).ProtoReflect(), (*pb.Decision)(nil).ProtoReflect(),
	(*pb.Override)(nil).ProtoReflect(), (*pb.Countersignature)(nil).ProtoReflect(), (*pb.Session)(nil).ProtoReflect(),
	(*pb.StoredEvent)(nil).ProtoReflect(), (*pb.Outcome)(nil).ProtoReflect(), (*pb.Incident)(nil).ProtoReflect(),
	(*pb.RecordCard)(nil).ProtoReflect(),
}

// aboutChains are the messages that those records hold and that are about the
// chain: nothing in them is a client's.
var aboutChains = []protoreflect.Name{"Product", "Directions", "Alkali", "Indicator", "Lot", "Salon", "Retention",
	"Practitioner", "Basis", "OverrideTerms", "OverrideReason", "PolicyParameters", "HousePolicy", "Rule"}

// TestClientsDataHasAClass requires a class on every field of a record about a
// client, whatever its type: its own or its message's.
func TestClientsDataHasAClass(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	for _, record := range aboutClients {
		for _, breach := range unclassed(record.Descriptor(), seen) {
			t.Error(breach)
		}
	}
	for _, want := range []protoreflect.FullName{"ScalpAnalysis", "PastEvent", "ComfortCheck", "FollowUp", "SectionState"} {
		if !seen["alkalog.v1."+want] {
			t.Errorf("%s was not looked at", want)
		}
	}
}

// unclassed lists the fields without a class in a message and in those it holds.
func unclassed(message protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool) complaints {
	var c complaints
	if seen[message.FullName()] || message.ParentFile().Package() != "alkalog.v1" || slices.Contains(aboutChains, message.Name()) {
		return c
	}
	seen[message.FullName()] = true
	for _, field := range all(message.Fields()) {
		if contract.DataClass(field) == pb.DataClass_DATA_CLASS_UNSPECIFIED {
			c.add(field, "a field about a client needs a data_class, or its message a fields_data_class")
		}
		if field.Message() != nil {
			c = append(c, unclassed(field.Message(), seen)...)
		}
	}
	return c
}

// TestHealthIsNotLogged requires the answers about a client's body to be of a
// class that is neither logged nor audited, and the particulars of people too.
func TestHealthIsNotLogged(t *testing.T) {
	answers := 0
	seen := map[protoreflect.FullName]bool{}
	for _, record := range aboutClients {
		unclassed(record.Descriptor(), seen)
	}
	for _, file := range contractFiles() {
		for _, message := range all(file.Messages()) {
			if !seen[message.FullName()] {
				continue
			}
			for _, field := range all(message.Fields()) {
				if field.Enum() == nil || field.Enum().Name() != "Answer" {
					continue
				}
				if answers++; contract.Auditable(contract.DataClass(field)) {
					t.Errorf("%s is %s", field.FullName(), contract.DataClass(field))
				}
			}
		}
	}
	if answers == 0 {
		t.Error("no answer was looked at")
	}
}

// openText is the pattern of text that anybody may type.
const openText = `^[^\x{0}-\x{8}\x{b}\x{c}\x{e}-\x{1f}\x{7f}\x{202a}-\x{202e}\x{2066}-\x{2069}]*$`

// TestTypedTextIsPersonal requires what can be typed into a client's record or
// asked about clients to be of a personal class, but for codes that name
// something of the decision.
func TestTypedTextIsPersonal(t *testing.T) {
	codes := []protoreflect.FullName{"alkalog.v1.ConditionMet.rule_id", "alkalog.v1.ConditionMet.subject"}
	typed, seen := 0, map[protoreflect.FullName]bool{}
	for _, record := range aboutClients {
		unclassed(record.Descriptor(), seen)
	}
	for _, file := range contractFiles() {
		for _, message := range all(file.Messages()) {
			for _, field := range all(message.Fields()) {
				own := rules(field)
				if field.IsList() {
					own = own.GetRepeated().GetItems()
				}
				if !seen[message.FullName()] || own.GetString().GetPattern() != openText || slices.Contains(codes, field.FullName()) {
					continue
				}
				if typed++; contract.Auditable(contract.DataClass(field)) {
					t.Errorf("%s can hold anything that is typed, and is %s", field.FullName(), contract.DataClass(field))
				}
			}
		}
	}
	if typed == 0 {
		t.Error("no typed text was looked at")
	}
}

// TestAuditEntriesAreWithoutPersonalData requires every field of an audit entry
// to be of a class that the audit log may hold in clear text.
func TestAuditEntriesAreWithoutPersonalData(t *testing.T) {
	for _, message := range []protoreflect.Message{(*pb.AuditEntry)(nil).ProtoReflect(), (*pb.RuleRef)(nil).ProtoReflect()} {
		for _, field := range all(message.Descriptor().Fields()) {
			if class := contract.DataClass(field); contract.IsText(field) && !contract.Auditable(class) {
				t.Errorf("%s is %s", field.FullName(), class)
			}
		}
	}
}
