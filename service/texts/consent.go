package texts

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"strings"
)

// The consent texts: a file for each version and language, named VERSION.LANGUAGE.txt.
// A file never changes and is never deleted, because clients agreed to its very words:
// another wording is a new version, and a test holds the digests of the old ones. Only
// reviewed texts are here, in any language. The wording is our own and no legal advice;
// a salon has it checked where it works.
//
//go:embed consent/*.txt
var consentFiles embed.FS

// CurrentConsent is the version that a client is asked to agree to now.
const CurrentConsent = "chemical-1"

// Consent is what a client agrees to.
type Consent struct {
	Version  string
	Language string
	// Digest is the SHA-256 of the file, in lower-case hex. It is stored with the
	// agreement, so the record shows which words were agreed to.
	Digest string
	// Lines are the title, then a paragraph a line; one that begins with "- " is an item
	// of a list.
	Lines []string
}

// ConsentText returns a version of the consent text in a language, or in English when
// there is no reviewed text in that language. The version "" is the current one. False
// means that there is no such version.
func ConsentText(version, lang string) (Consent, bool) {
	if version == "" {
		version = CurrentConsent
	}
	for _, lang := range []string{lang, English} {
		body, err := consentFiles.ReadFile("consent/" + version + "." + lang + ".txt")
		if err != nil {
			continue
		}
		sum := sha256.Sum256(body)
		return Consent{version, lang, hex.EncodeToString(sum[:]), strings.Split(strings.TrimSpace(string(body)), "\n")}, true
	}
	return Consent{}, false
}
