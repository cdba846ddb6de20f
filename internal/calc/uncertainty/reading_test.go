package uncertainty_test

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
)

const mm = length.Length(1_000_000)

func codes(remarks []uncertainty.Remark) []string {
	var out []string
	for _, r := range remarks {
		out = append(out, r.Code)
	}
	return out
}

func at(celsius float64) *uncertainty.Estimate { return &uncertainty.Estimate{Value: celsius} }

// TestToTwentyDegrees compares with testdata/thermal/to_20_degrees.json; the
// instrument is at 20 °C, so the workpiece alone has grown.
func TestToTwentyDegrees(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../../testdata/thermal/to_20_degrees.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Cases []struct {
			L     float64 `json:"L"`
			Alpha float64 `json:"alpha"`
			T     float64 `json:"T"`
			L20   float64 `json:"L20_exact"`
		} `json:"cases"`
	}
	if err := json.Unmarshal(raw, &file); err != nil || len(file.Cases) != 2 {
		t.Fatal(err, len(file.Cases))
	}
	for _, row := range file.Cases {
		got, err := uncertainty.Measure(uncertainty.Reading{
			Read: length.FromMicrometres(row.L * 1000), Shape: uncertainty.Pin, Method: uncertainty.Micrometer,
			Thermal: uncertainty.Thermal{Temperature: at(row.T), Difference: &uncertainty.Estimate{Value: row.T - 20}, Expansion: &uncertainty.Estimate{Value: row.Alpha}},
		})
		if err != nil {
			t.Fatal(err)
		}
		if want := length.FromMicrometres(row.L20 * 1000); got.At20 != want {
			t.Errorf("%v mm at %v: %v, want %v", row.L, row.T, got.At20, want)
		}
	}
}

func TestLikeMaterialsAtOneTemperatureNeedNoCorrection(t *testing.T) {
	t.Parallel()
	got, err := uncertainty.Measure(uncertainty.Reading{
		Read: 25 * mm, Shape: uncertainty.Pin, Method: uncertainty.Micrometer, Thermal: uncertainty.Thermal{Temperature: at(5), Difference: at(0)},
	})
	if err != nil || got.At20 != 25*mm {
		t.Errorf("got %v, %v", got.At20, err)
	}
}

// TestThermalLinesOfTheGuide puts the temperatures of JCGM 100, H.1, into the model
// of a reading: 2.9 nm from the expansions, 16.675 nm from the temperature difference
// (printed 16.6), and 11.9 nm of second order (H.1.7).
func TestThermalLinesOfTheGuide(t *testing.T) {
	t.Parallel()
	want := readEndGauge(t)
	got, err := uncertainty.Measure(uncertainty.Reading{
		Read: 50_000_623, Shape: uncertainty.Pin, Method: uncertainty.Micrometer,
		Thermal: uncertainty.Thermal{
			Temperature:         &uncertainty.Estimate{Value: 19.9, U: 0.41},
			Difference:          &uncertainty.Estimate{Value: 0, U: 0.029, DoF: 2},
			Expansion:           &uncertainty.Estimate{Value: 11.5e-6, U: 0.58e-6, DoF: 50},
			InstrumentExpansion: &uncertainty.Estimate{Value: 11.5e-6},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	lines := map[string]float64{}
	for _, line := range got.Budget.Lines {
		lines[line.Name] = line.Contribution * 1000
	}
	for name, nm := range map[string]float64{
		"expansion": want.Contributions["delta_alpha"], "temperature_difference": want.Contributions["delta_theta"],
		"temperature": 0, "temperature_times_expansion": 0.58e-6 * 0.41 * 50_000_623,
	} {
		if !near(lines[name], nm, 1e-6) {
			t.Errorf("%s adds %v nm, want %v", name, lines[name], nm)
		}
	}
}

func TestAPlainReadingSaysAllThatWasAssumed(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		shape  uncertainty.Shape
		method uncertainty.Method
		biased bool
	}{
		"a caliper in a bore":            {uncertainty.Bore, uncertainty.Caliper, true},
		"a caliper on a pin":             {uncertainty.Pin, uncertainty.Caliper, true},
		"a micrometer on a pin":          {uncertainty.Pin, uncertainty.Micrometer, false},
		"an inside micrometer in a bore": {uncertainty.Bore, uncertainty.InsideMicrometer, true},
		"a bore gauge in a bore":         {uncertainty.Bore, uncertainty.BoreGauge, true},
		"a telescoping gauge in a bore":  {uncertainty.Bore, uncertainty.TelescopingGauge, true},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := uncertainty.Measure(uncertainty.Reading{Read: 8 * mm, Shape: row.shape, Method: row.method})
			if err != nil {
				t.Fatal(err)
			}
			want := []string{
				uncertainty.AssumedCalibration, uncertainty.AssumedRepeatability, uncertainty.AssumedResolution,
				uncertainty.AssumedTemperature, uncertainty.AssumedDifference, uncertainty.AssumedExpansion, uncertainty.AssumedInstrumentExpansion,
			}
			if row.biased {
				want = append(want, uncertainty.AssumedBias)
			}
			if diff := cmp.Diff(want, codes(got.Assumed)); diff != "" {
				t.Errorf("-want +got\n%s", diff)
			}
			for _, remark := range got.Assumed {
				if !strings.HasSuffix(remark.Text, ".") || len(remark.Params) == 0 {
					t.Errorf("%+v is no sentence with numbers", remark)
				}
			}
			if len(got.Warnings) != 0 {
				t.Errorf("warnings %+v", got.Warnings)
			}
		})
	}
}

