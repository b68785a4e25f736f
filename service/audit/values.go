package audit

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// A filter with a value that nothing has would find nothing, and nobody could tell that
// from "it did not happen". So every value of a filter is looked up. The short forms in
// which tables print names and codes are completed; what nothing in the chain has is an
// error that names what there is.

// mostNamed is how many values an error names. Our own choice.
const mostNamed = 20

// values looks up the values of filters in one chain.
type values struct {
	r     *storage.Snapshot
	chain string
	rules *rules.Engine
}

// resolve returns a filter with completed values, if the caller may see the chain.
//
// An unknown chain is NOT_FOUND before anything is looked up in it, so that the error of
// a filter never tells what another chain has.
func (s Service) resolve(ctx context.Context, chain string, f storage.EntryFilter) (storage.EntryFilter, error) {
	caller := actor.From(ctx)
	err := storage.Read(ctx, s.DB, record.Chain(chain), func(r *storage.Snapshot) (err error) {
		if _, err = record.Get(r, caller, storage.Chains, chain); err == nil {
			f, err = values{r, chain, s.Rules}.resolve(f)
		}
		return err
	})
	return f, err
}

// resolve completes the values of a filter, at any depth. A value that is excluded is
// looked up as well: NOT of a typing error would find everything. Empty values mean "has
// none" and stay as they are; kinds and times were checked when the filter was parsed.
//
// A rule with a version, as CSV prints it, is two conditions: search columns know the id
// only.
func (v values) resolve(f storage.EntryFilter) (storage.EntryFilter, error) {
	if len(f.Of) > 0 {
		parts := make([]storage.EntryFilter, len(f.Of))
		for i, part := range f.Of {
			var err error
			if parts[i], err = v.resolve(part); err != nil {
				return f, err
			}
		}
		f.Of = parts
		return f, nil
	}
	text, isText := f.Value.(string)
	if !isText || text == "" || f.Field == "kind" {
		return f, nil
	}
	id, version, versioned := strings.Cut(text, "@")
	if f.Field != "rule" || !versioned {
		return v.complete(f, text)
	}
	named, err := v.complete(storage.EntryFilter{Op: "=", Field: "rule", Value: id}, id)
	both := storage.EntryFilter{Op: "AND", Of: []storage.EntryFilter{named, {Op: "=", Field: "rule_version", Value: id + "@" + version}}}
	if f.Op == "!=" {
		both = storage.EntryFilter{Op: "NOT", Of: []storage.EntryFilter{both}}
	}
	return both, err
}

// complete returns a comparison with the full form of its value. What can be several
// things is an error that lists them: to take one of two people of the same short name
// would be worse than to ask.
func (v values) complete(f storage.EntryFilter, text string) (storage.EntryFilter, error) {
	found, err := v.find(f, text)
	switch {
	case err != nil:
		return f, err
	case len(found) == 1:
		f.Value = found[0]
		return f, nil
	case len(found) > 1:
		return f, fault.Invalid("filter", fmt.Sprintf("compares %s with %q, which can be any of: %s; give one of them in full", f.Field, text, strings.Join(found, ", ")))
	}
	known, err := v.known(f.Field)
	if err != nil {
		return f, err
	}
	there := "nothing has one"
	if known = slices.Compact(slices.Sorted(slices.Values(known))); len(known) > 0 {
		there = "there are: " + strings.Join(known[:min(len(known), mostNamed)], ", ")
	}
	if len(known) > mostNamed {
		there += ", and more"
	}
	if f.Field == "client" || f.Field == "decision" || f.Field == "session" {
		there = fmt.Sprintf("it needs a name such as %s/%s", v.chain, map[string]string{"client": "clients/018f6b2e",
			"decision": "clients/018f6b2e/decisions/018f6b30", "session": "clients/018f6b2e/sessions/018f6b34"}[f.Field])
	}
	return f, fault.Invalid("filter", fmt.Sprintf("compares %s with %q, which nothing in %s has; %s", f.Field, text, v.chain, there))
}

