package api

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

// mostLabels bounds a sheet of labels.
const mostLabels = 500

// labelSheet is a page made for print. It stands by itself: its style is in it,
// named by its hash (CSP Level 3, 2.3.1), and there is nothing else to load.
var labelSheet = template.Must(template.ParseFS(pageFiles, "pages/labels.html"))

// labelPaper is the size of a sheet as CSS Paged Media names it, and what of it
// most printers leave blank.
var labelPaper = map[GetToolLabelsParamsPage]string{
	"a4":     "size: A4 portrait; margin: 10mm",
	"letter": "size: letter portrait; margin: 0.5in",
}

const labelStyle = `
body { margin: 0; font: 10pt/1.25 sans-serif; color: #000; background: #fff; }
ul { display: grid; grid-template-columns: 1fr 1fr; gap: 3mm; margin: 0; padding: 0; list-style: none; }
li { display: grid; grid-template-columns: 30mm 1fr; gap: 3mm; min-height: 34mm; padding: 2mm; border: 0.2mm dashed #777; break-inside: avoid; overflow-wrap: anywhere; }
.code svg { display: block; width: 30mm; height: 30mm; }
.number { margin: 0; font-size: 20pt; font-weight: bold; line-height: 1.1; }
p { margin: 1mm 0 0; }
.caution { display: flex; gap: 1.5mm; font-size: 7.5pt; }
.caution svg { flex: none; width: 7mm; height: 7mm; }
`

// cautionSign is the general warning sign, W001 of ISO 7010: a black triangle and
// exclamation mark on yellow. It is drawn with attributes only, since a style of its
// own would need a hash of its own.
const cautionSign = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 90" role="img" aria-label="Caution"><path d="M50 4 97 86H3Z" fill="#f9a800" stroke="#000" stroke-width="7" stroke-linejoin="round"/><path d="M44 30h12l-3 30h-6Z"/><circle cx="50" cy="71" r="6"/></svg>`

// mostCaution is how much of a caution a label has room for.
const mostCaution = 180

// label is a tool's label as the page shows it.
type label struct {
	Number, Name, Size, Caution string
	Sign, Code                  template.HTML
}

// GetToolLabels implements the contract.
func (s *Server) GetToolLabels(c echo.Context, _ InClub, params GetToolLabelsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		named := or(params.Tool, nil)
		var garage *postgres.Ref
		var garages *postgres.Rows[club.Garage]
		if params.Garage != nil {
			garage = pointerTo(postgres.ParseRef(*params.Garage))
			garages = club.FindGarage(b, *garage)
		}
		known := tool.FindAll(b, refsOf(named, postgres.ParseRef))
		rows := tool.Labels(b, refsOf(named, postgres.ParseRef), garage, mostLabels+1)
		return func() (answer, error) {
			var noGarage error
			if garages != nil {
				_, noGarage = garages.OneOf("?garage", *params.Garage, func(g club.Garage) string { return g.Code })
			}
			if err := together(noGarage, orInvalid(nil, unknownTools(named, known.Items))); err != nil {
				return answer{}, err
			}
			if len(rows.Items) > mostLabels {
				return answer{}, problem.Invalid(problem.Fault{Pointer: "?garage", Detail: "a sheet holds 500 labels, and there are more tools; name a garage, or the tools"})
			}
			at := cmp.Or(s.publicURL, s.ownOrigin(c.Request())) + "/v1/clubs/" + url.PathEscape(in.caller.ClubSlug) + "/tools/"
			labels, err := labelsOf(rows.Items, at, in.caller.Units)
			if err != nil {
				return answer{}, err
			}
			return labelPage(labels, or(params.Page, "a4"))
		}
	})
}

// unknownTools are faults of tools that were named and are not there.
func unknownTools(named []string, known []tool.Tool) []problem.Fault {
	var faults []problem.Fault
	for _, name := range named {
		if !slices.ContainsFunc(known, func(t tool.Tool) bool { return t.Number == name || t.ID.String() == strings.ToLower(name) }) {
			faults = append(faults, problem.Fault{Pointer: "?tool", Detail: "there is no tool “" + name + "” in this club; check the spelling, or GET tools"})
		}
	}
	return faults
}

// labelsOf makes labels whose codes lead to what stands behind the address at.
func labelsOf(rows []tool.Label, at, unit string) ([]label, error) {
	out := make([]label, len(rows))
	for i, row := range rows {
		code, err := qrSVG(at + url.PathEscape(row.Number))
		if err != nil {
			return nil, err
		}
		one := label{Number: row.Number, Name: row.Name, Code: template.HTML(code)} //nolint:gosec // drawn here, of squares
		switch {
		case row.RangeTo != nil && row.RangeFrom != nil:
			one.Size = lengthOut(*row.RangeFrom, unit).Text + " to " + lengthOut(*row.RangeTo, unit).Text
		case row.Size != nil:
			one.Size = lengthOut(*row.Size, unit).Text
		case row.RangeTo != nil:
			one.Size = "up to " + lengthOut(*row.RangeTo, unit).Text
		}
		if row.Caution != "" {
			one.Sign, one.Caution = cautionSign, shortened(row.Caution, mostCaution)
		}
		out[i] = one
	}
	return out, nil
}

// shortened is a text of at most so many letters, cut at a word.
func shortened(text string, most int) string {
	letters := []rune(text)
	if len(letters) <= most {
		return text
	}
	cutOff := string(letters[:most])
	if space := strings.LastIndexByte(cutOff, ' '); space > 0 {
		cutOff = cutOff[:space]
	}
	return cutOff + " … (read on in the tool's record)"
}

// labelPage is the answer that shows labels on paper of some size.
func labelPage(labels []label, paper GetToolLabelsParamsPage) (answer, error) {
	style := "\n@page { " + labelPaper[paper] + "; }" + labelStyle
	var page bytes.Buffer
	if err := labelSheet.Execute(&page, map[string]any{"Style": template.CSS(style), "Labels": labels}); err != nil { //nolint:gosec // constants of this program
		return answer{}, err
	}
	ofStyle, ofPage := sha256.Sum256([]byte(style)), sha256.Sum256(page.Bytes())
	return answer{status: http.StatusOK, body: page.Bytes(), headers: map[string]string{
		"Content-Type":            htmlType,
		"Content-Disposition":     "inline",
		"Content-Security-Policy": "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(ofStyle[:]) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
		"ETag":                    `"` + hex.EncodeToString(ofPage[:12]) + `"`,
		"Vary":                    "Origin, Authorization", // see drawnInClub
	}}, nil
}
