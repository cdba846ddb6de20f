package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/censored"
	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/problem"
)

// CalcCensoredNormal implements the contract.
func (s *Server) CalcCensoredNormal(c echo.Context, params CalcCensoredNormalParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[CensoredNormalIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		readings, unit, faults := ask.readings(params.Units)
		var sigma *float64
		if ask.StandardDeviation != nil {
			sigma = pointerTo(numberOf(ask.StandardDeviation.Length(), unit))
			if *sigma < 0 {
				faults = append(faults, problem.Fault{Pointer: "/standard_deviation", Detail: "must not be below 0; leave it out to have it estimated"})
			}
		}
		if len(faults) > 0 {
			return answer{}, problem.Invalid(faults...)
		}
		fit, err := censored.Normal(readings, sigma)
		if err != nil {
			return answer{}, problem.Invalid(censoredFault(err))
		}
		out := censoredOut(fit, readings, unit)
		out.Explanation = explained(params.Explain, func() []derivation.Step { return fit.Derivation(readings, unit.UCUM()) })
		return ok(out), nil
	})
}

// numberOf is a length as a number of units.
func numberOf(l length.Length, unit length.Unit) float64 { return float64(l) / float64(unit.Length()) }

// readings are what was sent, in the unit of the answer: the one asked for, else
// the first that was sent.
func (ask CensoredNormalIn) readings(units *Units) (out []censored.Reading, unit length.Unit, faults []problem.Fault) {
	for i, r := range ask.Readings {
		at := fmt.Sprintf("/readings/%d", i)
		fault := func(field, detail string) {
			faults = append(faults, problem.Fault{Pointer: at + field, Detail: detail})
		}
		for _, q := range []*LengthIn{r.Value, r.Above, r.Below} {
			if q != nil && unit == "" {
				unit = shownIn(*q, units).Unit()
			}
		}
		one := censored.Reading{Low: math.Inf(-1), High: math.Inf(1)}
		switch {
		case r.Value == nil && r.Above == nil && r.Below == nil:
			fault("", "says nothing: give a value, or what it is above or below")
			continue
		case r.Value != nil && (r.Above != nil || r.Below != nil):
			fault("/value", "is exact, so above and below have no place beside it")
			continue
		case r.Value != nil:
			one.Low = numberOf(r.Value.Length(), unit)
			one.High = one.Low
		default:
			if r.Above != nil {
				one.Low = numberOf(r.Above.Length(), unit)
			}
			if r.Below != nil {
				one.High = numberOf(r.Below.Length(), unit)
			}
			if one.Low >= one.High {
				fault("/below", "must be larger than above")
				continue
			}
		}
		if r.U != nil {
			if one.Blur = numberOf(r.U.Length(), unit); one.Blur < 0 {
				fault("/u", "must not be below 0")
				continue
			}
		}
		out = append(out, one)
	}
	return out, unit, faults
}

// numbered is how package censored names the reading to mend.
var numbered = regexp.MustCompile(`^reading ([0-9]+)`)

// censoredFault puts an error of package censored at what mends it.
func censoredFault(err error) problem.Fault {
	at := "/readings"
	switch place := numbered.FindStringSubmatch(err.Error()); {
	case errors.Is(err, censored.ErrSigma) && place != nil:
		return problem.Fault{Pointer: at + "/" + place[1] + "/u", Detail: censored.ErrSigma.Error()}
	case place != nil:
		at += "/" + place[1]
	}
	return problem.Fault{Pointer: at, Detail: err.Error()}
}

// figures is a computed length to ten significant digits, its text as usual.
func figures(v float64, unit length.Unit) Length {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 10, 64), 64)
	if err != nil {
		panic("api: " + err.Error()) // it was printed just now
	}
	return Length{Value: json.Number(strconv.FormatFloat(rounded, 'f', -1, 64)), Unit: Unit(unit),
		Text: strconv.FormatFloat(math.Round(v*1e4)/1e4, 'f', -1, 64) + " " + string(unit)}
}

func censoredOut(f censored.Fit, readings []censored.Reading, unit length.Unit) CensoredNormalOut {
	span := func(i censored.Interval) LengthRange {
		var out LengthRange
		if !math.IsInf(i.Low, 0) {
			out.Low = pointerTo(figures(i.Low, unit))
		}
		if !math.IsInf(i.High, 0) {
			out.High = pointerTo(figures(i.High, unit))
		}
		return out
	}
	out := CensoredNormalOut{
		Mean: figures(f.Mu, unit), StandardDeviation: figures(f.Sigma, unit), StandardDeviationGiven: f.Known,
		LogLikelihood: f.LogLikelihood, Unit: Unit(unit), MeanStandardError: figures(f.SEMu, unit),
		MeanInterval: span(f.MuInterval), StandardDeviationInterval: span(f.SigmaInterval), CoverageProbability: 0.95,
		Source:  "maximum likelihood; J. F. Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed., Wiley 2003",
		Assumed: []Text{{Code: "assumed_normal", Text: "Sizes were taken to scatter by a normal law, and each reading to say nothing of the others."}}, Warnings: []Text{},
	}
	if !math.IsNaN(f.SELogSigma) {
		out.LogStandardDeviationStandardError, out.Covariance = &f.SELogSigma, &f.Covariance
	}
	for _, r := range readings {
		switch {
		case r.Low == r.High:
			out.Exact++
		case math.IsInf(r.Low, 0):
			out.Below++
		case math.IsInf(r.High, 0):
			out.Above++
		default:
			out.Between++
		}
	}
	if f.Sigma == 0 && !f.Known {
		out.Warnings = append(out.Warnings, Text{Code: "no_spread_seen", Text: "The readings scatter no more than their own uncertainties, so no spread of the sizes was seen."})
	}
	ends := "has no bound on one side"
	if i := out.MeanInterval; i.Low != nil && i.High != nil {
		ends = fmt.Sprintf("lies from %s to %s", i.Low.Text, i.High.Text)
	}
	if out.MeanInterval.Low == nil || out.MeanInterval.High == nil || out.StandardDeviationInterval.High == nil {
		out.Warnings = append(out.Warnings, Text{Code: "interval_open", Text: "The readings do not bound an interval on every side: the end that is missing may lie anywhere. More readings, or an exact one, would bound it."})
	}
	out.Summary = fmt.Sprintf("The mean is %s and %s with 95 %% confidence; the standard deviation is %s.", out.Mean.Text, ends, out.StandardDeviation.Text)
	return out
}
