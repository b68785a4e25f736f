package rules

import (
	"math"
	"strconv"
	"strings"
	"sync"
	"time"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/decls"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"cel.dev/cel-go/common/types/traits"
	"cel.dev/cel-go/interpreter"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/alkali"
	"alkalog/storage/lotcode"
)

// Rules name the contract's fields by their path, as in "consultation.scalp.redness",
// and enum values by their short names, as in Answer.YES. A misspelt name does not
// compile, so it cannot be a rule that is silent for ever.
//
// Each path is one variable of CEL, not a field of a message: a variable can be unknown
// by itself, and the list of variables is at the same time the list of what rules may
// read. What is not in it, such as names and free words, no rule can see.

// language is the language of rules: its fields, words and functions.
type language struct {
	enums          enumTable
	fields         []field
	index          map[string]int
	fieldOfUnknown map[*types.Unknown][]int // the field that an unknown is of
	zones          int                      // fields[zones:sections] are about one zone
	productFields  []bool                   // by field: it is of the product, see ofProduct
	waits          []int                    // the fields of waitNumbers
	openAnswers    map[string]openAnswer    // the answers that derived fields wait for, by their paths
	zonePaths      [3][]string              // the paths of a zone's fields, zone by zone
	sections       int                      // fields[sections:] are about one section
	adapter        types.Adapter
	env            *cel.Env
	planner        interpreter.Interpreter
	states         sync.Pool // of *state, closed
	// defaults are the policy's numbers without any chain's.
	defaults *pb.PolicyParameters

	locations sync.Map // of *time.Location, by name
}

// newLanguage makes the language. It is the same for every policy of this program;
// older policies are built with it too, so a field or a function may be added and never
// taken away or changed in meaning.
func newLanguage() (*language, error) {
	v := newEnumTable()
	l := &language{enums: v, fields: allFields(v), index: map[string]int{}, fieldOfUnknown: map[*types.Unknown][]int{}}
	for i, f := range l.fields {
		l.index[f.path] = i
		if u, ok := f.absent.(*types.Unknown); ok {
			l.fieldOfUnknown[u] = []int{i}
		}
	}
	// The first field of a zone and of a section mark where their fields begin, see
	// allFields.
	l.zones, l.sections = l.index["zone.zone"], l.index["section.section_id"]
	l.addTables()
	provider, err := newProvider(v)
	if err != nil {
		return nil, err
	}
	l.adapter = provider
	options := []cel.EnvOption{
		cel.Container("alkalog.v1"), cel.CustomTypeAdapter(provider), cel.CustomTypeProvider(provider),
		cel.CrossTypeNumericComparisons(true), cel.ParserExpressionSizeLimit(maxExpression),
	}
	options = append(options, v.celConstants()...)
	options = append(options, l.functions()...)
	for _, f := range l.fields {
		options = append(options, cel.Variable(f.path, f.celType))
	}
	if l.env, err = cel.NewEnv(options...); err != nil {
		return nil, err
	}
	l.planner, err = newPlanner(l.env, provider)
	return l, err
}

// openAnswer is an answer that was not given: its code and its unknown.
type openAnswer struct {
	code    int64
	unknown *types.Unknown
}

// addTables works out once what every decision would work out again from the paths.
func (l *language) addTables() {
	l.openAnswers = map[string]openAnswer{}
	for i, f := range l.fields {
		l.productFields = append(l.productFields, f.path == "lot_code" || strings.HasPrefix(f.path, "product.") || strings.HasPrefix(f.path, waitPath))
		if u, ok := f.absent.(*types.Unknown); ok {
			l.openAnswers[f.path] = openAnswer{int64(i), u}
		}
	}
	for _, n := range waitNumbers {
		l.waits = append(l.waits, l.index[waitPath+n.name])
	}
	for k, z := range zones() {
		for i := l.zones; i < l.sections; i++ {
			name := l.fields[i].path[len("zone."):]
			l.zonePaths[k] = append(l.zonePaths[k], z.path+"."+name)
			if _, asked := l.fields[i].absent.(*types.Unknown); asked {
				path := zonePath(z.Zone, name)
				code := l.questionCode(i, z.Zone)
				u := types.NewUnknown(code, types.NewAttributeTrail(path))
				l.openAnswers[path] = openAnswer{code, u}
				l.fieldOfUnknown[u] = []int{int(code)}
			}
		}
	}
}

// newPlanner turns checked expressions into what can be run at once, without the
// wrapping that cel.Program puts around every single evaluation.
// The functions are those of the environment, so that both kinds of program call the
// same ones.
func newPlanner(env *cel.Env, p *provider) (interpreter.Interpreter, error) {
	dispatcher := interpreter.NewDispatcher()
	for _, f := range env.Functions() {
		bindings, err := f.Bindings()
		if err != nil {
			return nil, err
		}
		if err := dispatcher.Add(bindings...); err != nil {
			return nil, err
		}
	}
	return interpreter.NewInterpreter(dispatcher, env.Container, p, p, interpreter.NewAttributeFactory(env.Container, p, p)), nil
}