// find returns the full forms of a value: those that records have or, if there are
// none, those that entries have. The cheapest look-up comes first; only a value that is
// found nowhere costs a look at all entries.
//
// Records come before entries, so that a salon in which nothing has happened yet is
// known, too. Counters come with them for short names: people who act without being
// practitioners, such as auditors, stand in no directory.
func (v values) find(f storage.EntryFilter, text string) ([]string, error) {
	found, err := v.fixed(f.Field, text)
	if err != nil || len(found) > 0 {
		return found, err
	}
	found, err = v.recorded(f.Field, text)
	if by, counted := countedBy[f.Field]; counted && err == nil && !strings.Contains(text, "/") {
		var counts []string
		counts, err = storage.CountedKeys(v.r, by, text, mostNamed)
		found = append(found, counts...)
	}
	slices.Sort(found)
	if found = slices.Compact(found); err != nil || len(found) > 0 {
		return found, err
	}
	f.Op, f.Value = "=", text
	switch {
	case f.Field == "policy" || f.Field == "till_version":
		there, has, err := v.unsearchable(f)
		if has == 0 && f.Field == "policy" {
			return digests(there, text), err
		}
		return slices.Repeat([]string{text}, has), err
	case strings.Contains(text, "/"):
		entries, _, err := storage.ListEntries(v.r, f, storage.Page{Size: 1}, 1<<62)
		return slices.Repeat([]string{text}, len(entries)), err
	}
	return storage.EntryValues(v.r, f.Field, text, mostNamed)
}

// countedBy is the dimension whose counters have the values of a field.
var countedBy = map[string]storage.Dimension{"salon": storage.BySalon, "actor": storage.ByActor, "practitioner": storage.ByActor,
	"rule": storage.ByRule, "reason": storage.ByReason}

// fixed returns the full forms of a value that the contract or the rules list. Such a
// value is known even if no entry has it: no entry with it is an answer.
func (v values) fixed(field, text string) ([]string, error) {
	all := []string{}
	switch field {
	case "reason":
		all = append(codes(), ledger.Alone, ledger.OpaqueLot)
		fallthrough
	case "override_reason", "rule":
		known, err := v.ruleWords(field)
		if err != nil {
			return nil, err
		}
		all = append(all, known...)
	}
	full := slices.DeleteFunc(slices.Clone(all), func(c string) bool { return c != text && !isPrefixless(c, text) })
	slices.Sort(full)
	return slices.Compact(full), nil
}

// isPrefixless reports whether text is a code of the contract without the prefix of its
// enum.
func isPrefixless(code, text string) bool {
	for _, e := range reasonEnums {
		prefix := strings.TrimSuffix(string(e.Descriptor().Values().Get(0).Name()), "UNSPECIFIED")
		if code == prefix+text {
			return true
		}
	}
	return false
}

// ruleWords returns the ids of the rules, built-in and of the chain's house policies, or
// the codes of their override reasons. Rules of earlier policies are not among them; they
// are found in the entries that name them.
func (v values) ruleWords(field string) (all []string, err error) {
	policies, err := everything(v.r, storage.HousePolicies, v.chain)
	if err != nil {
		return nil, err
	}
	for _, p := range append(policies, nil) {
		for _, rule := range v.rules.Rules(p) {
			if field == "rule" {
				all = append(all, rule.GetRuleId())
				continue
			}
			for _, reason := range rule.GetOverrideTerms().GetReasons() {
				all = append(all, reason.GetCode())
			}
		}
	}
	return all, nil
}

// recorded returns the names of the records that a value of a field means. Decisions and
// sessions lie below a client, so that their short form is not a name yet; entries have
// them in full.
func (v values) recorded(field, text string) ([]string, error) {
	switch field {
	case "salon":
		return exists(v, storage.Salons, "salons", text)
	case "actor", "practitioner", "service_practitioner":
		return exists(v, storage.Practitioners, "practitioners", text)
	case "client":
		return exists(v, storage.Clients, "clients", text)
	case "decision":
		return exists(v, storage.Decisions, "decisions", text)
	case "session":
		return exists(v, storage.Sessions, "sessions", text)
	case "product":
		return exists(v, storage.Products, "products", text)
	case "policy":
		return v.policies(text)
	case "lot":
		lots, err := v.known("lot")
		return slices.DeleteFunc(lots, func(l string) bool { return l != text }), err
	}
	return nil, nil
}

// exists returns the name of the record that a text names, in full or by its last part;
// nothing if there is none.
func exists[M record.Named](v values, kind record.Getter[M], collection, text string) ([]string, error) {
	name := text
	if !strings.Contains(text, "/") {
		name = v.chain + "/" + collection + "/" + text
	}
	_, err := kind.GetUnchecked(v.r, name)
	if errors.Is(err, storage.ErrNotFound) {
		return nil, nil
	}
	return []string{name}, err
}

