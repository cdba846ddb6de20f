package api

import (
	"fmt"
	"time"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/drift"
	"pinwright/internal/calc/length"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

// CalcDrift implements the contract.
func (s *Server) CalcDrift(c echo.Context, params CalcDriftParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[DriftIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		unit := shownIn(ask.PermittedError, params.Units).Unit()
		wander, err := ask.wander(in.now)
		if err != nil {
			return answer{}, err
		}
		out, err := wander.answer(unit)
		if err != nil {
			return answer{}, err
		}
		out.Explanation = explained(params.Explain, func() []derivation.Step { return wander.Model.Derivation(wander.years) })
		return ok(out), nil
	})
}

// wander is an instrument's drift on a day.
type wander struct {
	tool.Wander
	permitted length.Length
	on        time.Time
	years     float64 // from the newest finding to on
	given     bool    // the prior was stated
}

// wander learns from the calibrations.
func (ask DriftIn) wander(now time.Time) (*wander, error) {
	w := &wander{permitted: ask.PermittedError.Length(), on: now.UTC().Truncate(24 * time.Hour)}
	var faults []problem.Fault
	fault := func(pointer, detail string) { faults = append(faults, problem.Fault{Pointer: pointer, Detail: detail}) }
	if ask.On != nil {
		w.on = ask.On.Time
	}
	var findings []tool.Finding
	for i, k := range ask.Calibrations {
		f := tool.Finding{On: k.CalibratedOn.Time, Deviation: k.Deviation.Length(), Expanded: k.ExpandedUncertainty.Length(), K: or(k.CoverageFactor, 2)}
		if f.Expanded <= 0 {
			fault(fmt.Sprintf("/calibrations/%d/expanded_uncertainty", i), `must be greater than zero; it stands on the certificate as U, such as "0.002 mm" with k = 2`)
		}
		if f.On.After(w.Newest) {
			w.Newest = f.On
		}
		findings = append(findings, f)
	}
	if w.on.Before(w.Newest) {
		fault("/on", "must not be before the newest calibration ("+w.Newest.Format(time.DateOnly)+")")
	}
	if w.permitted <= 0 {
		fault("/permitted_error", "must be greater than zero: the greatest deviation either way that will do")
	}
	if w.years = tool.Years(w.Newest, w.on); w.years > 100 {
		fault("/on", "is more than 100 years after the newest calibration; no history reaches so far")
	}
	h := drift.History{Permitted: w.permitted.Micrometres(), Reliability: or(ask.Reliability, drift.Reliability), Longest: or(ask.LongestYears, drift.Longest), Corrected: or(ask.Corrected, false)}
	if p := ask.Prior; p != nil {
		for _, part := range []struct {
			pointer string
			q       *LengthIn
			into    *float64
		}{{"/prior/rate", p.Rate, &h.Prior.Rate}, {"/prior/step", p.Step, &h.Prior.Step}} {
			if part.q == nil {
				continue
			}
			if *part.into = part.q.Length().Micrometres(); *part.into <= 0 {
				fault(part.pointer, "must be greater than zero: what one believes to be usual in a year; or leave it out")
			}
		}
		w.given = p.Rate != nil && p.Step != nil
	}
	if len(faults) > 0 {
		return nil, problem.Invalid(faults...)
	}
	var err error
	if w.Wander, err = tool.Learn(findings, h); err != nil {
		return nil, problem.Invalid(faultOf("/calibrations", err))
	}
	return w, nil
}

const fromDrift = "Kalman filter of a level with steady rate (A. C. Harvey, Forecasting, Structural Time Series Models and the Kalman Filter, 1989); a statistical method in the sense of ILAC-G24/OIML D 10:2007 (from memory)"

func (w *wander) answer(unit length.Unit) (DriftOut, error) {
	at, err := w.Model.At(w.years)
	if err != nil {
		return DriftOut{}, err
	}
	scale := 1000 / float64(unit.Length())
	rate, rateU, step := w.Model.Rate()
	due, days := w.After(w.Model.Interval().Years)
	out := DriftOut{Unit: Unit(unit), On: openapi_types.Date{Time: w.on}, NewestOn: openapi_types.Date{Time: w.Newest},
		Deviation: significant(at.Deviation * scale), U: significant(at.U * scale), Low: significant(at.Low * scale), High: significant(at.High * scale), SinceU: significant(at.SinceU * scale),
		ProbabilityInside: significant(at.Inside), Rate: significant(rate * scale), RateU: significant(rateU * scale), Step: significant(step * scale),
		PermittedError: lengthOut(w.permitted, string(unit)), Reliability: w.Model.Reliability, IntervalDays: days, NextDueOn: openapi_types.Date{Time: due},
		Remarks: textsOut(w.Model.Notes(w.given)), Source: fromDrift}
	for quarter := range 9 {
		years := float64(quarter) / 4
		then, err := w.Model.At(years)
		if err != nil {
			return DriftOut{}, err
		}
		day, _ := w.After(years)
		out.Forecast = append(out.Forecast, DriftForecast{On: openapi_types.Date{Time: day}, Deviation: significant(then.Deviation * scale), U: significant(then.U * scale), ProbabilityInside: significant(then.Inside)})
	}
	if line, err := drift.Fit(w.Points); err == nil { // one day alone has no line
		shown := DriftLine{Slope: significant(line.Slope * scale), DegreesOfFreedom: line.DoF}
		if line.DoF > 0 {
			shown.SlopeLow, shown.SlopeHigh, shown.BirgeRatio = scaled(&line.SlopeLow, scale), scaled(&line.SlopeHigh, scale), scaled(&line.ResidualSD, 1)
		}
		out.Line = &shown
	}
	out.Summary = fmt.Sprintf("On %s it shows %.3g %s too much, give or take %.2g %s (one standard deviation). Calibrate it again by %s, after %d days.",
		w.on.Format(time.DateOnly), at.Deviation*scale, unit, at.U*scale, unit, due.Format(time.DateOnly), days)
	return out, nil
}
