package api

import (
	"fmt"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/controlchart"
	"pinwright/internal/calc/derivation"
	"pinwright/internal/problem"
)

// CalcControlChart implements the contract.
func (s *Server) CalcControlChart(c echo.Context, params CalcControlChartParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[ControlChartIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		out, err := controlChartOf(ask, params.Explain)
		return ok(out), err
	})
}

// controlChartOf answers a question of the calculator.
func controlChartOf(ask ControlChartIn, explain *Explain) (ControlChart, error) {
	q := controlchart.Question{Values: ask.Values, Starts: or(ask.Starts, nil), Spread: controlchart.Spread(or(ask.Spread, "")), Baseline: or(ask.Baseline, 0)}
	var faults []problem.Fault
	for i, start := range q.Starts {
		if start >= len(q.Values) {
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/starts/%d", i), Detail: "is the index, from 0, of a value that begins a segment; there is no such value"})
		}
	}
	if ask.Given != nil {
		q.Given = &controlchart.Given{Centre: ask.Given.Centre, Sigma: ask.Given.Sigma}
		if ask.Baseline != nil {
			faults = append(faults, problem.Fault{Pointer: "/baseline", Detail: "give it or given, not both: the limits come from one of them"})
		}
	}
	if len(faults) > 0 {
		return ControlChart{}, problem.Invalid(faults...)
	}
	q.Rules = rulesAsked(ask.Rules)
	chart, err := controlchart.Judge(q)
	if err != nil {
		return ControlChart{}, problem.Invalid(faultOf("/values", err))
	}
	out := chartOut(chart, 1)
	out.Explanation = explained(explain, func() []derivation.Step { return chart.Derivation("1") })
	if ask.Given == nil && ask.Baseline == nil && len(ask.Values) > 0 {
		out.Assumed = append(out.Assumed, Text{Code: "assumed_phase_1", Text: "The limits were taken from the values that are judged by them, which hides slow changes; give baseline or given to judge new values by old limits."})
	}
	return out, nil
}

func rulesAsked(asked *[]ChartRule) []controlchart.Rule {
	if asked == nil {
		return append(append([]controlchart.Rule{}, controlchart.Nelson...), controlchart.MovingRange)
	}
	var out []controlchart.Rule
	said := map[ChartRule]bool{}
	for _, r := range *asked {
		if !said[r] {
			said[r], out = true, append(out, controlchart.Rule(r))
		}
	}
	return out
}

// chartOut renders a chart, its values times scale.
func chartOut(c controlchart.Chart, scale float64) ControlChart {
	y := func(v float64) float64 { return fine(v * scale) }
	rules := func(list []controlchart.Rule) []ChartRule {
		out := make([]ChartRule, len(list))
		for i, r := range list {
			out[i] = ChartRule(r)
		}
		return out
	}
	out := ControlChart{Phase: c.Phase, Spread: ChartSpread(c.Spread), Rules: rules(c.Rules), Points: []ChartPoint{}, Segments: []ChartSegment{}, Signals: []ChartSignal{},
		Source:  "NIST/SEMATECH e-Handbook 6.3.2.2; L. S. Nelson, J. Qual. Technol. 16 (1984) 237; Statistical Quality Control Handbook, Western Electric, 1956",
		Assumed: []Text{}, Warnings: []Text{}, Summary: chartSummary(c)}
	for _, p := range c.Points {
		shown := ChartPoint{Index: p.Index, Value: y(p.Value), Segment: p.Segment, Rules: rules(p.Rules)}
		if c.Segments[p.Segment].Sigma > 0 {
			shown.Z = pointerTo(fine(p.Z))
		}
		if p.MovingRange != nil {
			shown.MovingRange = pointerTo(y(*p.MovingRange))
		}
		out.Points = append(out.Points, shown)
	}
	provisional := false
	for _, s := range c.Segments {
		shown := ChartSegment{First: s.First, Last: s.Last, State: ChartSegmentState(s.State), ValuesUsed: s.From, Provisional: s.Provisional, Why: present(s.Why)}
		if s.State != controlchart.TooFew || s.From > 0 {
			shown.Centre = pointerTo(y(s.Centre))
		}
		if s.Last > s.First {
			shown.MeanMovingRange, shown.MedianMovingRange = pointerTo(y(s.MeanRange)), pointerTo(y(s.MedianRange))
		}
		if s.Sigma > 0 {
			shown.Sigma, shown.Lower, shown.Upper, shown.MovingRangeUpper = pointerTo(y(s.Sigma)), pointerTo(y(s.Lower)), pointerTo(y(s.Upper)), pointerTo(y(s.RangeUpper))
			zones := make([]float64, 0, 7)
			for _, z := range s.Zones() {
				zones = append(zones, y(z))
			}
			shown.Zones = &zones
			provisional = provisional || s.Provisional
		}
		out.Segments = append(out.Segments, shown)
	}
	if provisional {
		out.Warnings = append(out.Warnings, Text{Code: "few_for_limits", Params: &map[string]any{"wanted": controlchart.FewForLimits},
			Text: fmt.Sprintf("Limits from fewer than %d values are provisional (common practice, no published source): they move with each further value.", controlchart.FewForLimits)})
	}
	for _, s := range c.Signals {
		out.Signals = append(out.Signals, ChartSignal{Rule: ChartRule(s.Rule), Index: s.Index, Points: s.Points, Meaning: s.Meaning})
	}
	return out
}

func chartSummary(c controlchart.Chart) string {
	limits := 0
	for _, s := range c.Segments {
		if s.Sigma > 0 {
			limits++
		}
	}
	switch {
	case len(c.Points) == 0:
		return "There are no values yet."
	case limits == 0:
		return "There are no limits to judge by. " + c.Segments[len(c.Segments)-1].Why
	case len(c.Signals) == 0:
		return fmt.Sprintf("Nothing stands out among %d values: they hold together.", len(c.Points))
	}
	var said []string
	seen := map[controlchart.Rule]bool{}
	for _, s := range c.Signals {
		if !seen[s.Rule] {
			seen[s.Rule] = true
			said = append(said, s.Meaning)
		}
	}
	return fmt.Sprintf("%d signals among %d values. %s", len(c.Signals), len(c.Points), strings.Join(said, " "))
}
