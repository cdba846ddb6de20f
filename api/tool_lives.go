package api

import (
	"fmt"
	"math"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/survival"
	"pinwright/internal/cutting"
	"pinwright/internal/plot"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

// GetToolModelLife implements the contract.
func (s *Server) GetToolModelLife(c echo.Context, _ InClub, name InToolModel, _ GetToolModelLifeParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		read := queueToolLife(b, name)
		return func() (answer, error) {
			_, _, out, err := read(in.now, in.caller.Units)
			if err != nil {
				return answer{}, err
			}
			return ok(out), nil
		}
	})
}

// GetToolModelLifePicture implements the contract.
func (s *Server) GetToolModelLifePicture(c echo.Context, _ InClub, name InToolModel, params GetToolModelLifePictureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		read := queueToolLife(b, name)
		return func() (answer, error) {
			m, last, out, err := read(in.now, in.caller.Units)
			if err != nil {
				return answer{}, err
			}
			return drawnInClub(lifeDrawing(m, last, out.Summary).SVG(schemeOf(params.Scheme))), nil
		}
	})
}

// queueToolLife asks for what tells how long tools of a model last; read, once the batch was sent, works it out.
func queueToolLife(b *postgres.Batch, name string) (read func(now time.Time, units string) (tool.Model, cutting.Lasting, ToolModelLife, error)) {
	ref := postgres.ParseRef(name)
	models, lives, gauges := tool.FindModel(b, ref), cutting.QueueLives(b, &ref), cutting.QueueGauges(b, ref)
	return func(now time.Time, units string) (m tool.Model, last cutting.Lasting, out ToolModelLife, err error) {
		if m, err = models.One(); err != nil {
			return m, last, out, err
		}
		out = ToolModelLife{ToolModelId: m.ID, ToolModel: m.Code, Method: "none", Law: "too_few", Lives: []ToolLived{}, Steps: []SurvivalStep{}, Stretches: []SurvivalStretch{}, Gauges: []GaugeWear{}, Warnings: []Text{}, Assumed: []Text{}}
		switch {
		case m.Kind == tool.Reamer:
			out.Summary = "What a reamer has left is told by its cut size: GET the tool's cut-size."
		case m.Kind.IsGauge():
			err = gaugesOut(&out, m, gauges.Items, now, units)
		case m.Kind.Measures():
			out.Summary = "Whether an instrument drifts is told by its chart: GET the tool's chart."
		default:
			if last, err = cutting.Last(lives.Lived()[m.ID]); err == nil {
				lifeOut(&out, last)
			}
		}
		return m, last, out, err
	}
}

func lifeOut(out *ToolModelLife, last cutting.Lasting) {
	whole := func(x float64) int { return int(math.Round(x)) }
	out.Failures = last.Failures
	for _, l := range last.Lived {
		one := ToolLived{ToolId: l.ToolID, Number: l.Number, Ended: ToolLivedEnded(l.Ended), UsesFrom: whole(l.Life.From)}
		if !math.IsInf(l.Life.Until, 1) {
			one.UsesUntil = pointerTo(whole(l.Life.Until))
		}
		out.Lives = append(out.Lives, one)
	}
	for _, s := range last.Steps {
		out.Steps = append(out.Steps, SurvivalStep{Uses: whole(s.At), AtRisk: s.AtRisk, Failures: s.Failures, Survival: fine(s.Survival), Low: fine(s.Low), High: fine(s.High)})
	}
	share := 0.0
	for _, s := range last.Spans {
		one := SurvivalStretch{From: whole(s.From), Share: fine(s.Share)}
		if !math.IsInf(s.Until, 1) {
			one.Until = pointerTo(whole(s.Until))
			if share += s.Share; share >= 0.5-1e-9 && out.Median == nil {
				out.Median = one.Until
			}
		}
		out.Stretches = append(out.Stretches, one)
	}
	if m, told := survival.Median(last.Steps); told {
		out.Median = pointerTo(whole(m))
	}
	switch {
	case len(last.Spans) > 0:
		out.Method = "turnbull"
	case len(out.Lives) > 0:
		out.Method = "kaplan_meier"
	}
	out.Summary = lifeSummary(*out)
	if len(out.Lives) > 0 {
		out.Assumed = append(out.Assumed, Text{Code: "assumed_from_the_first_use", Text: "Uses before the first on record were taken as none."},
			Text{Code: "assumed_loss_tells_nothing", Text: "Tools that were lost or sold were taken to be as far from failing as the others of as many uses."})
	}
	switch {
	case last.Law != nil:
		out.Law, out.Weibull = "told", weibullOut(*last.Law)
		out.Summary += fmt.Sprintf(" By the law fitted to all, half last %.0f uses, with a shape of %.2g: %s.", last.Law.Quantile(0.5), last.Law.Shape, shapeWords(out.Weibull))
	case last.Failures >= survival.Few:
		out.Law = "not_told"
		out.Warnings = append(out.Warnings, Text{Code: "failures_too_close", Text: "The failures lie too close together for a law to be told."})
	case len(out.Lives) > 0:
		out.Warnings = append(out.Warnings, Text{Code: "too_few_failures", Text: fmt.Sprintf("There are %s: a law is told from %d on, since a shape from fewer says more about chance than about the tool.", plural(last.Failures, "failure"), survival.Few)})
	}
}

