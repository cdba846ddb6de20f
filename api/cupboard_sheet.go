package api

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/whereabouts"
)

// mostKept is how many tools a sheet holds: some 25 sheets of paper.
const mostKept = 200

// cupboardStyle is the style of a sheet for each kind of paper, and the policy
// that allows it and nothing else: what is printed needs no script and no other
// host.
var cupboardStyle = func() map[GetCupboardSheetParamsPage]struct {
	css    template.CSS
	policy string
} {
	out := map[GetCupboardSheetParamsPage]struct {
		css    template.CSS
		policy string
	}{}
	for page, size := range map[GetCupboardSheetParamsPage]string{"a4": "A4", "letter": "letter"} {
		css := "@page{size:" + size + ";margin:12mm}" + cupboardRules
		sum := sha256.Sum256([]byte(css))
		one := out[page]
		one.css = template.CSS(css) //nolint:gosec // made here
		one.policy = "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
		out[page] = one
	}
	return out
}()

// cupboardRules keep a tool's row on one sheet and repeat the head on each.
const cupboardRules = `:root{color-scheme:light}*{box-sizing:border-box}` +
	`body{margin:0 auto;padding:4mm;max-width:186mm;background:#fff;color:#16191c;font:11pt/1.35 system-ui,-apple-system,"Segoe UI",Roboto,"DejaVu Sans",sans-serif}` +
	`h1{font-size:16pt;margin:0 0 2mm}p{margin:0 0 3mm}.soft{color:#50575e}` +
	`table{width:100%;border-collapse:collapse;table-layout:fixed}thead{display:table-header-group}tbody,tr{break-inside:avoid}` +
	`th,td{border:.35mm solid #757d85;padding:1.5mm;text-align:left;vertical-align:top}th{font-size:10pt}` +
	`.qr{width:24mm}.what{width:62mm}.qr svg{display:block;width:20mm;height:20mm}` +
	`.number{font-weight:700;font-size:13pt}.care{margin:1mm 0 0;font-size:10pt}.care b,.stop{color:#b3201a}` +
	`.line{height:9mm;padding:0}` +
	`@media print{body{padding:0;max-width:none}}`

const cupboardPage = `<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>{{.Title}}</title><style>{{.Style}}</style></head>
<body>
<h1>{{.Title}}</h1>
<p>For days without network: when you take a tool write your number and the time beside it, and the time when you bring it back. A tool keeper enters it later. What is in quarantine stays here.</p>
<p class="soft">{{.Printed}}</p>
{{if .Tools}}<table>
<thead><tr><th class="qr">Code</th><th class="what">Tool</th><th>Who took it</th><th>Taken, day and time</th><th>Back, day and time</th></tr></thead>
{{range .Tools}}<tbody>
<tr><td class="qr" rowspan="3">{{.QR}}</td><td class="what" rowspan="3"><span class="number">{{.Number}}</span><br>{{.Name}}{{if .Size}}, {{.Size}}{{end}}{{if .Parts}}<br>{{.Parts}} parts to count{{end}}{{if .Deposit}}<br>Deposit {{.Deposit}}{{end}}{{if .Quarantine}}<p class="care stop"><b>In quarantine: not to be taken.</b></p>{{end}}{{if .NeedsShowing}}<p class="care"><b>Only for who holds its certificate.</b></p>{{end}}{{if .Caution}}<p class="care"><b>Take care:</b> {{.Caution}}</p>{{end}}</td><td class="line"></td><td class="line"></td><td class="line"></td></tr>
<tr><td class="line"></td><td class="line"></td><td class="line"></td></tr>
<tr><td class="line"></td><td class="line"></td><td class="line"></td></tr>
</tbody>
{{end}}</table>{{else}}<p>No tools live here that can be lent.</p>{{end}}
{{if .More}}<p>There are more: print the next sheet, behind {{.More}} (?after={{.More}}).</p>{{end}}
</body>
</html>
`

var cupboardTemplate = template.Must(template.New("cupboard").Parse(cupboardPage))

type keptTool struct {
	Number, Name, Size, Caution, Deposit string
	Parts                                int
	Quarantine, NeedsShowing             bool
	QR                                   template.HTML
}

// inlineQR is text as a QR code within a page.
func inlineQR(text string) (template.HTML, error) {
	svg, err := qrSVG(text)
	if err != nil {
		return "", err
	}
	at := strings.Index(svg, "<svg")
	if at < 0 {
		return "", fmt.Errorf("QR code: no picture in %q", svg)
	}
	return template.HTML(svg[at:]), nil //nolint:gosec // made by the encoder, which takes no markup from the text
}

// GetCupboardSheet implements the contract.
func (s *Server) GetCupboardSheet(c echo.Context, _ InClub, garage InGarage, params GetCupboardSheetParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		ref := postgres.ParseRef(garage)
		garages := club.FindGarage(b, ref)
		rows := whereabouts.ListKept(b, ref, or(params.After, ""), mostKept+1)
		return func() (answer, error) {
			g, err := garages.One()
			if err != nil {
				return answer{}, err
			}
			page, err := s.cupboardSheet(in, g, rows.Items, or(params.Page, "a4"))
			if err != nil {
				return answer{}, err
			}
			return answer{status: http.StatusOK, body: page, headers: map[string]string{"Content-Type": htmlType, "Content-Disposition": "inline",
				"Content-Security-Policy": cupboardStyle[or(params.Page, "a4")].policy}}, nil
		}
	})
}

func (s *Server) cupboardSheet(in *call, g club.Garage, kept []whereabouts.Kept, page GetCupboardSheetParamsPage) ([]byte, error) {
	view := struct {
		Title, Printed, More string
		Style                template.CSS
		Tools                []keptTool
	}{Title: "Tools of " + g.Name, Style: cupboardStyle[page].css}
	if len(kept) > mostKept {
		kept = kept[:mostKept]
		view.More = kept[mostKept-1].Number
	}
	printed, err := localDay(in.now, g.TimeZone)
	if err != nil {
		return nil, err
	}
	view.Printed = "Printed " + printed + "."
	at := cmp.Or(s.publicURL, s.ownOrigin(in.echo.Request())) + "/v1/clubs/" + url.PathEscape(in.caller.ClubSlug) + "/tools/"
	for _, k := range kept {
		code, err := inlineQR(at + url.PathEscape(k.Number))
		if err != nil {
			return nil, err
		}
		one := keptTool{Number: k.Number, Name: k.ModelName, Caution: k.Caution, Quarantine: k.State == "quarantine", NeedsShowing: k.NeedsShowing, QR: code}
		if size := lengthOrNone(k.Size, in.caller.Units); size != nil {
			one.Size = size.Text
		}
		if k.DepositMinor != nil && *k.DepositMinor > 0 {
			one.Deposit = moneyOut(*k.DepositMinor, in.caller.Currency).Text
		}
		if k.Parts > 1 {
			one.Parts = k.Parts
		}
		view.Tools = append(view.Tools, one)
	}
	var out bytes.Buffer
	if err := cupboardTemplate.Execute(&out, view); err != nil {
		return nil, fmt.Errorf("cupboard sheet: %w", err)
	}
	return out.Bytes(), nil
}
