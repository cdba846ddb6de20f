package api

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"pinwright/internal/calc/length"
	"pinwright/internal/plot"
	"pinwright/internal/record"
	"pinwright/internal/repair"
)

// recordSheet is a page made for print, which stands by itself: its style and
// those of its drawings are in it, named by their hashes, and nothing is loaded.
var recordSheet = template.Must(template.ParseFS(pageFiles, "pages/record.html"))

// recordPaper is the size of a sheet, with the margins that most printers keep.
var recordPaper = map[string]string{"a4": "size:A4 portrait;margin:14mm", "letter": "size:letter portrait;margin:.55in"}

// recordRules are for paper first; on a phone a table's rows become blocks, each
// value with its head.
const recordRules = `:root{color-scheme:light}*{box-sizing:border-box}` +
	`body{margin:0 auto;padding:4mm;max-width:186mm;background:#fff;color:#16191c;font:11pt/1.4 system-ui,-apple-system,"Segoe UI",Roboto,"DejaVu Sans",sans-serif;overflow-wrap:break-word}` +
	`h1{font-size:18pt;margin:0 0 2mm}h2{font-size:13pt;margin:6mm 0 2mm;break-after:avoid}h3{font-size:11pt;margin:4mm 0 1mm;break-after:avoid}p{margin:0 0 2mm}` +
	`.warning{border:.6mm solid #b3201a;padding:2mm 3mm}.warning b{color:#b3201a}` +
	`dl{display:grid;grid-template-columns:max-content 1fr;gap:1mm 4mm;margin:0}dt{color:#50575e}dd{margin:0}` +
	`table{width:100%;border-collapse:collapse}thead{display:table-header-group}tr{break-inside:avoid}` +
	`th,td{border:.25mm solid #757d85;padding:1mm 1.5mm;text-align:left;vertical-align:top}thead th{background:#eef0f2}` +
	`figure{margin:0 0 2mm;max-width:110mm;break-inside:avoid}figure svg{display:block;width:100%;height:auto}` +
	`ul{margin:0;padding-left:5mm}footer{margin-top:6mm;border-top:.4mm solid #16191c;padding-top:2mm;font-size:9.5pt}code{overflow-wrap:anywhere;font-family:ui-monospace,"DejaVu Sans Mono",monospace}` +
	`@media screen and (max-width:480px){body{font-size:16px}thead{display:none}tr{display:block;border:1px solid #757d85;margin:0 0 8px}` +
	`td,tbody th{display:block;border:0;padding:2px 8px}td::before{content:attr(data-head) ": ";color:#50575e}}` +
	`@media print{body{padding:0;max-width:none}}`

// recordStyle is the page's style on a kind of paper, and the policy that lets
// it and its drawings' styles in and nothing else.
func recordStyle(paper string) (css, policy string) {
	css = "@page{" + recordPaper[paper] + "}" + recordRules
	sum := sha256.Sum256([]byte(css))
	return css, "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "' " + plot.StylePolicy + "; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
}

type recordRow struct {
	At, Stage, Size, Where, With, By string
	Name, State                      string // of a step
	at                               time.Time
}

type recordFeature struct {
	Title    string
	Plot     template.HTML
	Readings []recordRow
}

type recordSigned struct{ What, By, At string }

type recordJoint struct {
	Position, Decided, Features string
	Safety                      bool
}

// recordTool is a tool in words.
type recordTool struct{ Number, What, Use, Calibrated string }

// recordView is a record in words.
type recordView struct {
	Title, Summary                string
	Style                         template.CSS
	Warnings, Cautions            []string
	Procedure, Began, Lead, Zone  string
	Signed                        []recordSigned
	Joints                        []recordJoint
	Features                      []recordFeature
	Verdicts                      []recordRow
	Tools                         []recordTool
	Steps                         []recordRow
	Hash, Made, Previous, CheckAt string
	Place                         int
	told                          record.Content
	zone                          *time.Location
	unit                          string
}

