package texts

import (
	"slices"
	"strings"
	"testing"

	"golang.org/x/text/message"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// A draft language is served only where it is turned on, and a language that merely
// resembles it is not taken for it.
func TestChoose(t *testing.T) {
	all := Languages()
	for _, c := range []struct {
		accept     string
		unreviewed []string
		want       string
	}{
		{"", all, "en"},
		{"fr", nil, "en"},
		{"fr", []string{"es"}, "en"},
		{"fr", all, "fr"},
		{"fr-CA, en;q=0.5", all, "fr"},
		{"pt-BR", all, "pt"},
		{"pt-PT", all, "pt"},
		{"es-419,es;q=0.9", all, "es"},
		{"de, es;q=0.8, en;q=0.5", all, "es"},
		{"de", all, "en"},
		{"ca", all, "en"}, // resembles Spanish to a matcher; nobody asked for Spanish
		{"en-GB, fr;q=0.9", all, "en"},
		{"fr;q=0.1, en;q=0.9", all, "en"},
		{"*", all, "en"},
		{"not a header;;;", all, "en"},
		{strings.Repeat("fr,", 200) + "fr", all, "en"},
		{"tlh", []string{"tlh"}, "en"}, // a chain cannot turn on what the catalogue lacks
	} {
		if got := Choose(c.accept, c.unreviewed); got != c.want {
			t.Errorf("Choose(%q, %q) = %q, want %q", c.accept, c.unreviewed, got, c.want)
		}
	}
}

// Every text has English words, and a translation names exactly the placeholders of
// the English text.
func TestCatalogueIsComplete(t *testing.T) {
	for id, e := range served.entries {
		want := slices.Sorted(slices.Values(placeholders(e.words[English])))
		for name, words := range e.words {
			if strings.TrimSpace(words) == "" {
				t.Errorf("%s: no words in %s", id, name)
			}
			if got := slices.Sorted(slices.Values(placeholders(words))); !slices.Equal(got, want) {
				t.Errorf("%s: placeholders in %s are %q, want %q", id, name, got, want)
			}
			if strings.Count(words, "{") != len(placeholder.FindAllString(words, -1)) {
				t.Errorf("%s: a brace in %s belongs to no placeholder", id, name)
			}
		}
		for name := range e.reviewed {
			if e.words[name] == "" {
				t.Errorf("%s: reviewed in %s, where it has no words", id, name)
			}
		}
	}
}

// What forms and findings say is drafted in every language of the catalogue, so that
// none mixes languages.
func TestFormsAreTranslatedWhole(t *testing.T) {
	for id, e := range served.entries {
		part, _, _ := strings.Cut(id, "/")
		if !slices.Contains([]string{"questions", "choices", "forms", "statements", "together", "rules"}, part) {
			continue
		}
		for _, name := range Languages() {
			if e.words[name] == "" {
				t.Errorf("%s: no words in %s", id, name)
			}
		}
	}
}

// Every choice of the consultation's enums has words.
func TestEveryChoiceHasWords(t *testing.T) {
	for _, choices := range []protoreflect.EnumDescriptor{
		pb.Answer(0).Descriptor(), pb.Texture(0).Descriptor(), pb.CurlType(0).Descriptor(), pb.Density(0).Descriptor(),
		pb.Porosity(0).Descriptor(), pb.HairCondition(0).Descriptor(), pb.Strength(0).Descriptor(), pb.HydroxideKind(0).Descriptor(),
		pb.Zone(0).Descriptor(), pb.ServiceKind(0).Descriptor(), pb.ElasticityReading(0).Descriptor(),
		pb.IncompatibilityReading(0).Descriptor(), pb.StrandReading(0).Descriptor(), pb.ClearanceCause(0).Descriptor(),
		pb.ProductKind(0).Descriptor(),
	} {
		for i := range choices.Values().Len() {
			value := choices.Values().Get(i)
			words, reviewed := Choice(English, value)
			if value.Number() != 0 && (words == "" || !reviewed) {
				t.Errorf("%s has no reviewed English words", value.Name())
			}
		}
	}
}

func TestReviewed(t *testing.T) {
	for lang, want := range map[string]bool{"en": true, "fr": false, "pt": false, "es": false, "de": false} {
		if Reviewed(lang) != want {
			t.Errorf("Reviewed(%s) = %t", lang, !want)
		}
	}
}

func TestText(t *testing.T) {
	for _, c := range []struct {
		lang, id string
		args     Args
		want     string
		reviewed bool
	}{
		{"en", "choices/ANSWER_UNSURE", nil, "Not sure", true},
		{"fr", "choices/ANSWER_UNSURE", nil, "Pas sûr", false},
		{"de", "choices/ANSWER_UNSURE", nil, "Not sure", true}, // falls back on English
		{"fr", "forms/section", Args{"section": "nape", "text": "100 %"}, "Section nape : 100 %", false},
		{"fr", "choices/NO_SUCH_VALUE", nil, "", false},
	} {
		got, reviewed := Text(c.lang, c.id, c.args)
		if got != c.want || reviewed != c.reviewed {
			t.Errorf("Text(%s, %s) = %q, %t, want %q, %t", c.lang, c.id, got, reviewed, c.want, c.reviewed)
		}
	}
}

// A translation belongs to the sentence that it was made from.
func TestTranslate(t *testing.T) {
	const id, english = "questions/section.fragile", "Is the hair here fragile?"
	if got, reviewed := Translate("es", id, english, nil); got != "¿El pelo aquí es frágil?" || reviewed {
		t.Errorf("got %q, %t", got, reviewed)
	}
	for _, c := range [][3]string{{"es", id, "Is the hair here very fragile?"}, {"en", id, english}, {"de", id, english}, {"es", "questions/none", english}} {
		if got, _ := Translate(c[0], c[1], c[2], nil); got != "" {
			t.Errorf("Translate(%q) = %q, want nothing", c, got)
		}
	}
}

// A draft of a consent, an alarm or first aid is never served, whatever the chain
// turns on; a reviewed one is.
func TestDraftsOfWhatMayHurtAreNotServed(t *testing.T) {
	for _, part := range reviewedOnly {
		l := &library{entries: map[string]entry{}}
		if err := l.add(part, []byte("draft: {en: Rinse now., fr: Rincez., es: Enjuague., reviewed: es}\n")); err != nil {
			t.Fatal(err)
		}
		e := l.entries[part+"/draft"]
		if e.mayServe("fr", part+"/draft") {
			t.Errorf("a French draft of %s is served", part)
		}
		if !e.mayServe("es", part+"/draft") || !e.mayServe("en", part+"/draft") {
			t.Errorf("a reviewed text of %s is not served", part)
		}
	}
	for id, e := range served.entries {
		for name := range e.words {
			if part, _, _ := strings.Cut(id, "/"); slices.Contains(reviewedOnly, part) && !e.reviewed[name] {
				t.Errorf("%s: a draft in %s; keep it out of the catalogue until it is reviewed", id, name)
			}
		}
	}
}

func TestNumbersAreWrittenAsTheLanguageDoes(t *testing.T) {
	l := &library{entries: map[string]entry{}, printers: map[string]*message.Printer{}}
	err := l.add("rules", []byte(`wait: {en: "{mm} mm, {percent} % at most", fr: "au plus {percent} %, {mm} mm"}`))
	if err == nil {
		err = l.build()
	}
	if err != nil {
		t.Fatal(err)
	}
	if got, want := l.print("fr", "rules/wait", l.entries["rules/wait"], Args{"mm": 12.5, "percent": 80}), "au plus 80 %, 12,5 mm"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestQuestion(t *testing.T) {
	for _, c := range [][3]string{
		{"consultation.hair.texture", "Is the hair fine, medium or coarse?", "¿El pelo es fino, medio o grueso?"},
		{"consultation.hair.zones[new-growth].condition", "New growth: What condition is the hair in?", "Crecimiento nuevo: ¿En qué estado está el pelo?"},
		{"consultation.hair.sections[nape].fragile", "Section nape: Is the hair here fragile?", "Sección nape: ¿El pelo aquí es frágil?"},
		{"section_products[nape].lot_code", "Section nape: Which lot will you use (the code on the pack)?", "Sección nape: ¿Qué lote va a usar (el código del envase)?"},
		{"consultation.hair.texture", "Another question?", ""},
		{"consultation.hair.zones[ends].condition", "Ends: Another question?", ""},
	} {
		if got, _ := Question("es", c[0], c[1]); got != c[2] {
			t.Errorf("Question(%s) = %q, want %q", c[0], got, c[2])
		}
	}
}