// functions are the few that rules have beyond CEL's own. hours and days make spans of
// whole numbers; a span of days is 24 hours each and is used for ages of tests only,
// since waits in days count calendar days (wait.go). as_sodium_hydroxide and percent
// add up ingredients as the law does. same_lot compares codes as people type them.
func (l *language) functions() []cel.EnvOption {
	span := func(name string, unit time.Duration) cel.EnvOption {
		return cel.Function(name, cel.Overload(name+"_int", []*cel.Type{cel.IntType}, cel.DurationType,
			cel.UnaryBinding(func(n ref.Val) ref.Val {
				const century = 100 * 365 * 24 * time.Hour // more is no wait, and would overflow
				return types.Duration{Duration: time.Duration(min(int64(n.(types.Int)), int64(century/unit))) * unit}
			})))
	}
	return []cel.EnvOption{
		span("hours", time.Hour), span("days", 24*time.Hour),
		// These two check their arguments themselves, and cheaper.
		cel.Function("as_sodium_hydroxide", cel.Overload("as_sodium_hydroxide_ingredients",
			[]*cel.Type{cel.ListType(cel.ObjectType("alkalog.v1.Ingredient"))}, cel.DoubleType,
			cel.UnaryBinding(asSodiumHydroxide)), decls.DisableTypeGuards(true)),
		cel.Function("percent", cel.Overload("percent_ingredients_substance",
			[]*cel.Type{cel.ListType(cel.ObjectType("alkalog.v1.Ingredient")), cel.OpaqueType("alkalog.v1.Substance")}, cel.DoubleType,
			cel.BinaryBinding(percent)), decls.DisableTypeGuards(true)),
		cel.Function("same_lot", cel.Overload("same_lot_string_string", []*cel.Type{cel.StringType, cel.StringType}, cel.BoolType,
			cel.BinaryBinding(sameLot))),
	}
}

// sameLot compares lot codes as lots are compared everywhere, not as they are
// spelled.
func sameLot(a, b ref.Val) ref.Val {
	return types.Bool(lotcode.Same(string(a.(types.String)), string(b.(types.String))))
}

// ingredients is a list of a product's ingredients that remembers the messages.
// CEL sees the list; percent and as_sodium_hydroxide read the messages.
type ingredients struct {
	traits.Lister
	messages []*pb.Ingredient
}

// The law limits the hydroxides "expressed as sodium hydroxide" and by their sum
// (Regulation (EC) 1223/2009, Annex III, entry 15), so a comparison by plain percentage
// would pass an illegal lithium product. Package alkali has the factors.

// asSodiumHydroxide adds up the sodium, potassium and lithium hydroxide as % m/m
// of sodium hydroxide, the way the law counts them.
func asSodiumHydroxide(list ref.Val) ref.Val {
	of, ok := list.(*ingredients)
	if !ok {
		return types.NewErr("only product.ingredients can be counted as sodium hydroxide")
	}
	var few [12]alkali.Part // as many as the contract allows
	composition := few[:0]
	for _, i := range of.messages {
		composition = append(composition, alkali.Part{Substance: hydroxide(i.GetSubstance()), Percent: i.GetMassPercent()})
	}
	return rounded(alkali.EquivalentNaOH(composition))
}

// hydroxide is the substance as package alkali names it; unknown for those that the
// law does not count as sodium hydroxide.
func hydroxide(s pb.Substance) alkali.Substance {
	switch s {
	case pb.Substance_SUBSTANCE_SODIUM_HYDROXIDE:
		return alkali.SodiumHydroxide
	case pb.Substance_SUBSTANCE_POTASSIUM_HYDROXIDE:
		return alkali.PotassiumHydroxide
	case pb.Substance_SUBSTANCE_LITHIUM_HYDROXIDE:
		return alkali.LithiumHydroxide
	case pb.Substance_SUBSTANCE_LITHIUM_HYDROXIDE_MONOHYDRATE:
		return alkali.LithiumHydroxideMonohydrate
	}
	return alkali.UnknownSubstance
}

// percent adds up one substance, % m/m; what is no number counts as all of it.
// A percentage below zero counts as nothing, so that it cannot make up for another.
func percent(list, substance ref.Val) ref.Val {
	of, ok := list.(*ingredients)
	w, known := substance.(*enumValue)
	if !ok || !known {
		return types.NewErr("only product.ingredients hold a percentage of a substance")
	}
	sum := 0.0
	for _, i := range of.messages {
		switch {
		case int32(i.GetSubstance()) != w.number:
		case math.IsNaN(i.GetMassPercent()):
			sum += 100
		default:
			sum += max(i.GetMassPercent(), 0)
		}
	}
	return rounded(sum)
}

// rounded is a percentage to a billionth, so that the sum of two decimals is what
// a person would get.
func rounded(percent float64) ref.Val { return types.Double(math.Round(percent*1e9) / 1e9) }

// What stands beside a finding is read by people and compared by the start of a service
// (sameFinding), so it is written in one way: words of enums, times in UTC to the minute,
// numbers to three decimals.

// displayValue writes a value the way it is shown beside a finding.
// Lists, null and unknown give the empty text and are not shown.
func displayValue(v ref.Val) string {
	switch v := v.(type) {
	case *enumValue:
		return v.text()
	case types.Timestamp:
		return v.Time.UTC().Format("2006-01-02 15:04 UTC")
	case types.Double:
		return strings.TrimSuffix(strings.TrimRight(strconv.FormatFloat(float64(v), 'f', 3, 64), "0"), ".")
	case types.Int:
		return strconv.FormatInt(int64(v), 10)
	case types.String:
		return string(v)
	}
	return ""
}