func TestAReadingOfWhichAllIsKnownAssumesNothing(t *testing.T) {
	t.Parallel()
	steel, err := uncertainty.Expansion(uncertainty.Steel)
	if err != nil {
		t.Fatal(err)
	}
	got, err := uncertainty.Measure(uncertainty.Reading{
		Read: 7_980_000, Shape: uncertainty.Pin, Method: uncertainty.Micrometer,
		Instrument: uncertainty.Instrument{
			Resolution:  1,
			Calibration: &uncertainty.Calibration{Expanded: 2, K: 2, Correction: -3},
			Study:       &uncertainty.Study{Repeatability: 1.5, RepeatabilityDoF: 60, Reproducibility: 0.8, ReproducibilityDoF: 2},
		},
		Thermal: uncertainty.Thermal{
			Temperature: &uncertainty.Estimate{Value: 20, U: 1}, Difference: &uncertainty.Estimate{U: 0.5}, Expansion: &steel, InstrumentExpansion: &steel,
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Assumed)+len(got.Warnings) != 0 {
		t.Errorf("assumed %+v, warned %+v", got.Assumed, got.Warnings)
	}
	if got.Value != 7_977_000 || got.At20 != got.Value || got.BiasLow != 0 || got.BiasHigh != 0 {
		t.Errorf("got %+v", got)
	}
	// By hand: 1.5 and 1/√12 are independent; U/k = 1, 0.8 and 8 mm * 11.5e-6 * 0.5 K
	// = 0.046 are shared.
	if !near(got.Independent, math.Sqrt(1.5*1.5+1.0/12), 1e-9) || !near(got.Shared, math.Sqrt(1+0.64+0.0459*0.0459), 1e-3) {
		t.Errorf("independent %v, shared %v", got.Independent, got.Shared)
	}
	// ν by hand: u⁴/(1.5⁴/60 + 0.8⁴/2 + ...) = 3.977²/(0.0844 + 0.2048) = 54.7 (54 used), t = 2.005.
	if math.Abs(got.Budget.DoF-54.7) > 0.3 || math.Abs(got.Budget.K-2.005) > 0.001 {
		t.Errorf("ν %v, k %v", got.Budget.DoF, got.Budget.K)
	}
	if diff := cmp.Diff("7.977 ± 0.004 mm", got.Text(length.Millimetre)); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}

func TestALapsedCalibrationCountsWithMoreUncertainty(t *testing.T) {
	t.Parallel()
	reading := uncertainty.Reading{
		Read: 8 * mm, Shape: uncertainty.Pin, Method: uncertainty.Micrometer,
		Instrument: uncertainty.Instrument{Calibration: &uncertainty.Calibration{Expanded: 2, K: 2}},
	}
	current, err := uncertainty.Measure(reading)
	if err != nil {
		t.Fatal(err)
	}
	reading.Instrument.Calibration = &uncertainty.Calibration{Expanded: 2, K: 2, Lapsed: true}
	lapsed, err := uncertainty.Measure(reading)
	if err != nil {
		t.Fatal(err)
	}
	reading.Instrument.Calibration = nil
	never, err := uncertainty.Measure(reading)
	if err != nil {
		t.Fatal(err)
	}
	if !(current.Shared < lapsed.Shared && lapsed.Shared < never.Shared) {
		t.Errorf("shared: current %v, lapsed %v, never %v", current.Shared, lapsed.Shared, never.Shared)
	}
	// 1 µm and half of 4/√3 µm in quadrature.
	if got := lapsed.Budget.Lines[0].U; !near(got, math.Sqrt(1+4.0/3), 1e-12) {
		t.Errorf("lapsed calibration counts %v µm", got)
	}
	if diff := cmp.Diff([]string{uncertainty.CalibrationLapsed}, codes(lapsed.Warnings)); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}

// TestBiasIsGeometry uses triangles whose sides are whole numbers.
func TestBiasIsGeometry(t *testing.T) {
	t.Parallel()
	low, high := uncertainty.Defaults{ContactWidth: 3000}.BiasBounds(5000)
	if low != -1000 || high != 0 { // 3-4-5: a flat of 3 in a bore of 5 reads 4
		t.Errorf("a flat: %v to %v", low, high)
	}
	low, high = uncertainty.Defaults{TiltDegrees: 60}.BiasBounds(5000)
	if low != 0 || !near(high, 5000, 1e-12) { // cos 60° is a half
		t.Errorf("a tilt: %v to %v", low, high)
	}
	low, _ = uncertainty.Defaults{ContactWidth: 500}.BiasBounds(300)
	if low != -300 { // jaws wider than the bore do not enter: nothing is read
		t.Errorf("a flat wider than the bore: %v", low)
	}
}

func TestSidesOfTheBias(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		shape  uncertainty.Shape
		method uncertainty.Method
		sign   int // of reading minus true size
	}{
		"caliper jaws touch a bore on a chord: too small":         {uncertainty.Bore, uncertainty.Caliper, -1},
		"a caliper askew on a pin: too large":                     {uncertainty.Pin, uncertainty.Caliper, 1},
		"an inside micrometer binds on a chord: too small":        {uncertainty.Bore, uncertainty.InsideMicrometer, -1},
		"a telescoping gauge not rocked lies aslant: too large":   {uncertainty.Bore, uncertainty.TelescopingGauge, 1},
		"a bore gauge beside its turning point: too large":        {uncertainty.Bore, uncertainty.BoreGauge, 1},
		"the anvils of a micrometer align themselves: not biased": {uncertainty.Pin, uncertainty.Micrometer, 0},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := uncertainty.Measure(uncertainty.Reading{Read: 8 * mm, Shape: row.shape, Method: row.method})
			if err != nil {
				t.Fatal(err)
			}
			sign := 0
			if got.BiasLow < 0 && got.BiasHigh == 0 {
				sign = -1
			} else if got.BiasLow == 0 && got.BiasHigh > 0 {
				sign = 1
			}
			if sign != row.sign {
				t.Errorf("bounds %v to %v", got.BiasLow, got.BiasHigh)
			}
			// The value is moved against the bias, to the middle of what is possible.
			if moved := (got.Value - got.At20).Micrometres(); math.Abs(moved+(got.BiasLow+got.BiasHigh)/2) > 0.001 {
				t.Errorf("moved by %v", moved)
			}
		})
	}
}

