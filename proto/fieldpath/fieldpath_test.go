package fieldpath

import (
	"math"
	"slices"
	"strings"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// everyPath lists all answers of a head with one section, leaves only.
func everyPath(t testing.TB) []Path {
	t.Helper()
	var paths []Path
	var walk func(text string, m protoreflect.MessageDescriptor, depth int)
	walk = func(text string, m protoreflect.MessageDescriptor, depth int) {
		for _, name := range names(m, depth) {
			f := m.Fields().ByName(protoreflect.Name(name))
			ends := []string{""}
			if k := keyOf(f); k != nil && k.Enum() != nil {
				ends = nil
				for _, key := range enumKeys(k.Enum()) {
					ends = append(ends, "["+key+"]")
				}
			} else if k != nil {
				ends = []string{"[nape]"}
			}
			for _, end := range ends {
				at := join(text, name) + end
				if f.Message() != nil && !isLeafMessage(f.Message()) && (end != "" || !f.IsList()) {
					walk(at, f.Message(), depth+1)
					continue
				}
				p, err := Parse(at)
				if err != nil {
					t.Fatalf("%s: %v", at, err)
				}
				paths = append(paths, p)
			}
		}
	}
	walk("", root(), 0)
	return paths
}

// valueFor draws an allowed value for a leaf.
func valueFor(t *rapid.T, p Path) protoreflect.Value {
	switch d := p.Describe(); d.Kind {
	case KindAnswer, KindChoice:
		return protoreflect.ValueOfEnum(rapid.SampledFrom(d.Choices).Draw(t, "choice").Number)
	case KindNumber:
		n := rapid.Float64Range(*d.Min, *d.Max).Draw(t, "number")
		if d.Whole {
			return protoreflect.ValueOfInt32(int32(n))
		}
		return protoreflect.ValueOfFloat64(n)
	case KindText:
		return protoreflect.ValueOfString(rapid.SampledFrom([]string{"L1", "another"}).Draw(t, "text"))
	case KindDoctorsWords:
		return p.exampleList()
	}
	return newMessage(p)
}

// The wholes that a path may name, and what may not be named.
func TestParse(t *testing.T) {
	for _, text := range []string{
		"consultation.scalp.broken_skin", "consultation.hair.zones[ends].condition", "consultation.history.relaxer.last_date",
		"consultation.hair.sections[nape].resistant", "consultation.history.relaxer", "consultation.hair.zones[new-growth]",
		"consultation.hair.sections[back-left]", "consultation.remarks", "consultation.history.doctors_words",
		"service_kind", "lot_code", "what_changed", "section_products[nape].lot_code",
	} {
		if p, err := Parse(text); err != nil || p.String() != text {
			t.Errorf("%s: %v", text, err)
		}
	}
	for text, want := range map[string]string{
		"":                             "must have one of consultation,",
		"scalp.redness":                "must have one of consultation,",
		"consultation":                 "such as consultation.wishes, consultation.scalp",
		"consultation.scalp":           "such as consultation.scalp.broken_skin",
		"consultation.scalp.dandruff":  `in the place of "dandruff"`,
		"consultation.etag":            "must have one of wishes, scalp, hair, tests, history, consent, remarks",
		"consultation.salon":           "must have one of wishes",
		"consultation.state":           "must have one of wishes",
		"consultation.scalp.redness.x": "must end at redness",
		"consultation.history.relaxer.last_time.s": "must end at last_time",
		"consultation.hair.zones":                  "consultation.hair.zones[KEY]",
		"consultation.hair.zones[ENDS].condition":  "a key of new-growth, mid-strand, ends",
		"consultation.hair.zones[ends":             "a key of new-growth",
		"consultation.hair.zones[unspecified]":     "a key of new-growth",
		"consultation.hair.zones[0].condition":     "a key of new-growth",
		"consultation.hair.zones[ends].zone":       "must have one of condition",
		"consultation.hair.zones.condition":        "must end at zones",
		"consultation.hair.sections[Nape].texture": "the id of a section",
		"consultation.hair.texture[x]":             `"texture" without a key`,
		"consultation.history.doctors_words[0]":    `"doctors_words" without a key`,
		"consultation..scalp":                      `in the place of ""`,
		"consultation.scalp.":                      `in the place of ""`,
		" consultation.scalp.redness":              "must have one of consultation",
		"section_products[nape]":                   "section_products[nape].lot_code",
		"product.kind":                             "must have one of consultation",
		strings.Repeat("a", 201):                   "at most 200 characters",
	} {
		if _, err := Parse(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

// A case in which every answer is given lists every path and no other, and what is set is
// read, cleared, and then gone. Nothing beside it changes.
func TestSetGetClear(t *testing.T) {
	all := everyPath(t)
	rapid.Check(t, func(t *rapid.T) {
		in, want := &pb.DecisionInputs{}, map[string]protoreflect.Value{}
		for _, p := range rapid.SliceOfNDistinct(rapid.SampledFrom(all), 1, 40, Path.String).Draw(t, "paths") {
			want[p.String()] = valueFor(t, p)
			p.Set(in, want[p.String()])
		}
		for _, p := range all {
			value, ok := p.Get(in)
			if w, set := want[p.String()]; ok != set || set && !value.Equal(w) {
				t.Fatalf("%s reads %v, %v; set %v", p, value, ok, set)
			}
		}
		if got := leaves(Answered(in)); len(got) != len(want) {
			t.Fatalf("answered %v, want %d", got, len(want))
		}
		for text := range want {
			before := leaves(Answered(in))
			MustParse(text).Clear(in)
			if after := leaves(Answered(in)); !slices.Equal(after, slices.DeleteFunc(before, func(s string) bool { return s == text })) {
				t.Fatalf("clearing %s leaves %v", text, after)
			}
		}
		for _, element := range []string{"new-growth", "mid-strand", "ends"} {
			MustParse("consultation.hair.zones[" + element + "]").Clear(in)
		}
		MustParse("consultation.hair.sections[nape]").Clear(in)
		in.SectionProducts = nil
		if rest := proto.Size(in.GetConsultation().GetHair()); rest > 0 || in.GetConsultation().GetScalp() != nil {
			t.Fatalf("after clearing everything there is %v", in)
		}
	})
}

func leaves(paths []Path) []string {
	var texts []string
	for _, p := range paths {
		if !p.IsElement() {
			texts = append(texts, p.String())
		}
	}
	return texts
}

// A number that the contract refuses is refused here too, with the same limits; and every
// number has limits.
func TestNumbersAreJudgedAsTheContractDoes(t *testing.T) {
	v, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range everyPath(t) {
		d := p.Describe()
		if d.Kind != KindNumber {
			continue
		}
		if d.Min == nil || d.Max == nil {
			t.Errorf("%s has no limits", p)
			continue
		}
		for _, n := range []float64{*d.Min, *d.Max, *d.Min - 1, *d.Max + 1, math.NaN(), (*d.Min + *d.Max) / 2} {
			if d.Whole && (math.IsNaN(n) || n != math.Trunc(n)) {
				continue // cannot be written as the field
			}
			value := protoreflect.ValueOfFloat64(n)
			if d.Whole {
				value = protoreflect.ValueOfInt32(int32(n))
			}
			in := &pb.DecisionInputs{}
			p.Set(in, value)
			parent := in.GetConsultation()
			refused := false
			parent.ProtoReflect().Range(func(_ protoreflect.FieldDescriptor, part protoreflect.Value) bool {
				refused = v.Validate(part.Message().Interface()) != nil
				return true
			})
			if here := d.CheckNumber(n) != ""; here != refused {
				t.Errorf("%s = %v: refused here %v, by the contract %v", p, n, here, refused)
			}
		}
	}
}

// The descriptions that a till draws its fields from.
func TestDescribe(t *testing.T) {
	for text, want := range map[string]Description{
		"consultation.scalp.broken_skin":              {Kind: KindAnswer},
		"consultation.hair.texture":                   {Kind: KindChoice},
		"consultation.hair.new_growth_mm":             {Kind: KindNumber, Unit: "mm"},
		"consultation.hair.curl_index":                {Kind: KindNumber},
		"consultation.tests.strand_minutes":           {Kind: KindNumber, Unit: "minutes"},
		"consultation.wishes.straightening_percent":   {Kind: KindNumber, Unit: "percent"},
		"consultation.consent.age_years":              {Kind: KindNumber, Unit: "years", Whole: true},
		"consultation.tests.strand_product":           {Kind: KindText, Reference: "alkalog/Product"},
		"consultation.remarks":                        {Kind: KindText, MaxLength: 2000},
		"consultation.history.relaxer.last_time":      {Kind: KindTime},
		"consultation.history.relaxer.last_date":      {Kind: KindDate},
		"consultation.history.relaxer":                {Kind: KindEvent},
		"consultation.history.doctors_words":          {Kind: KindDoctorsWords},
		"consultation.hair.sections[nape]":            {Kind: KindElement},
		"consultation.hair.zones[ends].smoothing":     {Kind: KindEvent},
		"consultation.hair.sections[nape].curl_type":  {Kind: KindChoice},
		"consultation.hair.zones[ends].metallic_dye":  {Kind: KindAnswer},
		"consultation.tests.elasticity":               {Kind: KindChoice},
		"consultation.hair.zones[mid-strand].thio":    {Kind: KindEvent},
		"consultation.hair.zones[ends].thio.happened": {Kind: KindAnswer},
	} {
		d := MustParse(text).Describe()
		if d.Kind != want.Kind || d.Unit != want.Unit || d.Whole != want.Whole || d.MaxLength != want.MaxLength || d.Reference != want.Reference {
			t.Errorf("%s: %+v", text, d)
		}
		if hasChoices := len(d.Choices) > 0; hasChoices != (d.Kind == KindAnswer || d.Kind == KindChoice) {
			t.Errorf("%s: choices %v", text, d.Choices)
		}
	}
	d := MustParse("consultation.hair.texture").Describe()
	if len(d.Choices) != 3 || d.Choices[0] != (Choice{"TEXTURE_FINE", 1, "fine"}) {
		t.Errorf("textures: %v", d.Choices)
	}
	if n, want := d.ChoiceOf("TEXTURE_UNSPECIFIED"); n != 0 || want == "" {
		t.Error("not answered is a choice")
	}
}

// Texts are judged by the contract's own rules.
func TestCheckText(t *testing.T) {
	remarks, product := MustParse("consultation.remarks").Describe(), MustParse("consultation.tests.strand_product").Describe()
	for _, test := range []struct {
		d          Description
		text, want string
	}{
		{remarks, "hair in braids until Tuesday", ""},
		{remarks, "", "clear_fields"},
		{remarks, strings.Repeat("ä", 2000), ""},
		{remarks, strings.Repeat("ä", 2001), "at most 2000 characters"},
		{remarks, "bell \a", "control characters"},
		{product, "chains/ebb/products/lye", ""},
		{product, "lye", "the name of a product"},
	} {
		if got := test.d.CheckText(test.text); (got == "") != (test.want == "") || !strings.Contains(got, test.want) {
			t.Errorf("%.20q: %q, want %q", test.text, got, test.want)
		}
	}
}

// The key of a section is the contract's section_id.
func TestSectionIDIsTheContracts(t *testing.T) {
	for _, m := range []proto.Message{&pb.HeadSection{}, &pb.SectionProduct{}} {
		f := m.ProtoReflect().Descriptor().Fields().ByName("section_id")
		rules := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
		if got := rules.GetString().GetPattern(); got != sectionID.String() {
			t.Errorf("%s has the pattern %s, paths have %s", f.FullName(), got, sectionID)
		}
	}
}

// FuzzParse: whatever is written as a path, it is refused with words, or it is the only
// spelling of its path and names a place that can be set, read and cleared.
func FuzzParse(f *testing.F) {
	for _, p := range everyPath(f) {
		f.Add(p.String())
	}
	for _, text := range []string{"", ".", "[", "consultation.hair.zones[ends]", "consultation.hair.zones[ends]x.condition", "consultation.hair.sections[[nape]]", "consultation\x00.remarks"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		p, err := Parse(text)
		if err != nil {
			if err.Error() == "" || len(p.steps) > 0 {
				t.Errorf("%q is refused without words", text)
			}
			return
		}
		in := &pb.DecisionInputs{}
		var value protoreflect.Value
		switch f := p.Field(); {
		case p.IsElement():
		case f.IsList():
			value = MustParse("consultation.history.doctors_words").exampleList()
		case f.Message() != nil:
			value = newMessage(p)
		case f.Enum() != nil:
			value = protoreflect.ValueOfEnum(1)
		case f.Kind() == protoreflect.StringKind:
			value = protoreflect.ValueOfString("x")
		case f.Kind() == protoreflect.Int32Kind:
			value = protoreflect.ValueOfInt32(1)
		default:
			value = protoreflect.ValueOfFloat64(1)
		}
		p.Set(in, value)
		if _, ok := p.Get(in); !ok || p.String() != text || p.Describe().Kind == 0 {
			t.Errorf("%q cannot be read back", text)
		}
		p.Clear(in)
		if _, ok := p.Get(in); ok {
			t.Errorf("%q cannot be cleared", text)
		}
	})
}

func (p Path) exampleList() protoreflect.Value {
	one := &pb.ClientHistory{DoctorsWords: []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_SCALP}}}
	return one.ProtoReflect().Get(p.Field())
}

// newMessage is an empty message for a path that takes one.
func newMessage(p Path) protoreflect.Value {
	in := &pb.DecisionInputs{}
	m := in.ProtoReflect()
	for _, s := range p.steps[:len(p.steps)-1] {
		if s.key != "" {
			m = element(m.Mutable(s.field).List(), s)
		} else {
			m = m.Mutable(s.field).Message()
		}
	}
	return m.NewField(p.Field())
}
