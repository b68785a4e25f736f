package texts

import "testing"

// agreedDigests are those of every consent text that a client may have agreed to. A
// line is added with a new version; none is changed or removed.
var agreedDigests = map[string]string{
	"chemical-1.en": "39a575f6ca2ad9a0758c2e36e19334d9ad54bf22d700dab058df2e86f4d421d1",
}

// A consent text stays what it was, and every version can be had.
func TestConsentTextsNeverChange(t *testing.T) {
	names, err := consentFiles.ReadDir("consent")
	if err != nil || len(names) != len(agreedDigests) {
		t.Errorf("%d files, want %d: %v", len(names), len(agreedDigests), err)
	}
	for name, want := range agreedDigests {
		version, lang := name[:len(name)-3], name[len(name)-2:]
		if text, ok := ConsentText(version, lang); !ok || text.Digest != want || text.Version != version || text.Language != lang {
			t.Errorf("%s: digest %s, want %s", name, text.Digest, want)
		}
	}
}

func TestConsentText(t *testing.T) {
	current, ok := ConsentText("", "fr")
	if !ok || current.Version != CurrentConsent || current.Language != English {
		t.Errorf("the current text: %v", current)
	}
	for _, version := range []string{"chemical-0", "../catalogue/rules", "chemical-1.en", "."} {
		if text, ok := ConsentText(version, English); ok {
			t.Errorf("%q gives %v", version, text)
		}
	}
}
