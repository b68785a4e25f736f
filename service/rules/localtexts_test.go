package rules

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/texts"
)

// localText is a text of a decision in a language; "" when there is none.
func localText(t *testing.T, lang string, in *pb.DecisionInputs, id string) string {
	t.Helper()
	e := newEngine(t)
	local, err := e.LocalTexts(lang, mustDecide(t, e, in))
	check0(t, err)
	for _, text := range local {
		if text.TextId == id {
			return text.Text
		}
	}
	return ""
}

func TestLocalTexts(t *testing.T) {
	in := soundHead()
	in.Consultation.Scalp.BrokenSkin = pb.Answer_ANSWER_YES
	in.Consultation.Hair.Texture = pb.Texture_TEXTURE_FINE
	in.Consultation.Hair.Zones[2].PermanentColour = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(5 * day)}
	asking, open := soundHead(), soundHead()
	asking.Consultation.Hair.Zones[2].Condition = pb.HairCondition_HAIR_CONDITION_UNSPECIFIED
	open.Consultation.Hair.Density = pb.Density_DENSITY_UNSPECIFIED
	overridden := soundHead()
	overridden.Consultation.Scalp.BrokenSkin = pb.Answer_ANSWER_YES
	overridden.Consultation.History.Allergy = pb.Answer_ANSWER_UNSPECIFIED
	short := retouch()
	short.Consultation.Hair.NewGrowthMm = new(8.5)
	const growth = "retouch.little-growth"
	for _, c := range []struct {
		name, lang string
		in         *pb.DecisionInputs
		id, want   string
	}{
		{"a finding", "es", in, "findings/scalp.broken-skin", "No ponga nada cáustico en este cuero cabelludo. La piel está dañada: espere a que sane."},
		{"a zone and a whole number", "fr", in, "findings/wait.colour@zone:ends", "Pointes : Attendez 14 jours après une coloration permanente. Nourrissez les cheveux entre-temps."},
		{"a choice", "pt", in, "findings/strength.fine", "Use a força suave. Este produto (Normal) é forte demais para cabelo fino."},
		{"a decimal", "fr", short, "findings/" + growth, "Attendez plus de repousse : 8,5 mm, c'est moins que 12 mm. Sans chevauchement, elle ne peut pas être défrisée, et le chevauchement casse les cheveux."},
		{"a question", "es", asking, "questions/consultation.hair.zones[ends].condition", "Puntas: ¿En qué estado está el pelo?"},
		{"a question of several conditions", "fr", open, "conditions/hair.dense", "Répondez d'abord : La chevelure est-elle clairsemée, moyenne ou dense ?"},
		{"a question behind a refusal", "pt", overridden, "conditions/unanswered:consultation.history.allergy", "Responda primeiro: Pergunte à pessoa: tem alergia a alguma coisa em produtos capilares?"},
		{"an alternative", "fr", in, "alternatives/cut", "Couper ou coiffer sans produit chimique"},
		{"English", "en", in, "findings/scalp.broken-skin", ""},
		{"a language without texts", "de", in, "findings/scalp.broken-skin", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := localText(t, c.lang, c.in, c.id); got != c.want {
				t.Errorf("%s = %q, want %q", c.id, got, c.want)
			}
		})
	}
}

// A finding that fires only by an imported record says so in the translation, as it does
// in English; one that fires anyway does not.
func TestLocalTextOfAnImportedRecord(t *testing.T) {
	imported := soundHead()
	imported.RecordedWork = []*pb.HistoryFact{recordedWork(pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE, 30)}
	imported.RecordedWork[0].Source = pb.HistorySource_HISTORY_SOURCE_IMPORTED
	ours := proto.CloneOf(imported)
	ours.RecordedWork[0].Source = pb.HistorySource_HISTORY_SOURCE_RECORD_CARD
	sentences := map[string]string{"fr": " (D'après une fiche importée d'un autre système.)",
		"pt": " (Segundo um registo importado de outro sistema.)", "es": " (Según una ficha importada de otro sistema.)"}
	const id = "findings/wait.relaxer"
	for lang, sentence := range sentences {
		plain := localText(t, lang, ours, id)
		if plain == "" || strings.Contains(plain, sentence) {
			t.Errorf("by our own record, %s says %q", lang, plain)
		}
		if got := localText(t, lang, imported, id); got != plain+sentence {
			t.Errorf("by an imported record, %s says %q, want %q", lang, got, plain+sentence)
		}
	}
	if got, _ := texts.Text(texts.English, "forms/imported", texts.Args{"text": ""}); got != importedText {
		t.Errorf("forms/imported is %q, the engine says %q", got, importedText)
	}
}

// A section's own product is named in front, with its own values.
func TestLocalTextOfASectionsProduct(t *testing.T) {
	in := soundHead()
	in.Consultation.Hair.Texture = pb.Texture_TEXTURE_FINE
	in.Product.Strength = pb.Strength_STRENGTH_MILD
	stronger := regularLye()
	in.Consultation.Hair.Sections = []*pb.HeadSection{{SectionId: "nape"}}
	in.SectionProducts = []*pb.SectionProduct{{SectionId: "nape", Product: stronger, LotCode: "L1"}}
	want := "Sección nape, su propio producto: Use la fuerza suave. Este producto (Normal) es demasiado fuerte para el pelo fino."
	if got := localText(t, "es", in, "findings/strength.fine@section:nape"); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// The translations of messages and titles were made from this policy's English, for
// rules that it has.
func TestMessagesInTheCatalogue(t *testing.T) {
	e := newEngine(t)
	for _, r := range e.Rules(nil) {
		id := "rules/" + r.GetRuleId()
		if english, _ := texts.Text(texts.English, id, nil); english == "" {
			continue // not translated yet: served in English
		}
		for _, lang := range texts.Languages()[1:] {
			if text, _ := texts.Translate(lang, id, r.GetMessage(), nil); text == "" {
				t.Errorf("%s: service/texts/catalogue was not made from %q in %s", id, r.GetMessage(), lang)
			}
		}
	}
	for _, a := range e.alternatives {
		if text, _ := texts.Translate("fr", "alternatives/"+a.text.ID, a.text.Title, nil); text == "" {
			t.Errorf("%s: service/texts/catalogue was not made from %q", a.text.ID, a.text.Title)
		}
	}
	if text, _ := texts.Text("fr", "forms/failed", texts.Args{"text": ""}); !strings.Contains(text, "vérifiée") {
		t.Error("forms/failed is missing")
	}
	if english, _ := texts.Text(texts.English, "forms/failed", texts.Args{"text": ""}); strings.TrimSpace(english) != strings.TrimSpace(failedText(Revision)) {
		t.Errorf("forms/failed is %q, the engine says %q", english, failedText(Revision))
	}
}
