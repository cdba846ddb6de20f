package imports

import "embed"

//go:embed templates/*.csv
var templates embed.FS

// Template is a sheet to start from: every field of the kind, and an example row
// of an invented club.
func Template(k Kind) []byte {
	text, err := templates.ReadFile("templates/" + string(k) + ".csv")
	if err != nil {
		panic("imports: no template of " + string(k)) // a test holds one for each kind
	}
	return text
}
