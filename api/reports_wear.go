package api

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/calc/money"
	"pinwright/internal/ledger"
	"pinwright/internal/plot"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/reports"
)

// inWhole is an amount in whole units of its currency, for drawing.
func inWhole(m Money) float64 {
	return float64(m.Minor) / math.Pow10(money.Currency(m.Currency).Decimals())
}

// wornAsked is what a report of wear is asked for.
type wornAsked struct {
	from, until *openapi_types.Date
	by, only    string
}

// worn looks a report of wear up and returns what adds it up.
func (in *call) worn(b *postgres.Batch, a wornAsked) func() (WearReport, error) {
	period := reports.Period{From: dayOf(a.from), Until: dayOf(a.until), Today: in.now.UTC()}
	by, only := reports.By(a.by), reports.Only(a.only)
	if only != "" && by != reports.ByTool {
		in.fault = problem.Invalid(problem.Fault{Pointer: "?only", Detail: "narrows lists of tools only; leave it out, or ask by=tool"})
	}
	books, rows := ledger.FindStanding(b), reports.Movings(b, period)
	return func() (WearReport, error) {
		k, err := books.One()
		if err != nil {
			return WearReport{}, err
		}
		days := period.Of(k.Books)
		if days.Until.Before(days.From) {
			return WearReport{}, problem.Invalid(problem.Fault{Pointer: "?until", Detail: "lies before the first day, " + days.From.Format(time.DateOnly)})
		}
		out := WearReport{From: openapi_types.Date{Time: days.From}, Until: openapi_types.Date{Time: days.Until}, By: WearReportBy(by), Items: []WearLine{}}
		currency := in.caller.Currency
		var uses, wear, spent int64
		for _, w := range reports.Wear(rows.Items, by, only) {
			out.Items = append(out.Items, wearLineOut(w, by, currency))
			uses, wear, spent = uses+w.Uses, wear+w.Wear, spent+w.Spent
		}
		what := map[reports.By]string{reports.ByTool: "tools", reports.ByModel: "models", reports.ByMember: "members", reports.ByGarage: "garages"}[by]
		out.Summary = fmt.Sprintf("%s to %s: %d %s, %d uses, %s charged for them, %s spent.", days.From.Format(time.DateOnly), days.Until.Format(time.DateOnly), len(out.Items), what, uses, moneyOut(wear, currency).Text, moneyOut(spent, currency).Text)
		return out, nil
	}
}

func wearLineOut(w reports.Worn, by reports.By, currency string) WearLine {
	of := func(minor int64) Money { return moneyOut(minor, currency) }
	out := WearLine{Id: w.ID, Name: w.Name, Uses: w.Uses, Holes: w.Holes, Loans: w.Loans, Wear: of(w.Wear), Damage: of(w.Damage), Other: of(w.Other), Earned: of(w.Earned()), Spent: of(w.Spent),
		EarnedInAll: of(w.EarnedTo), SpentInAll: of(w.SpentTo), Idle: w.Idle(), Losing: w.Losing()}
	if w.ID == nil {
		out.Name = "nobody in particular"
		if by == reports.ByGarage {
			out.Name = "no garage"
		}
	}
	if by == reports.ByTool {
		out.ToolModel, out.Garage = present(w.First.Model), present(w.First.Garage)
	}
	if w.LastUse != nil {
		out.LastUsedAt = pointerTo(w.LastUse.UTC())
	}
	if each := reports.Each(w.Wear, w.Uses); each != nil {
		out.WearPerUse = pointerTo(of(*each))
	}
	if each := reports.Each(w.Wear, w.Holes); each != nil {
		out.WearPerHole = pointerTo(of(*each))
	}
	parts := []string{fmt.Sprintf("%d uses", w.Uses), out.Wear.Text + " charged for them"}
	if out.WearPerHole != nil {
		parts = append(parts, out.WearPerHole.Text+" a hole")
	}
	if w.Idle() {
		parts = []string{"neither used nor lent"}
	}
	if w.Losing() {
		parts = append(parts, fmt.Sprintf("in all %s more was spent on it than it earned", of(w.SpentTo-w.EarnedTo).Text))
	}
	out.Summary = out.Name + ": " + strings.Join(parts, ", ") + "."
	return out
}

// GetWearReport implements the contract.
func (s *Server) GetWearReport(c echo.Context, _ InClub, p GetWearReportParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := in.worn(b, wornAsked{p.From, p.Until, string(or(p.By, "tool")), string(or(p.Only, ""))})
		return func() (answer, error) {
			out, err := found()
			return ok(out), err
		}
	})
}

// mostBars is how many rows a picture of wear has.
const mostBars = 20

func wearDrawing(r WearReport) plot.Pairs {
	out := plot.Pairs{Title: "What they earned, and what was spent", Summary: r.Summary, First: "earned", Second: "spent"}
	for i, l := range r.Items {
		if i == mostBars {
			out.More = fmt.Sprintf("%d more are not shown; the report has them all.", len(r.Items)-mostBars)
			break
		}
		out.Unit = "in " + l.Earned.Currency
		out.Rows = append(out.Rows, plot.Pair{Name: l.Name, First: inWhole(l.Earned), Second: inWhole(l.Spent), FirstSaid: l.Earned.Text, Said: l.Spent.Text})
	}
	return out
}

// GetWearReportPicture implements the contract.
func (s *Server) GetWearReportPicture(c echo.Context, _ InClub, p GetWearReportPictureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := in.worn(b, wornAsked{p.From, p.Until, string(or(p.By, "tool")), string(or(p.Only, ""))})
		return func() (answer, error) {
			out, err := found()
			if err != nil {
				return answer{}, err
			}
			return drawnInClub(wearDrawing(out).SVG(schemeOf(p.Scheme))), nil
		}
	})
}

// GetWearReportSheet implements the contract.
func (s *Server) GetWearReportSheet(c echo.Context, _ InClub, p GetWearReportSheetParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := in.worn(b, wornAsked{p.From, p.Until, string(or(p.By, "tool")), string(or(p.Only, ""))})
		return func() (answer, error) {
			r, err := found()
			if err != nil {
				return answer{}, err
			}
			v := reportView{Title: "What tools wore", Summary: r.Summary, Foot: in.printed(), Plot: template.HTML(wearDrawing(r).SVG(plot.Light))} //nolint:gosec // drawn here; what stands in it is escaped there
			part := reportPart{Heads: []string{"", "Uses", "Holes", "Charged for use", "A use", "A hole", "Earned in all", "Spent in all"}, Nothing: "Nothing."}
			text := func(m *Money) string {
				if m == nil {
					return ""
				}
				return m.Text
			}
			for _, l := range r.Items {
				part.Rows = append(part.Rows, []string{l.Name, fmt.Sprint(l.Uses), fmt.Sprint(l.Holes), l.Wear.Text, text(l.WearPerUse), text(l.WearPerHole), l.EarnedInAll.Text, l.SpentInAll.Text})
			}
			v.Parts = []reportPart{part}
			return v.on(string(or(p.Page, "a4")))
		}
	})
}
