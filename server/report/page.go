package report

import (
	_ "embed"
	"html/template"
	"io"
	"strings"
)

// pageText is the template. It is embedded, so that the program needs no files.
//
//go:embed page.html
var pageText string

// Write writes the page. It fails only if w fails or the template does. The page
// is made in memory first, so a template error writes nothing. Call it once per
// report: the template is parsed each time.
func Write(w io.Writer, f *Data) error {
	page, err := template.New("page").Funcs(template.FuncMap{"words": enumLabel, "last": lastSegment, "int64": func(n int) int64 { return int64(n) }}).Parse(pageText)
	if err != nil {
		return err
	}
	var out strings.Builder
	if err := page.Execute(&out, newPageView(f)); err != nil {
		return err
	}
	for line := range strings.Lines(out.String()) {
		// Characters that would be obeyed rather than shown are written out: with
		// marks that turn the direction of reading, one text can be made to look
		// like another (Unicode Technical Report 36, Unicode Security
		// Considerations, section 3.1). The page itself uses none.
		text, isWhole := strings.CutSuffix(line, "\n")
		if text = Visible(text); isWhole {
			text += "\n"
		}
		if _, err := io.WriteString(w, text); err != nil {
			return err
		}
	}
	return nil
}
