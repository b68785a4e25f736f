package rules

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"alkalog/service/texts"
)

// The form of what a salon reads. Our own choice: it is read with wet hands, so it says
// first what to do, in at most two sentences that fit on a phone.
const (
	mostSentences  = 2
	mostCharacters = 230
	mostQuestion   = 130
)

const tooLong = "it is too long"

// imperatives are the words that a message may begin with.
var imperatives = strings.Fields(`Accept Advise Agree Apply Ask Begin Blow-dry Check Choose Compare Condition Cover Cut Do Explain Find Flush Follow
	Go Have Keep Let Look Loosen Make Measure Mix Moisturise Name Part Plan Put Read Refer Repeat Rinse Say Settle Smooth Start Step Strengthen
	Stretch Take Tell Test Treat Use Ventilate Wait Wear Work Write`)

// awkward are words and marks that nobody says to a colleague, or that hide a third
// sentence.
var awkward = strings.Fields(`; must·not·be may·not·be shall contraindicat whoever whereupon thereof ·-· doctor's·word`)

// sentenceEnd is a full stop or question mark that ends a sentence, not one in a number.
var sentenceEnd = regexp.MustCompile(`[.?!]("|\))?( |$)`)

// faultInForm says what is wrong with the form of an instruction, or "".
func faultInForm(text string) string {
	for _, subject := range []string{"{zone.zone}: ", "Section {section.section_id}: "} {
		text = strings.TrimPrefix(text, subject)
	}
	first, _, _ := strings.Cut(text, " ")
	if i := slices.IndexFunc(awkward, func(w string) bool { return strings.Contains(text, strings.ReplaceAll(w, "·", " ")) }); i >= 0 {
		return "it contains " + strings.ReplaceAll(awkward[i], "·", " ")
	}
	switch {
	case !slices.Contains(imperatives, strings.TrimRight(first, ".,:")):
		return "it begins with " + first + ", not with what to do"
	case len(sentenceEnd.FindAllString(text, -1)) > mostSentences:
		return "it has more than two sentences"
	case utf8.RuneCountInString(text) > mostCharacters:
		return tooLong
	case !strings.HasSuffix(text, "."):
		return "it does not end with a full stop"
	}
	return ""
}

// Every message and caution of the policy says first what to do. The usual cautions,
// which are printed and not tapped through, may be longer.
func TestMessagesAreInstructions(t *testing.T) {
	for _, d := range newEngine(t).documents {
		for _, r := range d.Rules {
			if fault := faultInForm(strings.TrimSpace(r.Message)); fault != "" {
				t.Errorf("%s: %s: %s", r.ID, fault, r.Message)
			}
		}
		for _, a := range d.Alternatives {
			cautions := append(slices.Clone(a.Cautions), a.Title+".")
			for _, against := range a.Against {
				cautions = append(cautions, against.Caution)
			}
			for _, caution := range cautions {
				if fault := faultInForm(caution); fault != "" {
					t.Errorf("%s: %s: %s", a.ID, fault, caution)
				}
			}
		}
		for _, caution := range d.Cautions {
			if fault := faultInForm(caution); fault != "" && fault != tooLong {
				t.Errorf("caution: %s: %s", fault, caution)
			}
		}
		for _, s := range d.Strength {
			if fault := faultInForm(s.Because); fault != "" {
				t.Errorf("strength: %s: %s", fault, s.Because)
			}
		}
	}
}

// The form is one that a text can miss.
func TestFaultInForm(t *testing.T) {
	for _, text := range []string{
		"The scalp is broken.", "Wait; then look.", "Wait. Look. Go.", "Wait", "Wait, it must not be touched.",
		"Wait " + strings.Repeat("and wait ", 30) + ".", "{zone.zone}: coloured.",
	} {
		if faultInForm(text) == "" {
			t.Errorf("%q passes", text)
		}
	}
	if fault := faultInForm("{zone.zone}: Wait 2.5 hours. Then test a strand."); fault != "" {
		t.Error(fault)
	}
}

// A question is one or two short sentences, the last of which asks. What only the
// client can know begins with whom to ask.
func TestQuestionsAsk(t *testing.T) {
	for path, question := range newEngine(t).questions {
		switch {
		case !strings.HasSuffix(question, "?") || strings.Count(question, "?") > 1:
			t.Errorf("%s: want one question: %s", path, question)
		case len(sentenceEnd.FindAllString(question, -1)) > mostSentences || utf8.RuneCountInString(question) > mostQuestion:
			t.Errorf("%s: it is too long: %s", path, question)
		}
	}
}

// The translations of the questions were made from the questions of this policy.
func TestQuestionsAreInTheCatalogue(t *testing.T) {
	for path, question := range newEngine(t).questions {
		for _, lang := range texts.Languages()[1:] {
			if text, _ := texts.Translate(lang, "questions/"+path, question, nil); text == "" {
				t.Errorf("%s: service/texts/catalogue/questions.yaml has no words in %s for %q", path, lang, question)
			}
		}
	}
}