func viewOf(r shownRecord, unit string) recordView {
	v := recordView{Title: "Record of repair " + r.told.Repair.Number + " of " + r.Vehicle, Summary: r.Summary, Hash: r.Hash, CheckAt: r.CheckAt, Place: r.told.Place, told: r.told, unit: unit, zone: time.UTC}
	if zone, err := time.LoadLocation(r.work.TimeZone); err == nil {
		v.zone = zone
	}
	if r.State == "draft" {
		v.Title = "Draft: " + strings.ToLower(v.Title[:1]) + v.Title[1:]
	} else if at, err := time.Parse(time.RFC3339Nano, r.MadeAt); err == nil {
		v.Made = v.clock(&at)
	}
	v.Previous = or(r.told.Previous, "")
	for _, w := range r.Warnings {
		v.Warnings = append(v.Warnings, w.Text)
	}
	for _, c := range r.Cautions {
		v.Cautions = append(v.Cautions, c.Text)
	}
	h := r.told.Repair
	v.Zone, v.Procedure, v.Began, v.Lead = v.zone.String(), fmt.Sprintf("%s, edition %d", h.Procedure, h.Edition), v.clock(&h.BeganAt), r.person(&h.LeadID)
	if h.SignedAt != nil {
		v.Signed = append(v.Signed, recordSigned{"Signed off by", r.person(h.SignedBy), v.clock(h.SignedAt)})
	}
	if h.SecondedAt != nil {
		v.Signed = append(v.Signed, recordSigned{"Looked through and signed by", r.person(h.SecondedBy), v.clock(h.SecondedAt)})
	}
	for _, j := range r.told.Joints {
		one := recordJoint{Position: j.Position, Safety: j.SafetyCritical, Decided: cmp.Or(strings.ReplaceAll(strings.TrimSpace(j.Option+" "+j.PinStep), "_", " "), "nothing was recommended")}
		var names []string
		for _, f := range j.Features {
			names = append(names, v.feature(f))
			if of := v.readingsOf(r, j, f); len(of.Readings) > 0 {
				v.Features = append(v.Features, of)
			}
		}
		one.Features = strings.Join(names, "; ")
		v.Joints = append(v.Joints, one)
	}
	position := map[string]string{}
	for _, j := range r.told.Joints {
		position[j.ID.String()] = j.Position
	}
	var told []recordRow
	for _, x := range r.told.Verdicts {
		told = append(told, recordRow{at: x.At, Name: position[x.JointID.String()], State: fmt.Sprintf("fit %s on %s, at a risk of %g\u00a0%% of being wrong%s", x.Verdict, v.clock(&x.At), x.Risk*100, cutWith(x)), By: r.person(&x.MemberID)})
	}
	for _, t := range r.told.Tools {
		v.Tools = append(v.Tools, v.tool(t))
	}
	for _, x := range r.told.Wrong {
		state := "went wrong on " + v.clock(&x.FoundAt) + ": " + strings.ReplaceAll(x.Kind, "_", " ")
		if x.Chosen != nil {
			state += "; decided: " + strings.ReplaceAll(*x.Chosen, "_", " ")
		}
		told = append(told, recordRow{at: x.FoundAt, Name: position[x.JointID.String()], State: state, By: r.person(&x.MemberID)})
	}
	slices.SortStableFunc(told, func(a, b recordRow) int { return a.at.Compare(b.at) })
	v.Verdicts = told
	for _, s := range r.told.Steps {
		row := recordRow{Name: s.Name, State: strings.ReplaceAll(s.State, "_", " "), By: r.person(s.DoneBy)}
		if s.Position != "" {
			row.Name += ", " + s.Position
		}
		if s.DoneAt != nil {
			row.State += " on " + v.clock(s.DoneAt)
		}
		if s.Rounds > 1 && s.State == repair.Done {
			row.State += fmt.Sprintf(", %d rounds", s.Rounds)
		}
		v.Steps = append(v.Steps, row)
	}
	return v
}