func TestFarFromTwentyDegreesIsWarnedOf(t *testing.T) {
	t.Parallel()
	got, err := uncertainty.Measure(uncertainty.Reading{Read: 8 * mm, Shape: uncertainty.Pin, Method: uncertainty.Micrometer, Thermal: uncertainty.Thermal{Temperature: at(80)}})
	if err != nil || !cmp.Equal(codes(got.Warnings), []string{uncertainty.FarFromTwenty}) {
		t.Errorf("got %+v, %v", got.Warnings, err)
	}
}

func TestMeasureRefuses(t *testing.T) {
	t.Parallel()
	good := uncertainty.Reading{Read: 8 * mm, Shape: uncertainty.Pin, Method: uncertainty.Micrometer}
	rows := map[string]struct {
		change func(r *uncertainty.Reading)
		says   string
	}{
		"an outside micrometer in a bore": {func(r *uncertainty.Reading) { r.Shape = uncertainty.Bore }, "inside_micrometer"},
		"a bore gauge on a pin":           {func(r *uncertainty.Reading) { r.Method = uncertainty.BoreGauge }, "for bores"},
		"a value read with a pin gauge":   {func(r *uncertainty.Reading) { r.Shape, r.Method = uncertainty.Bore, uncertainty.PinGauge }, "go, no_go or starts"},
		"an unknown method":               {func(r *uncertainty.Reading) { r.Method = "ruler" }, "telescoping_gauge"},
		"an unknown shape":                {func(r *uncertainty.Reading) { r.Shape = "hole" }, "bore nor pin"},
		"a diameter of nothing":           {func(r *uncertainty.Reading) { r.Read = 0 }, "over 0"},
		"a negative diameter":             {func(r *uncertainty.Reading) { r.Read = -8 * mm }, "over 0"},
		"a negative resolution":           {func(r *uncertainty.Reading) { r.Instrument.Resolution = -1 }, "resolution"},
		"a calibration of no number": {func(r *uncertainty.Reading) {
			r.Instrument.Calibration = &uncertainty.Calibration{Expanded: math.NaN()}
		}, "calibration"},
		"a negative coverage factor":       {func(r *uncertainty.Reading) { r.Instrument.Calibration = &uncertainty.Calibration{K: -2} }, "k and degrees"},
		"a correction larger than the pin": {func(r *uncertainty.Reading) { r.Instrument.Calibration = &uncertainty.Calibration{Correction: -9000} }, "leaves nothing"},
		"a study without degrees":          {func(r *uncertainty.Reading) { r.Instrument.Study = &uncertainty.Study{Repeatability: 1} }, "degrees of freedom of repeatability"},
		"a red-hot part":                   {func(r *uncertainty.Reading) { r.Thermal.Temperature = at(700) }, "temperature"},
		"an expansion not per kelvin":      {func(r *uncertainty.Reading) { r.Thermal.Expansion = at(11.5) }, "expansion"},
		"a temperature of no number":       {func(r *uncertainty.Reading) { r.Thermal.Temperature = at(math.NaN()) }, "temperature"},
		"a negative u of temperature":      {func(r *uncertainty.Reading) { r.Thermal.Temperature = &uncertainty.Estimate{Value: 20, U: -1} }, "temperature"},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := good
			row.change(&r)
			got, err := uncertainty.Measure(r)
			if !errors.Is(err, uncertainty.ErrInput) || !strings.Contains(err.Error(), row.says) {
				t.Errorf("got %+v, %v; want an error saying %q", got, err, row.says)
			}
		})
	}
	if _, err := uncertainty.Measure(good); err != nil {
		t.Errorf("the reading they were made from is refused: %v", err)
	}
	if e, err := uncertainty.Expansion("wood"); !errors.Is(err, uncertainty.ErrInput) {
		t.Errorf("wood: %v, %v", e, err)
	}
}