// shapeWords says what a shape tells, where its interval does.
func shapeWords(w *WeibullLaw) string {
	switch {
	case w.ShapeLow != nil && *w.ShapeLow > 1:
		return "they wear out"
	case w.ShapeHigh != nil && *w.ShapeHigh < 1:
		return "they fail early"
	}
	return "wear and chance cannot be told apart yet"
}

func lifeSummary(out ToolModelLife) string {
	switch {
	case len(out.Lives) == 0:
		return fmt.Sprintf("No use of a %s is on record.", out.ToolModel)
	case out.Failures == 0:
		return fmt.Sprintf("No %s has failed in %s.", out.ToolModel, map[bool]string{true: "1 life", false: fmt.Sprintf("%d lives", len(out.Lives))}[len(out.Lives) == 1])
	case out.Median == nil:
		return fmt.Sprintf("%s: %s; more than half outlast what is on record.", out.ToolModel, plural(out.Failures, "failure"))
	}
	return fmt.Sprintf("%s: %s; half last %d uses.", out.ToolModel, plural(out.Failures, "failure"), *out.Median)
}

func weibullOut(w survival.Weibull) *WeibullLaw {
	bounded := func(x float64) *float64 {
		if x <= 0 || math.IsInf(x, 1) {
			return nil
		}
		return pointerTo(fine(x))
	}
	out := &WeibullLaw{Shape: fine(w.Shape), Scale: fine(w.Scale), Mean: fine(w.Mean()), Median: fine(w.Quantile(0.5))}
	low, high := w.ShapeInterval(cutting.Coverage)
	out.ShapeLow, out.ShapeHigh = bounded(low), bounded(high)
	low, high = w.QuantileInterval(0.5, cutting.Coverage)
	out.MedianLow, out.MedianHigh = bounded(low), bounded(high)
	return out
}

func gaugesOut(out *ToolModelLife, m tool.Model, rows []cutting.GaugeRow, now time.Time, units string) error {
	limit, assumed, known := cutting.ClassLimit(m)
	if !known {
		out.Summary = "Its class has no tolerance at this size, so that no date can be told at which a gauge leaves it."
		return nil
	}
	gauges, err := cutting.Gauges(rows, limit, now)
	if err != nil {
		return err
	}
	out.Method = "calibrations"
	few := 0
	for _, g := range gauges {
		one := GaugeWear{ToolId: g.ToolID, Number: g.Number, Calibrations: g.Found, Limit: pointerTo(lengthOut(limit, units))}
		if g.Trend == nil {
			few++
		} else {
			one.Trend = pointerTo(showTrend(axis{unit: TrendXUnitDay, from: g.From}, length.Unit(units)).trend(*g.Trend))
		}
		out.Gauges = append(out.Gauges, one)
	}
	out.Summary = fmt.Sprintf("%s of %s: each has its own trend, which crosses the limit of its class when it leaves it.", plural(len(gauges), "gauge"), m.Code)
	if few > 0 {
		out.Warnings = append(out.Warnings, Text{Code: "too_few_calibrations", Text: fmt.Sprintf("Of %s fewer than two calibrations state a deviation, so that no wear can be told.", plural(few, "gauge"))})
	}
	if assumed {
		out.Assumed = append(out.Assumed, Text{Code: "assumed_gauge_class", Text: "A gauge of which class or sense is not on record was taken as of class ZZ and minus (ASME B89.1.5)."})
	}
	return nil
}

// lifeDrawing is the share that survives over uses, in stairs, and the law's line.
func lifeDrawing(m tool.Model, last cutting.Lasting, summary string) plot.History {
	h := plot.History{Title: "How long " + m.Code + " lasts", Summary: summary, Unit: "share that survives", UnitX: "uses", Limit: math.NaN(), Crossing: math.NaN(), Coverage: cutting.Coverage}
	var stairs plot.Line
	to := func(x, share, low, high float64) {
		stairs.X, stairs.Mean, stairs.Low, stairs.High = append(stairs.X, x), append(stairs.Mean, share), append(stairs.Low, low), append(stairs.High, high)
	}
	end, share, low, high := 0.0, 1.0, 1.0, 1.0
	for _, l := range last.Lived {
		end = math.Max(end, l.Life.From)
	}
	if len(last.Lived) > 0 {
		to(0, 1, 1, 1)
	}
	for _, s := range last.Steps {
		to(s.At, share, low, high)
		share, low, high = s.Survival, s.Low, s.High
		to(s.At, share, low, high)
	}
	nan := math.NaN()
	for _, s := range last.Spans {
		if math.IsInf(s.Until, 1) {
			continue
		}
		to(s.From, share, nan, nan)
		share, low, high = share-s.Share, nan, nan
		to(s.Until, share, nan, nan)
		end = math.Max(end, s.Until)
	}
	if len(last.Lived) > 0 {
		to(end, share, low, high)
		h.Lines = append(h.Lines, stairs)
	}
	if last.Law != nil {
		var law plot.Line
		for k := range bandPoints + 1 {
			x := 1.2 * end * float64(k) / bandPoints
			law.X, law.Mean, law.Low, law.High = append(law.X, x), append(law.Mean, last.Law.Survival(x)), append(law.Low, nan), append(law.High, nan)
		}
		h.Lines = append(h.Lines, law)
	}
	return h
}