func (v recordView) clock(t *time.Time) string {
	if t == nil {
		return ""
	}
	return t.In(v.zone).Format("Mon 2 Jan 2006 15:04")
}

// cutWith names the tool that is said to have made a cut.
func cutWith(x record.Verdict) string {
	if x.Reamer == nil {
		return ""
	}
	return "; cut with " + *x.Reamer
}

// tool is what a tool was used for.
func (v recordView) tool(t record.Tool) recordTool {
	out := recordTool{Number: t.Number, What: strings.ReplaceAll(t.Kind, "_", " ") + " " + t.Model, Calibrated: "no calibration on record"}
	if t.Calibrated != nil {
		out.Calibrated = "calibrated on " + *t.Calibrated
	}
	var uses []string
	if t.Kind == "reamer" {
		out.Calibrated = "proved by what it cut"
		uses = append(uses, "cut bores that were verified")
		if len(t.Cuts) > 0 {
			uses[0] = "cut " + strings.Join(each(t.Cuts, v.estimated), ", ")
		}
	}
	if t.Readings == 1 {
		uses = append(uses, "1 reading")
	} else if t.Readings > 1 {
		uses = append(uses, fmt.Sprintf("%d readings", t.Readings))
	}
	out.Use = strings.Join(uses, "; ")
	return out
}

// estimated is a size that was worked out from readings, which tells no nanometres.
func (v recordView) estimated(nm int64) string {
	return length.Length(nm).Rounded(length.Unit(v.unit), map[length.Unit]int{length.Millimetre: 4, length.Micrometre: 1, length.Inch: 5, length.Thou: 2}[length.Unit(v.unit)])
}

func (v recordView) size(nm int64) string { return lengthOut(length.Length(nm), v.unit).Text }

func (v recordView) feature(f record.Feature) string {
	out := f.Duty + " " + f.Shape
	if name := strings.ReplaceAll(f.Code, "_", " "); name != f.Shape && name != out {
		out += " (" + name + ")"
	}
	if f.NominalNm != nil {
		out += ", nominally " + v.size(*f.NominalNm)
	}
	return out
}

// readingsOf are a feature's readings in words, with their drawing.
func (v recordView) readingsOf(r shownRecord, j record.Joint, f record.Feature) recordFeature {
	out := recordFeature{Title: j.Position + ": " + v.feature(f)}
	var measured []record.Reading
	for _, d := range r.told.Readings {
		if d.FeatureID != f.ID {
			continue
		}
		row := recordRow{At: v.clock(&d.TakenAt), Stage: strings.ReplaceAll(d.Stage, "_", " ") + "; surface " + d.Surface, Size: v.size(d.SizeNm), By: r.person(&d.MemberID)}
		switch d.Kind {
		case "measured":
			measured = append(measured, d)
			if d.ExpandedNm != nil {
				row.Size += " ± " + v.size(*d.ExpandedNm)
			}
		case "go":
			row.Size = "goes: " + row.Size
		case "no_go":
			row.Size = "does not go: " + row.Size
		default:
			row.Size = "starts, does not pass: " + row.Size
		}
		var where []string
		if d.Station != nil {
			where = append(where, strings.ReplaceAll(*d.Station, "_", " "))
		}
		if d.Direction != nil {
			where = append(where, fmt.Sprintf("%g°", *d.Direction))
		}
		row.Where = strings.Join(where, ", ")
		row.With = instrumentInWords(d)
		out.Readings = append(out.Readings, row)
	}
	// What was measured in one moment shows nothing that the table does not.
	if slices.ContainsFunc(measured, func(d record.Reading) bool { return !d.TakenAt.Equal(measured[0].TakenAt) }) {
		out.Plot = template.HTML(v.drawing(measured)) //nolint:gosec // drawn here; what stands in it is escaped there
	}
	return out
}