// policies returns the house policies of that name or digest, or the digest of the
// built-in policy.
//
// An entry of a decision has the digest of the policy in force, and the name of the house
// policy if there was one. Both can be asked for: a name finds all versions of a house
// policy, a digest exactly one.
func (v values) policies(text string) (found []string, err error) {
	all, err := everything(v.r, storage.HousePolicies, v.chain)
	for _, p := range all {
		switch text {
		case p.GetName(), strings.TrimPrefix(p.GetName(), v.chain+"/policies/"):
			found = append(found, p.GetName())
			continue
		}
		found = append(found, digests([]string{p.GetDigest()}, text)...)
	}
	return append(found, digests([]string{v.rules.Digest(nil)}, text)...), err
}

// digests returns those that begin with text, of which at least as much is needed as a
// report shows.
func digests(of []string, text string) []string {
	return slices.DeleteFunc(of, func(d string) bool { return len(text) < shownDigest || !strings.HasPrefix(d, text) })
}

// shownDigest is how many digits of a policy's digest are enough to name it. Our own
// choice.
const shownDigest = 12

// known returns values of a field that can be compared with, for an error. Of clients,
// decisions and sessions there are too many to help; the error shows the form of a name.
func (v values) known(field string) ([]string, error) {
	switch field {
	case "salon":
		return firstNames(v.r, storage.Salons, v.chain)
	case "practitioner", "service_practitioner":
		return firstNames(v.r, storage.Practitioners, v.chain)
	case "product":
		return firstNames(v.r, storage.Products, v.chain)
	case "lot":
		products, err := everything(v.r, storage.Products, v.chain)
		var lots []string
		for _, p := range products {
			for _, l := range p.GetLots() {
				lots = append(lots, l.GetLotCode())
			}
		}
		return lots, err
	case "actor", "rule", "reason":
		return storage.CountedKeys(v.r, countedBy[field], "", mostNamed+1)
	case "policy", "till_version":
		there, _, err := v.unsearchable(storage.EntryFilter{Op: "=", Field: field, Value: "?"})
		return there, err
	case "client", "decision", "session":
		return nil, nil
	}
	return storage.EntryValues(v.r, field, "", mostNamed+1)
}

// errEnough ends a look at all entries.
var errEnough = errors.New("enough")

// unsearchable looks through all entries for a comparison without a search column. It
// returns the values that there are and 1 if the wanted one is among them. This is slow
// on a long log, and only a version or digest that no policy has comes so far.
func (v values) unsearchable(f storage.EntryFilter) (there []string, has int, err error) {
	seen := map[string]bool{}
	err = storage.EachEntry(v.r, storage.EntryFilter{}, func(e *pb.AuditEntry) error {
		value := e.GetTillVersion()
		if f.Field == "policy" {
			value = cmp.Or(e.GetHousePolicy(), e.GetPolicyDigest())
		}
		if value != "" && !seen[value] {
			seen[value] = true
			there = append(there, value)
		}
		if f.Matches(e) {
			has = 1
			return errEnough
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return there, has, err
}

// everything reads all records of a kind that belong to a chain, page by page. It is for
// kinds of which a chain has few: products and house policies.
func everything[M record.Named](r *storage.Snapshot, kind record.Lister[M], chain string) (all []M, err error) {
	for page := (storage.Page{Size: storage.MaxPageSize}); ; {
		list, next, err := kind.List(r, chain, page)
		if all = append(all, list...); err != nil || next == "" {
			return all, err
		}
		page.Token = next
	}
}

// firstNames returns the names of the first records of a kind, one more than an error names.
func firstNames[M record.Named](r *storage.Snapshot, kind record.Lister[M], chain string) (all []string, err error) {
	list, _, err := kind.List(r, chain, storage.Page{Size: mostNamed + 1})
	for _, m := range list {
		all = append(all, m.GetName())
	}
	return all, err
}

// reasonEnums are the enums whose values are reason codes of entries. Other codes, such as
// those of denied access, are found in the entries that have them.
var reasonEnums = []interface {
	Descriptor() protoreflect.EnumDescriptor
}{pb.DeviationKind(0), pb.AlarmKind(0), pb.OverrideDenial(0), pb.ClosingReason(0)}

// codes returns the values of these enums, by their full names, as entries have them.
func codes() (all []string) {
	for _, e := range reasonEnums {
		list := e.Descriptor().Values()
		for i := range list.Len() {
			all = append(all, string(list.Get(i).Name()))
		}
	}
	return all
}
