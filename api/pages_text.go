package api

import (
	"html/template"
	"strings"
)

// rich turns the few marks that the contract's descriptions use into HTML:
// `code`, **strong**, and blank lines between paragraphs. All else is text.
func rich(text string) template.HTML {
	paragraphs := strings.Split(strings.TrimSpace(text), "\n\n")
	for i, p := range paragraphs {
		paragraphs[i] = richLine(p)
	}
	if len(paragraphs) == 1 {
		return template.HTML(paragraphs[0]) //nolint:gosec // every piece was escaped by richLine
	}
	return template.HTML("<p>" + strings.Join(paragraphs, "</p>\n<p>") + "</p>") //nolint:gosec // see above
}

func richLine(text string) string {
	var out strings.Builder
	for i, piece := range strings.Split(text, "`") {
		escaped := template.HTMLEscapeString(piece)
		if i%2 == 1 {
			out.WriteString("<code>" + escaped + "</code>")
			continue
		}
		for j, part := range strings.Split(escaped, "**") {
			if j%2 == 1 {
				part = "<strong>" + part + "</strong>"
			}
			out.WriteString(part)
		}
	}
	return out.String()
}

// words joins a list as people write it.
func words(list []string, last string) string {
	if len(list) < 2 {
		return strings.Join(list, "")
	}
	return strings.Join(list[:len(list)-1], ", ") + " " + last + " " + list[len(list)-1]
}
