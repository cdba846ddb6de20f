package drift

import (
	"pinwright/internal/calc/derivation"
)

// Derivation tells how the prediction years after the newest calibration, and the interval,
// came about.
func (m *Model) Derivation(years float64) []derivation.Step {
	n := derivation.Number
	at := m.at(years)
	rate, rateU, step := m.Rate()
	now := m.at(0)
	interval := m.Interval()
	const filter = "R. E. Kalman, J. Basic Eng. 82 (1960) 35; A. C. Harvey, Forecasting, Structural Time Series Models and the Kalman Filter, 1989"
	level := n("y_0", "deviation as of the newest calibration", now.Deviation, "um")
	slope := n("b", "steady rate", rate, "um/a")
	return []derivation.Step{
		{Name: "deviation and rate after all calibrations", Formula: "level and rate filtered for each step of the walk, weighed by the prior and by how well each calibration was foretold", Source: filter,
			Inputs: []derivation.Value{n("N", "calibrations", float64(m.N), "1"), n("s_b", "prior standard deviation of the rate", m.Used.Rate, "um/a"), n("s_q", "prior scale of the walk, for a year", m.Used.Step, "um")},
			Values: []derivation.Value{slope, n("u_b", "standard uncertainty of the rate", rateU, "um/a"), n("sqrt(q)", "step of the walk, for a year", step, "um")},
			Result: level},
		{Name: "deviation predicted", Formula: "y = y_0 + b t", Inputs: []derivation.Value{level, slope, n("t", "years since the newest calibration", years, "a")},
			Result: n("y", "deviation predicted", at.Deviation, "um"), Source: filter},
		{Name: "its standard uncertainty", Formula: "u^2 = var(y_0) + 2 t cov(y_0, b) + t^2 var(b) + q t, over the walk's steps", Inputs: []derivation.Value{n("t", "years since the newest calibration", years, "a")},
			Values: []derivation.Value{n("u_0", "as of the newest calibration", now.U, "um"), n("u_t", "what came since", at.SinceU, "um")}, Result: n("u", "standard uncertainty", at.U, "um"), Source: filter},
		{Name: "interval", Formula: "T = the longest t throughout which P(|y| <= E) >= R", Inputs: []derivation.Value{n("E", "permitted error", m.permitted, "um"), n("R", "reliability", m.Reliability, "1"), n("T_max", "longest proposed", m.Longest, "a")},
			Values: []derivation.Value{n("P", "probability at t", at.Inside, "1")}, Result: n("T", "interval", interval.Years, "a"), Source: "ILAC-G24/OIML D 10:2007, a statistical method (from memory)"},
	}
}