func TestPartsMakeUpTheWhole(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		shape := rapid.SampledFrom([]uncertainty.Shape{uncertainty.Bore, uncertainty.Pin}).Draw(t, "shape")
		var usable []uncertainty.Method
		for _, m := range uncertainty.Methods() {
			if _, err := uncertainty.DefaultsOf(m, shape); err == nil && m != uncertainty.PinGauge {
				usable = append(usable, m)
			}
		}
		r := uncertainty.Reading{
			Read:   length.Length(rapid.Int64Range(int64(mm), int64(50*mm)).Draw(t, "read")),
			Shape:  shape,
			Method: rapid.SampledFrom(usable).Draw(t, "method"),
			Thermal: uncertainty.Thermal{
				Temperature: &uncertainty.Estimate{Value: rapid.Float64Range(-10, 35).Draw(t, "temperature"), U: rapid.Float64Range(0, 5).Draw(t, "u")},
			},
		}
		got, err := uncertainty.Measure(r)
		if err != nil {
			t.Fatal(err)
		}
		whole := math.Hypot(math.Hypot(got.Shared, got.Independent), got.Budget.Of(uncertainty.Bias))
		if !near(whole, got.Budget.U, 1e-12) {
			t.Errorf("parts make %v, the whole is %v", whole, got.Budget.U)
		}
		// Knowing the temperature less well never makes surer.
		vaguer := *r.Thermal.Temperature
		vaguer.U += rapid.Float64Range(0, 5).Draw(t, "more")
		r.Thermal.Temperature = &vaguer
		less, err := uncertainty.Measure(r)
		if err != nil || less.Shared < got.Shared || less.At20 != got.At20 {
			t.Errorf("with u %v of temperature: shared %v, before %v, %v", vaguer.U, less.Shared, got.Shared, err)
		}
	})
}

