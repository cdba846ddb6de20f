package uncertainty_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
)

func inch(t *testing.T, text string) length.Length {
	t.Helper()
	q, err := length.Parse(text + " in")
	if err != nil {
		t.Fatal(err)
	}
	return q.Length()
}

// TestClassTolerances writes out the gauge makers' chart of ASME B89.1.5 in
// millionths of an inch, as two published charts that agree print it.
func TestClassTolerances(t *testing.T) {
	t.Parallel()
	chart := map[uncertainty.GaugeClass][4]float64{
		"XXX": {10, 15, 20, 25}, "XX": {20, 30, 40, 50}, "X": {40, 60, 80, 100},
		"Y": {70, 90, 120, 150}, "Z": {100, 120, 160, 200}, "ZZ": {200, 240, 320, 400},
	}
	// The last size of each range and the first beyond the one before.
	sizes := [4][2]string{{"0.0101", "0.825"}, {"0.8251", "1.51"}, {"1.5101", "2.51"}, {"2.5101", "4.51"}}
	for class, millionths := range chart {
		for i, pair := range sizes {
			for _, size := range pair {
				got, err := uncertainty.ClassTolerance(class, inch(t, size))
				if err != nil || got != length.FromMicrometres(millionths[i]*0.0254) {
					t.Errorf("%s at %s in: %v, %v; want %v millionths", class, size, got, err, millionths[i])
				}
			}
		}
	}
	for _, size := range []string{"0.010", "4.5101"} {
		if got, err := uncertainty.ClassTolerance("ZZ", inch(t, size)); !errors.Is(err, uncertainty.ErrInput) {
			t.Errorf("%s in: %v, %v", size, got, err)
		}
	}
	if got, err := uncertainty.ClassTolerance("A", inch(t, "0.3")); !errors.Is(err, uncertainty.ErrInput) {
		t.Errorf("class A: %v, %v", got, err)
	}
}

func TestSizeOfGauge(t *testing.T) {
	t.Parallel()
	steady := uncertainty.Thermal{Temperature: at(20), Difference: at(0), Expansion: at(11.5e-6), InstrumentExpansion: at(11.5e-6)}
	rows := map[string]struct {
		gauge    uncertainty.Gauge
		middle   length.Length
		half, u  float64
		assumed  []string
		warnings []string
	}{
		// Class ZZ up to 0.825 in: 0.0002 in = 5.08 µm. 0.318 in = 8 077 200 nm.
		"a plus gauge lies above its marked size": {
			uncertainty.Gauge{Marked: 8_077_200, Class: "ZZ", Side: uncertainty.Plus, Feel: 1, Thermal: steady}, 8_079_740, 2.54, 2.54 / math.Sqrt(3), nil, nil},
		"a minus gauge lies below it": {
			uncertainty.Gauge{Marked: 8_077_200, Class: "ZZ", Side: uncertainty.Minus, Feel: 1, Thermal: steady}, 8_074_660, 2.54, 2.54 / math.Sqrt(3), nil, nil},
		"an unknown gauge is a cheap one": {
			uncertainty.Gauge{Marked: 8_077_200, Feel: 1, Thermal: steady}, 8_074_660, 2.54, 2.54 / math.Sqrt(3), []string{uncertainty.AssumedGaugeClass}, nil},
		"a calibrated gauge has its own size": {
			uncertainty.Gauge{Marked: 8_077_200, Calibration: &uncertainty.Calibration{Expanded: 0.8, Correction: -1.2}, Thermal: steady}, 8_076_000, 0, 0.4,
			[]string{uncertainty.AssumedCoverageFactor, uncertainty.AssumedFeel}, nil},
		"a lapsed one may have worn": {
			uncertainty.Gauge{Marked: 8_077_200, Class: "X", Side: uncertainty.Plus, Feel: 1, Calibration: &uncertainty.Calibration{Expanded: 0.8, K: 2, Lapsed: true}, Thermal: steady},
			8_077_200, 0, math.Hypot(0.4, 0.508/math.Sqrt(3)/2), nil, []string{uncertainty.CalibrationLapsed}},
		"a gauge in a cold aluminium housing": {
			uncertainty.Gauge{Marked: 8 * mm, Class: "ZZ", Side: uncertainty.Plus, Feel: 1, Thermal: uncertainty.Thermal{Temperature: at(5), Difference: at(0), Expansion: at(23.1e-6), InstrumentExpansion: at(11.5e-6)}},
			// 8.00254 mm (1 - 15*11.5e-6)/(1 - 15*23.1e-6)
			8_003_933, 2.54, 2.54 / math.Sqrt(3), nil, nil},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := uncertainty.SizeOfGauge(row.gauge)
			if err != nil {
				t.Fatal(err)
			}
			if got.Middle != row.middle || !near(got.HalfWidth, row.half, 1e-12) || !near(got.Shared, row.u, 1e-9) {
				t.Errorf("got %+v; want %v ± %v, u %v", got, row.middle, row.half, row.u)
			}
			if diff := cmp.Diff(row.assumed, codes(got.Assumed)); diff != "" {
				t.Errorf("assumed -want +got\n%s", diff)
			}
			if diff := cmp.Diff(row.warnings, codes(got.Warnings)); diff != "" {
				t.Errorf("warnings -want +got\n%s", diff)
			}
			if got.Feel <= 0 {
				t.Errorf("feel %v", got.Feel)
			}
		})
	}
}

func TestSizeOfGaugeRefuses(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		gauge uncertainty.Gauge
		says  string
	}{
		"a gauge of no size":           {uncertainty.Gauge{}, "over 0"},
		"an unknown class":             {uncertainty.Gauge{Marked: 8 * mm, Class: "Q"}, "XXX"},
		"an unknown side":              {uncertainty.Gauge{Marked: 8 * mm, Side: "left"}, "plus nor minus"},
		"a size without a class":       {uncertainty.Gauge{Marked: 200 * mm}, "up to 4.51 in"},
		"a negative feel":              {uncertainty.Gauge{Marked: 8 * mm, Feel: -1}, "feel"},
		"a calibration of no number":   {uncertainty.Gauge{Marked: 8 * mm, Calibration: &uncertainty.Calibration{Expanded: math.NaN()}}, "calibration"},
		"a correction beyond the size": {uncertainty.Gauge{Marked: mm, Calibration: &uncertainty.Calibration{Correction: -1001}}, "leaves nothing"},
		"a gauge in the fire":          {uncertainty.Gauge{Marked: 8 * mm, Thermal: uncertainty.Thermal{Temperature: at(900)}}, "temperature"},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := uncertainty.SizeOfGauge(row.gauge)
			if !errors.Is(err, uncertainty.ErrInput) || !strings.Contains(err.Error(), row.says) {
				t.Errorf("got %+v, %v; want an error saying %q", got, err, row.says)
			}
		})
	}
}
