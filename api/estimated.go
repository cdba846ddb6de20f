package api

import (
	"fmt"
	"math"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/wornsize"
)

// sizeCoverage is the probability between low and high of an estimated size.
const sizeCoverage = 0.95

// estimatedOut shows a law of a size, counted in micrometres from nominal.
func estimatedOut(law wornsize.Law, nominal length.Length, unit string) EstimatedSize {
	at := func(p float64) length.Length { return nominal + length.FromMicrometres(law.Quantile(p)) }
	show := func(l length.Length) Length { return micrometresOut(l.Micrometres(), unit) }
	low, median, high := at((1-sizeCoverage)/2), at(0.5), at((1+sizeCoverage)/2)
	out := EstimatedSize{Low: show(low), Median: show(median), High: show(high), Probability: sizeCoverage}
	quantiles := make([]struct {
		P    float32 `json:"p"`
		Size Length  `json:"size"`
	}, 0, 7)
	for _, p := range []float64{0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99} {
		quantiles = append(quantiles, struct {
			P    float32 `json:"p"`
			Size Length  `json:"size"`
		}{float32(p), show(at(p))})
	}
	out.Quantiles = &quantiles
	out.Text = estimatedText(low, median, high, length.Unit(unit))
	return out
}

// estimatedText says a size with its doubt; a lopsided one as its bounds, since
// plus or minus would promise room on a side where there is none.
func estimatedText(low, median, high length.Length, unit length.Unit) string {
	below, above := median-low, high-median
	if 2*below >= above && 2*above >= below {
		return median.TextWithUncertainty(unit, (high-low)/2)
	}
	places := computedPlaces[unit]
	return fmt.Sprintf("%s (95 %%: %s to %s)", median.Rounded(unit, places), low.Rounded(unit, places), high.Rounded(unit, places))
}

// probabilityOut rounds a probability to what the quadrature holds, and never
// to a certainty that it has not.
func probabilityOut(p float64) float64 {
	return math.Min(0.9999, math.Max(0.0001, math.Round(p*1e4)/1e4))
}

// chanceInWords says a probability as people do.
func chanceInWords(p float64) string {
	switch {
	case p < 0.01:
		return "almost certainly not (less than 1 time in 100)"
	case p > 0.99:
		return "almost certainly (more than 99 times in 100)"
	}
	return fmt.Sprintf("%.0f times in 100", 100*p)
}
