// Package texts holds the words that people in a salon read, in several languages.
//
// Every text has an id that never changes: the file of the catalogue and a key, such
// as "questions/consultation.scalp.broken_skin", "choices/ANSWER_YES" or
// "rules/wait.shampoo". The keys are ids of the contract or of the policy, so a till
// can keep its own translation under the same id. A file of the catalogue shows each
// English text with its translations beneath it, because that is how a reviewer who
// speaks both languages reads them.
//
// English is reviewed. A translation is a draft until its entry says that it was
// reviewed. Drafts are served only where a chain turns their language on, always
// beside the English text, never instead of it. What a client agrees to, alarms and
// first aid are served in reviewed texts only, whatever a chain turns on: a wrong
// word there hurts somebody. See reviewedOnly.
//
// Rules and questions have their English in the policy, because a decision is
// replayed from the policy of its day. A translation is therefore served only for the
// English sentence that it was made from. When a policy says something else, older or
// newer, Translate has nothing and the English stands alone.
//
// Languages are BCP 47 tags. Which one is served follows the Accept-Language rules of
// RFC 9110, section 12.5.4, as golang.org/x/text matches them: the best language that
// may be served, then English. A regional variety falls back on its language, so
// "pt-BR" is served "pt".
//
// The package is pure and safe for concurrent use.
package texts

import (
	"embed"
	"fmt"
	"maps"
	"path"
	"regexp"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/message/catalog"
)

// English is the language that every text has and that is reviewed.
const English = "en"

// Args are the values of a text's placeholders, by name: the text "{days} days" has
// one that is called days. Numbers are written as the language writes them.
type Args map[string]any

//go:embed catalogue/*.yaml
var files embed.FS

// reviewedOnly are the parts of the catalogue of which no draft is ever served. Our
// own choice.
var reviewedOnly = []string{"consent", "alarms", "first-aid"}

// entry is one text of the catalogue in all of its languages.
type entry struct {
	words    map[string]string // by language
	reviewed map[string]bool   // languages whose words were reviewed
}

// library is the catalogue as it is served.
type library struct {
	entries   map[string]entry
	languages []string // sorted, English first
	printers  map[string]*message.Printer
}

var served = mustLoad()

// mustLoad reads the catalogue, which is part of the program: a fault in it is a fault
// of the program.
func mustLoad() *library {
	l, err := load()
	if err != nil {
		panic(err)
	}
	return l
}

func load() (*library, error) {
	l := &library{entries: map[string]entry{}, printers: map[string]*message.Printer{}}
	names, err := files.ReadDir("catalogue")
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		body, err := files.ReadFile("catalogue/" + name.Name())
		if err != nil {
			return nil, err
		}
		part := strings.TrimSuffix(name.Name(), path.Ext(name.Name()))
		if err := l.add(part, body); err != nil {
			return nil, fmt.Errorf("catalogue/%s: %w", name.Name(), err)
		}
	}
	return l, l.build()
}

// add reads one file of the catalogue.
func (l *library) add(part string, body []byte) error {
	var rows map[string]map[string]string
	if err := yaml.Unmarshal(body, &rows); err != nil {
		return err
	}
	for key, row := range rows {
		e := entry{words: map[string]string{}, reviewed: map[string]bool{English: true}}
		for name, words := range row {
			if name == "reviewed" {
				for _, reviewed := range strings.Fields(words) {
					e.reviewed[reviewed] = true
				}
				continue
			}
			if _, err := language.Parse(name); err != nil {
				return fmt.Errorf("%s: %w", key, err)
			}
			e.words[name] = words
		}
		if e.words[English] == "" {
			return fmt.Errorf("%s: there is no English text", key)
		}
		l.entries[part+"/"+key] = e
	}
	return nil
}