// TestBudgetAgreesWithDrawing draws the exact model of a reading 200 000 times and
// compares the spread of the corrected size with the budget: within 4 standard errors
// of a standard deviation, with a cold aluminium part and a steel instrument.
func TestBudgetAgreesWithDrawing(t *testing.T) {
	t.Parallel()
	const size, draws = 40_000.0, 200_000
	warm := uncertainty.Estimate{Value: 8, U: 1.5}
	difference := uncertainty.Estimate{Value: -3, U: 1}
	part := uncertainty.Estimate{Value: 23.1e-6, U: 1e-6}
	steel := uncertainty.Estimate{Value: 11.5e-6, U: 1e-6}
	got, err := uncertainty.Measure(uncertainty.Reading{
		Read: length.FromMicrometres(size), Shape: uncertainty.Pin, Method: uncertainty.Micrometer,
		Instrument: uncertainty.Instrument{
			Resolution: 5, Calibration: &uncertainty.Calibration{Expanded: 2, K: 2}, Study: &uncertainty.Study{Repeatability: 1.5, RepeatabilityDoF: 1e9},
		},
		Thermal: uncertainty.Thermal{Temperature: &warm, Difference: &difference, Expansion: &part, InstrumentExpansion: &steel},
	})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	draw := func(e uncertainty.Estimate) float64 { return e.Value + e.U*rng.NormFloat64() }
	var sum, squares float64
	for range draws {
		indicated := size + rng.NormFloat64() + 1.5*rng.NormFloat64() + 5*(rng.Float64()-0.5)
		theta, delta := draw(warm)-20, draw(difference)
		x := indicated*(1+draw(steel)*(theta-delta))/(1+draw(part)*theta) - size
		sum += x
		squares += x * x
	}
	mean := sum / draws
	sd := math.Sqrt(squares/draws - mean*mean)
	if math.Abs(sd-got.Budget.U) > 4*got.Budget.U/math.Sqrt(2*draws) {
		t.Errorf("drawn %v µm, budget %v µm", sd, got.Budget.U)
	}
	if off := mean + size - got.At20.Micrometres(); math.Abs(off) > 4*sd/math.Sqrt(draws)+0.001 {
		t.Errorf("the drawn mean is %v µm from the value", off)
	}
}

func BenchmarkMeasure(b *testing.B) {
	r := uncertainty.Reading{Read: 8 * mm, Shape: uncertainty.Bore, Method: uncertainty.Caliper}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := uncertainty.Measure(r); err != nil {
			b.Fatal(err)
		}
	}
}
