package fitsearch

import (
	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/limits"
)

// Derivation tells how the first fit of the answer, or else the nearest miss,
// follows from its classes and stands to the window of q. Micrometres.
func (a Answer) Derivation(q Question) []derivation.Step {
	number := derivation.Number
	least := number("W_min", "least clearance wanted", q.Least.Micrometres(), "um")
	most := number("W_max", "greatest clearance wanted", q.Greatest.Micrometres(), "um")
	width := number("W", "width of the window", (q.Greatest - q.Least).Micrometres(), "um")
	steps := []derivation.Step{{Name: "width of the window", Formula: "W = W_max - W_min", Inputs: []derivation.Value{least, most}, Result: width, Source: "ISO 286-1, variation of fit"}}
	if a.Considered == 0 {
		return steps
	}
	steps = append(steps, derivation.Step{Name: "what a window must hold at least", Formula: "T_min = min over fits of (IT_hole + IT_shaft)",
		Inputs: []derivation.Value{number("n", "fits considered", float64(a.Considered), "1")},
		Result: number("T_min", "narrowest variation of fit", a.Narrowest.Micrometres(), "um"), Source: "ISO 286-1, variation of fit"})
	best, what := Found{}, "the first fit"
	switch {
	case len(a.Fits) > 0:
		best = a.Fits[0]
	case len(a.Misses) > 0:
		best, what = a.Misses[0], "the nearest miss"
	default:
		return steps
	}
	source := limits.Tables
	switch {
	case q.Inch:
		source = limits.InchTables
	case !best.Common:
		source = limits.Derived
	}
	low := number("C_min", "least clearance of "+best.Symbol(), best.LeastClearance.Micrometres(), "um")
	high := number("C_max", "greatest clearance of "+best.Symbol(), best.GreatestClearance.Micrometres(), "um")
	return append(append(steps, best.Derivation(source)...),
		derivation.Step{Name: "how far " + what + ", " + best.Symbol() + ", lies below the window", Formula: "B = max(0, W_min - C_min)", Inputs: []derivation.Value{least, low},
			Result: number("B", "below", best.Below.Micrometres(), "um"), Source: "follows from the window"},
		derivation.Step{Name: "how far it lies above the window", Formula: "A = max(0, C_max - W_max)", Inputs: []derivation.Value{most, high},
			Result: number("A", "above", best.Above.Micrometres(), "um"), Source: "follows from the window"},
		derivation.Step{Name: "mean clearance, by which the tightest comes first", Formula: "C_mean = (C_min + C_max) / 2", Inputs: []derivation.Value{low, high},
			Result: number("C_mean", "mean clearance", best.twiceMean().Micrometres()/2, "um"), Source: "ISO 286-1, mean clearance"},
	)
}