// build makes the message catalogue of x/text: the id is the key, and a placeholder
// becomes the number of its argument.
func (l *library) build() error {
	builder := catalog.NewBuilder(catalog.Fallback(language.English))
	spoken := map[string]bool{}
	for id, e := range l.entries {
		for name, words := range e.words {
			spoken[name] = true
			if err := builder.SetString(language.Make(name), id, format(words, placeholders(e.words[English]))); err != nil {
				return fmt.Errorf("%s in %s: %w", id, name, err)
			}
		}
	}
	delete(spoken, English)
	l.languages = append([]string{English}, slices.Sorted(maps.Keys(spoken))...)
	for _, name := range l.languages {
		l.printers[name] = message.NewPrinter(language.Make(name), message.Catalog(builder))
	}
	return nil
}

var placeholder = regexp.MustCompile(`\{([a-z_.]+)\}`)

// placeholders are the names in braces in a text, each once, in their order.
func placeholders(words string) []string {
	var names []string
	for _, found := range placeholder.FindAllStringSubmatch(words, -1) {
		if !slices.Contains(names, found[1]) {
			names = append(names, found[1])
		}
	}
	return names
}

// format turns the placeholders of a text into the verbs of fmt.
func format(words string, names []string) string {
	return placeholder.ReplaceAllStringFunc(strings.ReplaceAll(words, "%", "%%"), func(found string) string {
		return fmt.Sprintf("%%[%d]v", slices.Index(names, found[1:len(found)-1])+1)
	})
}

// Reviewed reports whether all texts of a language were reviewed.
func Reviewed(lang string) bool {
	for _, e := range served.entries {
		if e.words[lang] != "" && !e.reviewed[lang] {
			return false
		}
	}
	return slices.Contains(served.languages, lang)
}

// Languages are the languages of the catalogue, English first.
func Languages() []string { return slices.Clone(served.languages) }

// maxAccept is the longest Accept-Language that is read, in bytes. Our own choice;
// a browser sends fewer than 100.
const maxAccept = 200

// Choose returns the language to serve: the best match for an Accept-Language among
// English and the languages that a chain serves unreviewed. What cannot be read, and
// what only resembles a language that may be served, gives English.
func Choose(accept string, unreviewed []string) string {
	if len(accept) > maxAccept {
		return English
	}
	wanted, _, err := language.ParseAcceptLanguage(accept)
	if err != nil || len(wanted) == 0 {
		return English
	}
	may := []string{English}
	tags := []language.Tag{language.English}
	for _, name := range served.languages[1:] {
		if slices.Contains(unreviewed, name) {
			may, tags = append(may, name), append(tags, language.Make(name))
		}
	}
	_, i, confidence := language.NewMatcher(tags).Match(wanted...)
	if confidence < language.High {
		return English
	}
	return may[i]
}

// Text returns a text of the catalogue in a language that Choose gave, or in English
// when the language does not have it or may not be served it, and whether the words
// were reviewed. An id that the catalogue does not have gives "".
func Text(lang, id string, args Args) (text string, reviewed bool) {
	e, ok := served.entries[id]
	if !ok {
		return "", false
	}
	if !e.mayServe(lang, id) {
		lang = English
	}
	return served.print(lang, id, e, args), e.reviewed[lang]
}

// Translate returns a text in a language that Choose gave, and whether the words were
// reviewed. It returns "" when the language is English, when there is no translation,
// when it was made from another English text than this one, and when it may not be
// served: the English text then stands alone.
func Translate(lang, id, english string, args Args) (text string, reviewed bool) {
	e, ok := served.entries[id]
	if !ok || lang == English || e.words[English] != english || !e.mayServe(lang, id) {
		return "", false
	}
	return served.print(lang, id, e, args), e.reviewed[lang]
}

// mayServe reports whether an entry has words in a language that may be served.
func (e entry) mayServe(lang, id string) bool {
	part, _, _ := strings.Cut(id, "/")
	return e.words[lang] != "" && (e.reviewed[lang] || !slices.Contains(reviewedOnly, part))
}

// print fills the placeholders of a text in.
func (l *library) print(lang, id string, e entry, args Args) string {
	names := placeholders(e.words[English])
	values := make([]any, len(names))
	for i, name := range names {
		values[i] = args[name]
	}
	return l.printers[lang].Sprintf(message.Key(id, id), values...)
}
