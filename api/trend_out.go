package api

import (
	"fmt"
	"math"
	"strconv"
	"time"

	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/trend"
	"pinwright/internal/calc/uncertainty"
)

// axis is what the x of a trend is: days from a day, a distance, or anything.
type axis struct {
	unit TrendXUnit
	from time.Time // of days
}

// day is the day on which x lies; nil where x counts no days, or lies beyond the
// calendar.
func (a axis) day(x float64) *openapi_types.Date {
	const millennium = 366_000 // days
	if a.unit != TrendXUnitDay || !(math.Abs(x) <= millennium) {
		return nil
	}
	t := a.from.AddDate(0, 0, int(math.Floor(x)))
	if t.Year() < 1 || t.Year() > 9999 {
		return nil
	}
	return &openapi_types.Date{Time: t}
}

func (a axis) maybe(x *float64) *openapi_types.Date {
	if x == nil {
		return nil
	}
	return a.day(*x)
}

// at says where x is, in words.
func (a axis) at(x float64) string {
	switch d := a.day(x); {
	case d != nil:
		return "on " + d.Format(time.DateOnly)
	case a.unit == TrendXUnitDay:
		return "more than a thousand years away"
	case a.unit == TrendXUnitAny:
		return "at x = " + strconv.FormatFloat(x, 'g', 5, 64)
	}
	return fmt.Sprintf("at %.0f %s", x, a.unit)
}

// per is the stretch of x that people give rates for.
func (a axis) per() (stretch float64, words string) {
	switch a.unit {
	case TrendXUnitDay:
		return 365.25, "per year"
	case TrendXUnitKm, TrendXUnitMi:
		return 1000, "per 1000 " + string(a.unit)
	}
	return 1, "per unit of x"
}

// fine rounds a fitted number to ten significant digits: beyond them machines
// may differ.
func fine(x float64) float64 {
	if math.Abs(x) < 1e-15 {
		return 0
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 10, 64), 64)
	if err != nil {
		return x
	}
	return rounded
}

func finePointer(x *float64) *float64 {
	if x == nil {
		return nil
	}
	return pointerTo(fine(*x))
}

// trendShown renders a trend whose y is in micrometres.
type trendShown struct {
	axis
	units length.Unit
	scale float64 // of micrometres to units
}

func showTrend(a axis, unit length.Unit) trendShown {
	return trendShown{axis: a, units: unit, scale: 1000 / float64(unit.Length())}
}

func (s trendShown) y(um float64) float64 { return fine(um * s.scale) }

// words says a number of micrometres; a rate may be beyond any length.
func (s trendShown) words(um float64) string {
	if math.Abs(um) < length.Limit.Micrometres()/2 {
		return micrometresOut(um, string(s.units)).Text
	}
	return fmt.Sprintf("%.4g %s", um*s.scale, s.units)
}

func (s trendShown) estimate(e trend.Estimate) *TrendEstimate {
	if !e.Known {
		return nil
	}
	out := &TrendEstimate{Value: s.y(e.Value)}
	if e.Interval {
		out.StandardError, out.Low, out.High = pointerTo(s.y(e.SE)), pointerTo(s.y(e.Low)), pointerTo(s.y(e.High))
	}
	return out
}

