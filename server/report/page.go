package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"unicode"
)

//go:embed page.html
var pageText string

// Write writes the page.
func Write(w io.Writer, f *Facts) error {
	page, err := template.New("page").Funcs(template.FuncMap{"words": words, "last": last}).Parse(pageText)
	if err != nil {
		return err
	}
	var out bytes.Buffer
	if err := page.Execute(&out, newView(f)); err != nil {
		return err
	}
	_, err = w.Write(spellOut(out.Bytes()))
	return err
}

// spellOut writes out, as its code point, every character that would be obeyed
// rather than shown: controls, and the marks that turn the direction of reading,
// with which one text can be made to look like another (Unicode Technical Report
// 36, Unicode Security Considerations, section 3.1). The page itself uses none.
func spellOut(page []byte) []byte {
	if bytes.IndexFunc(page, obeyed) < 0 {
		return page
	}
	var out bytes.Buffer
	for _, r := range string(page) {
		if obeyed(r) {
			fmt.Fprintf(&out, "[U+%04X]", r)
		} else {
			out.WriteRune(r)
		}
	}
	return out.Bytes()
}

// obeyed reports whether a character is obeyed rather than shown.
func obeyed(r rune) bool {
	return r != '\n' && unicode.Is(unicode.Cc, r) || unicode.Is(unicode.Bidi_Control, r) || unicode.In(r, unicode.Zl, unicode.Zp)
}
