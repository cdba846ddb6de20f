package uncertainty_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
)

func codesOf(list []uncertainty.Remark) []string {
	var out []string
	for _, r := range list {
		out = append(out, r.Code)
	}
	return out
}

// The parts of a budget add in quadrature (JCGM 100, 5.1.2), whatever they came from.
func TestDriftAndStudyHaveTheirLines(t *testing.T) {
	t.Parallel()
	measure := func(i uncertainty.Instrument) uncertainty.Result {
		t.Helper()
		r, err := uncertainty.Measure(uncertainty.Reading{Read: length.FromMicrometres(9000), Shape: uncertainty.Pin, Method: uncertainty.Micrometer, Instrument: i})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	line := func(r uncertainty.Result, name string) float64 {
		for _, l := range r.Budget.Lines {
			if l.Name == name {
				return l.Contribution
			}
		}
		return math.NaN()
	}
	plain := measure(uncertainty.Instrument{Calibration: &uncertainty.Calibration{Expanded: 2, K: 2}})
	moved := measure(uncertainty.Instrument{Calibration: &uncertainty.Calibration{Expanded: 2, K: 2, Drift: 3, Correction: -5}})
	if line(moved, "drift") != 3 || !math.IsNaN(line(plain, "drift")) || math.Abs(moved.Shared-math.Hypot(plain.Shared, 3)) > 1e-3 || moved.Independent != plain.Independent {
		t.Errorf("with drift %v, without %v", moved.Shared, plain.Shared)
	}
	if slices.Contains(codesOf(moved.Assumed), uncertainty.AssumedDrift) {
		t.Error("a drift that the history told is not assumed")
	}
	usual := measure(uncertainty.Instrument{Calibration: &uncertainty.Calibration{Expanded: 2, K: 2, Drift: 3, DriftAssumed: true, Lapsed: true}})
	if !slices.Contains(codesOf(usual.Assumed), uncertainty.AssumedDrift) || !slices.Contains(codesOf(usual.Warnings), uncertainty.CalibrationLapsed) || line(usual, "calibration") != 1 {
		t.Errorf("%v %v, calibration %v", codesOf(usual.Assumed), codesOf(usual.Warnings), line(usual, "calibration"))
	}
	alone := measure(uncertainty.Instrument{Study: &uncertainty.Study{Repeatability: 1.5, RepeatabilityDoF: 9, OnePerson: true}})
	if line(alone, "repeatability") != 1.5 || !slices.Contains(codesOf(alone.Assumed), uncertainty.AssumedPeopleAlike) || slices.Contains(codesOf(alone.Assumed), uncertainty.AssumedRepeatability) {
		t.Errorf("%v", codesOf(alone.Assumed))
	}
	if _, err := uncertainty.Measure(uncertainty.Reading{Read: length.FromMicrometres(9000), Shape: uncertainty.Pin, Method: uncertainty.Micrometer,
		Instrument: uncertainty.Instrument{Calibration: &uncertainty.Calibration{Expanded: 2, Drift: math.NaN()}}}); !errors.Is(err, uncertainty.ErrInput) {
		t.Error(err)
	}
	gauge := uncertainty.Gauge{Marked: length.FromMicrometres(8000), Calibration: &uncertainty.Calibration{Expanded: 1, K: 2, Drift: 0.6, Lapsed: true}, Feel: 1}
	size, err := uncertainty.SizeOfGauge(gauge)
	if err != nil || size.Drift != 0.6 || size.Calibration != 0.5 || math.Abs(size.Shared-math.Hypot(math.Hypot(0.5, 0.6), size.Temperature)) > 1e-12 || len(size.Warnings) == 0 {
		t.Errorf("%+v, %v", size, err)
	}
}
