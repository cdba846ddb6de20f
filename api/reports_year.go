package api

import (
	"fmt"
	"html/template"
	"slices"

	"github.com/labstack/echo/v4"

	"pinwright/internal/ledger"
	"pinwright/internal/plot"
	"pinwright/internal/postgres"
	"pinwright/internal/reports"
)

var sectionNames = map[string]string{reports.Bank: "Bank", reports.Members: "What members owe", reports.Tools: "Tools, as bought", reports.Deposits: "Deposits held", reports.Fund: "Put by for tools",
	reports.Income: "Income", reports.Expense: "Expense", reports.Begun: "The club's own when the books began", "own": "The club's own"}

var incomeReasons = map[string]string{"use": "Use", "consumables": "Consumables", "late": "Bringing back late", "damage": "Damage", "other": "Something else", "deposit_kept": "Deposits that were kept"}

func annualName(l reports.Line) string {
	switch {
	case l.Member != "":
		return "Member " + l.Member
	case l.Tool != "":
		return "Tool " + l.Tool
	case l.Reason != "":
		return incomeReasons[l.Reason]
	default:
		return sectionNames[l.Section]
	}
}

// annual looks a financial year up and returns what adds it up.
func (in *call) annual(b *postgres.Batch, year *int) func() (AnnualReport, error) {
	period := reports.Period{Year: year, Today: in.now.UTC()}
	books, sums := ledger.FindStanding(b), reports.Sums(b, period)
	return func() (AnnualReport, error) {
		k, err := books.One()
		if err != nil {
			return AnnualReport{}, err
		}
		a := reports.Annually(period.Of(k.Books), sums.Items)
		currency := in.caller.Currency
		out := AnnualReport{Year: yearOut(a.Year), Closed: k.ClosedUntil != nil && !k.ClosedUntil.Before(a.Year.Until), Result: moneyOut(a.Result(), currency)}
		out.Items = each(a.Lines, func(l reports.Line) AnnualLine {
			line := AnnualLine{Section: AnnualLineSection(l.Section), Name: annualName(l), MemberId: l.MemberID, Member: present(l.Member), ToolId: l.ToolID, Tool: present(l.Tool),
				Opening: moneyOut(l.Opening, currency), Change: moneyOut(l.Change, currency), Closing: moneyOut(l.Closing(), currency)}
			if l.Reason != "" {
				line.Reason = pointerTo(AnnualLineReason(l.Reason))
			}
			return line
		})
		for _, section := range append(reports.Sections(), "own") {
			t := a.Total[section]
			if section == "own" {
				t = a.Own()
			}
			out.Totals = append(out.Totals, AnnualTotal{Section: AnnualTotalSection(section), Opening: moneyOut(t.Opening, currency), Change: moneyOut(t.Change, currency), Closing: moneyOut(t.Closing(), currency)})
		}
		out.Summary = fmt.Sprintf("%s: income %s, expense %s, so %s.", a.Year.Text(), moneyOut(a.Total[reports.Income].Change, currency).Text, moneyOut(a.Total[reports.Expense].Change, currency).Text, leftOver(a.Result(), currency))
		if out.Closed {
			out.Summary += " The year is closed."
		} else {
			out.Summary += " The year is not closed and may still change."
		}
		if before, during := a.Odd(); before != 0 || during != 0 {
			out.Summary += fmt.Sprintf(" The books do not add up, by %s before the year and %s in it: somebody changed them behind the service. `pinwright ledger verify` names the entries.", moneyOut(before, currency).Text, moneyOut(during, currency).Text)
		}
		return out, nil
	}
}

func leftOver(result int64, currency string) string {
	switch {
	case result > 0:
		return moneyOut(result, currency).Text + " were left over"
	case result < 0:
		return moneyOut(-result, currency).Text + " more were spent than came in"
	default:
		return "nothing was left over and nothing is missing"
	}
}

// GetAnnualReport implements the contract.
func (s *Server) GetAnnualReport(c echo.Context, _ InClub, params GetAnnualReportParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := in.annual(b, params.Year)
		return func() (answer, error) {
			out, err := found()
			return ok(out), err
		}
	})
}

// annualDrawing compares what stood in each section when the year began and when it ended.
func annualDrawing(r AnnualReport) plot.Pairs {
	out := plot.Pairs{Title: "The year " + r.Year.Text, Summary: r.Summary, First: "when it began", Second: "when it ended", Unit: "in " + r.Result.Currency}
	for _, t := range r.Totals {
		if slices.Contains([]AnnualTotalSection{"income", "expense", "opening"}, t.Section) {
			continue
		}
		out.Rows = append(out.Rows, plot.Pair{Name: sectionNames[string(t.Section)], First: inWhole(t.Opening), Second: inWhole(t.Closing), FirstSaid: t.Opening.Text, Said: t.Closing.Text})
	}
	return out
}

// GetAnnualReportPicture implements the contract.
func (s *Server) GetAnnualReportPicture(c echo.Context, _ InClub, params GetAnnualReportPictureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := in.annual(b, params.Year)
		return func() (answer, error) {
			out, err := found()
			if err != nil {
				return answer{}, err
			}
			return drawnInClub(annualDrawing(out).SVG(schemeOf(params.Scheme))), nil
		}
	})
}

// GetAnnualReportSheet implements the contract.
func (s *Server) GetAnnualReportSheet(c echo.Context, _ InClub, params GetAnnualReportSheetParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := in.annual(b, params.Year)
		return func() (answer, error) {
			r, err := found()
			if err != nil {
				return answer{}, err
			}
			v := reportView{Title: "Financial year " + r.Year.Text, Summary: r.Summary, Foot: in.printed(), Plot: template.HTML(annualDrawing(r).SVG(plot.Light))} //nolint:gosec // drawn here; what stands in it is escaped there
			heads := []string{"", "When it began", "Change", "When it ended"}
			all := reportPart{Title: "In all", Heads: heads}
			for _, t := range r.Totals {
				all.Rows = append(all.Rows, []string{sectionNames[string(t.Section)], t.Opening.Text, t.Change.Text, t.Closing.Text})
			}
			v.Parts = append(v.Parts, all)
			for _, section := range reports.Sections() {
				one := reportPart{Title: sectionNames[section], Heads: heads, Nothing: "Nothing."}
				for _, l := range r.Items {
					if string(l.Section) == section {
						one.Rows = append(one.Rows, []string{l.Name, l.Opening.Text, l.Change.Text, l.Closing.Text})
					}
				}
				v.Parts = append(v.Parts, one)
			}
			return v.on(string(or(params.Page, "a4")))
		}
	})
}
