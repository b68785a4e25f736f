// Package paper makes the documents that a salon prints: the consent text that a
// client signs and the sheet that a client takes home. The record card on paper is
// made by package card. The package is pure: it has no clock, so the same record gives
// the same bytes and the same digest, and the day is written by hand beside the
// signature.
//
// # One file
//
// A document is one HTML file without script, link, image or font from elsewhere, so
// that it prints and mails as it is. Every text is escaped by html/template; no text is
// inserted as markup. A name that a salon typed is text of others.
//
// # Words
//
// What a client agrees to or is told to do at home is printed in reviewed words only.
// A consent page carries the version and the SHA-256 of its text; the same two are
// stored with the client's agreement (Consent in the contract), so paper and record
// can be compared years later. Old versions stay printable.
package paper

import (
	"html/template"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/texts"
)

// page is the frame of every document. Paper is A4 or Letter by the printer: the page
// says only the margin, and the text is narrow enough for both.
var page = template.Must(template.New("page").Parse(`<!doctype html>
<html lang="{{.Language}}">
<head>
<meta charset="utf-8">
<title>{{.Title}}</title>
<style>
@page { margin: 18mm; }
body { font: 11pt/1.4 sans-serif; max-width: 170mm; margin: 0 auto; color: #000; background: #fff; }
h1 { font-size: 15pt; } li { break-inside: avoid; } .sign { margin-top: 14mm; break-inside: avoid; }
.line { display: inline-block; width: 70mm; border-bottom: 1px solid; height: 9mm; } footer { font-size: 8pt; margin-top: 10mm; }
</style>
</head>
<body>
<h1>{{.Title}}</h1>
{{if .Client}}<p>Client: {{.Client}}</p>
{{end}}{{range .Blocks}}{{if .Items}}<ul>{{range .Items}}<li>{{.}}</li>{{end}}</ul>
{{else}}<p>{{.Text}}</p>
{{end}}{{end}}{{if .Signatures}}<div class="sign">{{range .Signatures}}<p>{{.}}: <span class="line"></span> Day: <span class="line"></span></p>{{end}}</div>
{{end}}<footer>{{.Footer}}</footer>
</body>
</html>
`))

// document is what the frame prints.
type document struct {
	Language, Title, Client, Footer string
	Blocks                          []block
	Signatures                      []string
}

// block is a paragraph, or a list when it has items.
type block struct {
	Text  string
	Items []string
}

// html prints a document. The only error is that of the template.
func (d document) html() ([]byte, error) {
	var b strings.Builder
	err := page.Execute(&b, d)
	return []byte(b.String()), err
}

// blocks groups lines into paragraphs and lists; an item begins with "- ".
func blocks(lines []string) []block {
	var all []block
	for _, line := range lines {
		item, isItem := strings.CutPrefix(line, "- ")
		switch n := len(all); {
		case !isItem:
			all = append(all, block{Text: line})
		case n > 0 && all[n-1].Items != nil:
			all[n-1].Items = append(all[n-1].Items, item)
		default:
			all = append(all, block{Items: []string{item}})
		}
	}
	return all
}

// Consent is a consent text for a client to sign, and the guardian of a minor.
func Consent(text texts.Consent, client string) ([]byte, error) {
	return document{
		Language: text.Language, Title: text.Lines[0], Client: client, Blocks: blocks(text.Lines[1:]),
		Signatures: []string{"Client", "Guardian, for a minor", "Stylist"},
		Footer:     "Text " + text.Version + " (" + text.Language + "), SHA-256 " + text.Digest,
	}.html()
}

// homeCare is what every client takes home after a chemical service: common practice,
// without a source of its own. A burn that shows later is the reason for the first.
var homeCare = []string{
	"Rinse at once with plenty of water if the scalp burns or itches at home, and call the salon.",
	"See a doctor for a blister, an open place, hair that comes out, or pain that stays.",
	"Do not scratch, and do not braid or tie the hair tightly.",
	"Use low heat only.",
	"Do no colour, wave, relaxer or smoothing at home. Ask the salon first.",
}

// Aftercare is the sheet that a client takes home: what the salon advised at the
// newest visit of the card, the usual advice, the next retouch and the number to call
// in an emergency. The retouch is a day in the salon's time zone, as rules count it: east
// of Greenwich a morning's day in UTC is the day before. The card may be nil.
func Aftercare(card *pb.RecordCard, client, emergencyNumber string, zone *time.Location) ([]byte, error) {
	var lines []string
	if visits := card.GetVisits(); len(visits) > 0 {
		for _, advice := range visits[0].GetHomeCareAdvice() {
			lines = append(lines, "- "+advice)
		}
	}
	for _, advice := range homeCare {
		lines = append(lines, "- "+advice)
	}
	if next := card.GetNextRetouchTime(); next != nil {
		lines = append(lines, "Next retouch not before "+next.AsTime().In(zone).Format("2 January 2006")+".")
	}
	lines = append(lines, "Call "+emergencyNumber+" at once for trouble breathing, a swollen face, or if you faint.")
	return document{
		Language: texts.English, Title: "After your chemical service", Client: client, Blocks: blocks(lines),
		Footer: "The maker's directions come first. This is no diagnosis: a stylist refers to a doctor.",
	}.html()
}