func (s trendShown) trend(a trend.Answer) Trend {
	out := Trend{Unit: Unit(s.units), XUnit: s.unit, Points: []TrendPoint{}, Segments: []TrendSegment{}, RateChanges: []TrendRateChange{}, Band: []TrendBandPoint{},
		Scale: TrendScale(a.Scale), ScaleAsked: TrendUncertainties(a.Asked), Coverage: a.Coverage, Quantile: present(fine(a.Quantile)),
		Parameters: a.Parameters, DegreesOfFreedom: a.DoF, SharedU: s.y(a.SharedU), NoInterval: (*TrendNoInterval)(present(string(a.NoInterval))),
		Summary: s.summary(a), Source: "Weighted least squares (JCGM 100:2008, H.3); crossings by E. C. Fieller, J. R. Statist. Soc. B 16 (1954) 175",
		Assumed: []Text{}, Warnings: textsOut(s.warnings(a))}
	if s.unit == TrendXUnitDay && !s.from.IsZero() {
		out.XFrom = &openapi_types.Date{Time: s.from}
	}
	if a.NewU > 0 {
		out.ReadingU = pointerTo(s.y(a.NewU))
	}
	if a.DoF > 0 {
		out.ResidualSd = pointerTo(s.y(a.ResidualSD))
		if a.HasUncertain {
			out.ChiSquare, out.PChiSquare, out.BirgeRatio = pointerTo(fine(a.ChiSquare)), pointerTo(fine(a.PChiSquare)), pointerTo(fine(a.Birge))
		}
	}
	for _, p := range a.Points {
		shown := TrendPoint{X: fine(p.X), On: s.day(p.X), Value: s.y(p.Y), Fitted: s.y(p.Fitted), Residual: s.y(p.Residual), Standardised: fine(p.Standardised), Segment: p.Segment}
		if p.U > 0 {
			shown.U = pointerTo(s.y(p.U))
		}
		out.Points = append(out.Points, shown)
	}
	for _, g := range a.Segments {
		out.Segments = append(out.Segments, TrendSegment{From: finePointer(g.From), FromOn: s.maybe(g.From), To: finePointer(g.To), ToOn: s.maybe(g.To),
			Opened: (*TrendChangeKind)(present(string(g.Opened))), Points: g.Points,
			Rate: s.estimate(g.Rate), Intercept: s.estimate(g.Intercept), Start: s.estimate(g.Start)})
	}
	for _, c := range a.Changes {
		out.RateChanges = append(out.RateChanges, TrendRateChange{X: fine(c.X), On: s.day(c.X), Change: TrendChangeKind(c.Change),
			Before: s.estimate(c.Before), After: s.estimate(c.After), Difference: s.estimate(c.Difference), Shown: c.Shown, Text: s.changeWords(c)})
	}
	for _, b := range a.Band {
		out.Band = append(out.Band, TrendBandPoint{X: fine(b.X), On: s.day(b.X), Segment: b.Segment, Mean: s.estimate(b.Mean), Reading: s.estimate(b.New)})
	}
	if c := a.Crossing; c != nil {
		shown := TrendCrossing{Limit: lengthOut(length.FromMicrometres(c.Limit), string(s.units)), State: TrendCrossingState(c.State), Behind: c.Behind, Above: c.Above, Now: fine(c.Now), NowOn: s.day(c.Now),
			AtNow: s.estimate(c.AtNow), Line: s.region(c.Mean), Reading: s.region(c.Individual)}
		if c.State == trend.Crosses {
			shown.At, shown.On = pointerTo(fine(c.At)), s.day(c.At)
		}
		out.Crossing = &shown
	}
	return out
}

func (s trendShown) region(r trend.Region) TrendRegion {
	out := TrendRegion{Set: TrendRegionSet(r.Set), Ahead: []TrendStretch{}, Why: r.Why}
	if r.Set != trend.NoSet && !math.IsInf(r.G, 0) {
		out.G = pointerTo(fine(r.G))
	}
	if r.Set == trend.Bounded || r.Set == trend.TwoRays || r.Set == trend.UnboundedAbove {
		out.Low, out.LowOn = pointerTo(fine(r.Low)), s.day(r.Low)
	}
	if r.Set == trend.Bounded || r.Set == trend.TwoRays || r.Set == trend.UnboundedBelow {
		out.High, out.HighOn = pointerTo(fine(r.High)), s.day(r.High)
	}
	for _, v := range r.Ahead {
		out.Ahead = append(out.Ahead, TrendStretch{From: finePointer(v.From), FromOn: s.maybe(v.From), To: finePointer(v.To), ToOn: s.maybe(v.To)})
	}
	return out
}

func (s trendShown) warnings(a trend.Answer) []uncertainty.Remark {
	var out []uncertainty.Remark
	if a.HasUncertain && a.DoF > 0 && a.PChiSquare < trend.Contradiction {
		text := fmt.Sprintf("The points scatter %.2g times as much as their uncertainties tell (chi-square %.3g with %d degrees of freedom, probability %.2g): they are too small, or what happened is no straight line.", a.Birge, a.ChiSquare, a.DoF, a.PChiSquare)
		if a.Scale == trend.Estimated && a.Asked == trend.Widened {
			text += " The intervals were widened to the scatter."
		}
		out = append(out, uncertainty.Remark{Code: "scatter_beyond_uncertainty", Params: []uncertainty.Param{{Name: "birge_ratio", Value: significant(a.Birge), Unit: "1"}}, Text: text})
	}
	if c := a.Crossing; c != nil && c.State == trend.Crosses && !c.Behind {
		out = append(out, uncertainty.Remark{Code: "extrapolated", Text: "The crossing is extrapolated: it holds while the line stays straight. Measure again well before."})
	}
	return out
}
