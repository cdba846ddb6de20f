package api

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/plot"
)

// CalcTrendPicture implements the contract.
func (s *Server) CalcTrendPicture(c echo.Context, params CalcTrendPictureParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[TrendIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		t, err := trendOf(ask, params.Units, nil)
		if err != nil {
			return answer{}, err
		}
		return drawn(trendDrawing("How it wears", t).SVG(schemeOf(params.Scheme))), nil
	})
}

// CalcControlChartPicture implements the contract.
func (s *Server) CalcControlChartPicture(c echo.Context, params CalcControlChartPictureParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[ControlChartIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		chart, err := controlChartOf(ask, nil)
		if err != nil {
			return answer{}, err
		}
		return drawn(chartDrawing("Control chart", "", chart).SVG(schemeOf(params.Scheme))), nil
	})
}

// trendDrawing is what the picture of a trend shows: what its answer holds.
func trendDrawing(title string, t Trend) plot.History {
	h := plot.History{Title: title, Summary: t.Summary, Unit: string(t.Unit), Coverage: t.Coverage, Limit: math.NaN(), Crossing: math.NaN()}
	switch {
	case t.XUnit == TrendXUnitDay && t.XFrom != nil:
		h.Dated, h.Zero = true, t.XFrom.Time
	case t.XUnit == TrendXUnitAny:
		h.UnitX = "x"
	default:
		h.UnitX = string(t.XUnit)
	}
	for _, p := range t.Points {
		h.Points = append(h.Points, plot.Spot{X: p.X, Y: p.Value, U: expansion * or(p.U, 0), Segment: p.Segment})
	}
	nan := math.NaN()
	last := -1
	for _, b := range t.Band {
		if b.Mean == nil {
			continue
		}
		if b.Segment != last {
			h.Lines, last = append(h.Lines, plot.Line{}), b.Segment
		}
		l := &h.Lines[len(h.Lines)-1]
		l.X, l.Mean = append(l.X, b.X), append(l.Mean, b.Mean.Value)
		l.Low, l.High = append(l.Low, or(b.Mean.Low, nan)), append(l.High, or(b.Mean.High, nan))
	}
	for _, segment := range t.Segments {
		if segment.Opened == nil || segment.From == nil {
			continue
		}
		text := strings.ReplaceAll(string(*segment.Opened), "_", ", ")
		if *segment.Opened == "repair_new_rate" {
			text = "repair, with a new rate"
		}
		if segment.FromOn != nil {
			text += ", " + segment.FromOn.Format(time.DateOnly)
		}
		h.Starts = append(h.Starts, plot.Start{X: *segment.From, Text: text})
	}
	if t.Crossing != nil {
		crossingDrawing(&h, *t.Crossing)
	}
	return h
}

// crossingDrawing adds where the limit is reached: from the first to the last, or,
// where these are not known, what lies ahead.
func crossingDrawing(h *plot.History, c TrendCrossing) {
	if v, err := c.Limit.Value.Float64(); err == nil {
		h.Limit, h.LimitText = v, c.Limit.Text
	}
	h.Crossing = or(c.At, math.NaN())
	if c.Line.Set == TrendBounded {
		h.Between = []plot.Stretch{{From: or(c.Line.Low, math.NaN()), To: or(c.Line.High, math.NaN())}}
	} else {
		for _, stretch := range c.Line.Ahead {
			h.Between = append(h.Between, plot.Stretch{From: or(stretch.From, math.Inf(-1)), To: or(stretch.To, math.Inf(1))})
		}
	}
	if len(h.Between) == 0 {
		return
	}
	var parts []string
	for _, b := range h.Between {
		from, to := h.Place(b.From), h.Place(b.To)
		if c.Line.Set != TrendBounded && b.From <= c.Now {
			from = ""
		}
		switch {
		case math.IsInf(b.To, 1) && (from == "" || math.IsInf(b.From, -1)):
			parts = append(parts, "at any time")
		case math.IsInf(b.To, 1):
			parts = append(parts, "not before "+from+", with no latest")
		case from == "" || math.IsInf(b.From, -1):
			parts = append(parts, "up to "+to)
		default:
			parts = append(parts, from+" to "+to)
		}
	}
	said := fmt.Sprintf("%s %%: %s", plot.Percent(h.Coverage), strings.Join(parts, ", or "))
	switch {
	case c.At == nil:
		h.CrossingText = "limit reached, " + said
	case c.On != nil:
		h.CrossingText = fmt.Sprintf("limit reached %s (%s)", c.On.Format(time.DateOnly), said)
	default:
		h.CrossingText = fmt.Sprintf("limit reached at %s (%s)", h.Place(*c.At), said)
	}
}

// chartDrawing is what the picture of a control chart shows: what its answer holds.
func chartDrawing(title, unit string, chart ControlChart) plot.ControlChart {
	cc := plot.ControlChart{Title: title, Summary: chart.Summary, Unit: unit}
	nan := math.NaN()
	for _, p := range chart.Points {
		cc.Values, cc.Ranges = append(cc.Values, p.Value), append(cc.Ranges, or(p.MovingRange, nan))
		name := ""
		if p.On != nil {
			name = p.On.Format(time.DateOnly)
		}
		cc.Names = append(cc.Names, name)
	}
	for _, segment := range chart.Segments {
		cc.Segments = append(cc.Segments, plot.Limits{First: segment.First, Last: segment.Last, Centre: or(segment.Centre, nan), Sigma: or(segment.Sigma, nan),
			MeanRange: or(segment.MeanMovingRange, nan), TopRange: or(segment.MovingRangeUpper, nan)})
	}
	for _, signal := range chart.Signals {
		mark := plot.Signal{At: signal.Index, Meaning: signal.Meaning, Range: signal.Rule == "moving_range"}
		kind, number, _ := cutLast(string(signal.Rule), "_")
		switch {
		case mark.Range:
			mark.Mark = "R"
		case kind == "western_electric":
			mark.Mark = "W" + number
		default:
			mark.Mark = number
		}
		cc.Signals = append(cc.Signals, mark)
	}
	if len(chart.Signals) > 0 { // told one by one below the chart
		cc.Summary = plural(len(chart.Signals), "signal") + " among " + plural(len(chart.Points), "value") + "."
	}
	return cc
}

func cutLast(s, separator string) (before, after string, found bool) {
	if i := strings.LastIndex(s, separator); i >= 0 {
		return s[:i], s[i+len(separator):], true
	}
	return s, "", false
}
