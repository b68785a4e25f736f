package rules

import (
	"testing"

	"alkalog/service/texts"
)

// The translations of the questions were made from the questions of this policy.
func TestQuestionsAreInTheCatalogue(t *testing.T) {
	e, err := New()
	if err != nil {
		t.Fatal(err)
	}
	for path, question := range e.questions {
		for _, lang := range texts.Languages()[1:] {
			if text, _ := texts.Translate(lang, "questions/"+path, question, nil); text == "" {
				t.Errorf("%s: service/texts/catalogue/questions.yaml has no words in %s for %q", path, lang, question)
			}
		}
	}
}