// instrumentInWords is what a reading was taken with, and how well that is known.
func instrumentInWords(d record.Reading) string {
	switch {
	case d.Instrument != nil && d.Calibrated != nil:
		return fmt.Sprintf("%s, calibrated on %s (k = %g)", *d.Instrument, *d.Calibrated, or(d.Coverage, 2))
	case d.Instrument != nil:
		return *d.Instrument + ", not calibrated by then: its uncertainty is not known"
	case d.Method != nil:
		return strings.ReplaceAll(*d.Method, "_", " ") + " of nobody's list: its uncertainty is not known"
	}
	return "not said"
}

// drawing shows what was measured of a feature, stage by stage.
func (v recordView) drawing(measured []record.Reading) []byte {
	zero := midnightOf(measured[0].TakenAt.In(v.zone))
	h := plot.History{Title: "What was measured, by day", Unit: v.unit, Zero: zero, Dated: true, Limit: math.NaN(), Crossing: math.NaN()}
	last := ""
	for _, d := range measured {
		x := d.TakenAt.Sub(zero).Hours() / 24
		if d.Stage != last {
			last = d.Stage
			h.Starts = append(h.Starts, plot.Start{X: x, Text: strings.ReplaceAll(d.Stage, "_", " ")})
		}
		um := func(nm int64) float64 { return inUnit(float64(nm)/1000, v.unit) }
		spot := plot.Spot{X: x, Y: um(d.SizeNm), Segment: len(h.Starts) - 1}
		if d.ExpandedNm != nil {
			spot.U = um(*d.ExpandedNm)
		}
		h.Points = append(h.Points, spot)
	}
	return h.SVG(plot.Light)
}

// midnightOf is the day that the clock shows at t, at midnight UTC.
func midnightOf(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
}

// recordPage is the answer that shows a record on paper of some size.
func recordPage(r shownRecord, unit, paper string) (answer, error) {
	v := viewOf(r, unit)
	css, policy := recordStyle(paper)
	v.Style = template.CSS(css) //nolint:gosec // constants of this program
	var page bytes.Buffer
	if err := recordSheet.Execute(&page, v); err != nil {
		return answer{}, err
	}
	return answer{status: http.StatusOK, body: page.Bytes(), headers: map[string]string{"Content-Type": htmlType, "Content-Security-Policy": policy}}, nil
}

// recordText is a record in a few lines, to send to somebody.
func recordText(r shownRecord, unit string) string {
	v := viewOf(r, unit)
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("%s", v.Title)
	for _, w := range v.Warnings {
		line("! %s", w)
	}
	line("Procedure %s; begun %s (%s); led by %s.", v.Procedure, v.Began, v.Zone, v.Lead)
	for _, s := range v.Signed {
		line("%s %s, %s.", s.What, s.By, s.At)
	}
	for _, j := range v.Joints {
		line("%s: %s.", j.Position, j.Decided)
	}
	for _, f := range v.Features {
		last := f.Readings[len(f.Readings)-1]
		line("%s: %d readings, the last %s (%s; %s).", f.Title, len(f.Readings), last.Size, last.Stage, last.With)
	}
	if len(v.Tools) > 0 {
		line("Tools: %s.", strings.Join(each(v.Tools, func(t recordTool) string { return t.Number + " (" + t.What + ")" }), ", "))
	}
	for _, x := range v.Verdicts {
		line("%s: %s.", x.Name, x.State)
	}
	done, left := 0, 0
	for _, s := range r.told.Steps {
		switch s.State {
		case repair.Done:
			done++
		case repair.LeftOut:
			left++
		}
	}
	line("%d of %d steps done, %d left out.", done, len(r.told.Steps), left)
	if r.Hash != "" {
		line("Hash %s, number %d of the vehicle's chain.", r.Hash, r.told.Place)
	} else {
		line("A draft: no hash.")
	}
	return b.String()
}
