package drift_test

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"pinwright/internal/calc/drift"
)

func within(got, want, relative float64) bool { return math.Abs(got-want) <= relative*math.Abs(want) }

// NIST's Statistical Reference Datasets, Norris, certified to 15 digits.
func TestCertifiedRegression(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../../testdata/strd/norris.json")
	if err != nil {
		t.Fatal(err)
	}
	var f struct {
		Data struct {
			X, Y      []float64
			Certified map[string]float64
		}
	}
	if err := json.Unmarshal(raw, &f); err != nil || len(f.Data.X) != 36 {
		t.Fatal(err, len(f.Data.X))
	}
	for _, u := range []float64{1, 0.25} { // only the ratios of the weights count
		var points []drift.Point
		for i, x := range f.Data.X {
			points = append(points, drift.Point{Time: x, Deviation: f.Data.Y[i], U: u})
		}
		l, err := drift.Fit(points)
		if err != nil {
			t.Fatal(err)
		}
		want := f.Data.Certified
		for what, pair := range map[string][2]float64{"B0": {l.Intercept, want["B0"]}, "sd of B0": {l.InterceptSD, want["sd_B0"]}, "B1": {l.Slope, want["B1"]},
			"sd of B1": {l.SlopeSD, want["sd_B1"]}, "residual": {l.ResidualSD * u, want["residual_sd"]}, "R2": {l.R2, want["r2"]}} {
			if !within(pair[0], pair[1], 1e-10) {
				t.Errorf("%s: got %v, certified %v", what, pair[0], pair[1])
			}
		}
	}
}

// A point that is twice as well known counts as four.
func TestWeights(t *testing.T) {
	t.Parallel()
	four, err := drift.Fit([]drift.Point{{0, 1, 1}, {1, 2, 1}, {1, 2, 1}, {1, 2, 1}, {1, 2, 1}, {3, 1, 1}})
	if err != nil {
		t.Fatal(err)
	}
	one, err := drift.Fit([]drift.Point{{0, 1, 1}, {1, 2, 0.5}, {3, 1, 1}})
	if err != nil || !within(one.Slope, four.Slope, 1e-12) || !within(one.Intercept, four.Intercept, 1e-12) {
		t.Errorf("%+v and %+v, %v", one, four, err)
	}
}

// With hardly any walk and a rate that may be anything, the model is the weighted line.
func TestWithoutAWalkItIsTheLine(t *testing.T) {
	t.Parallel()
	points := []drift.Point{{2019, 0.4, 0.5}, {2020.1, 1.3, 0.7}, {2021, 1.4, 0.5}, {2022.3, 2.9, 1}, {2023, 2.6, 0.4}}
	l, err := drift.Fit(points)
	if err != nil {
		t.Fatal(err)
	}
	m, err := drift.Learn(drift.History{Points: points, Permitted: 10, Prior: drift.Prior{Rate: 1e5, Step: 1e-9}})
	if err != nil {
		t.Fatal(err)
	}
	rate, u, _ := m.Rate()
	if !within(rate, l.Slope, 1e-6) || !within(u, l.SlopeSD/l.ResidualSD, 1e-6) {
		t.Errorf("rate %v ± %v, line %v ± %v", rate, u, l.Slope, l.SlopeSD/l.ResidualSD)
	}
	for _, years := range []float64{0, 1.5} {
		p, err := m.At(years)
		if err != nil || !within(p.Deviation, l.Intercept+l.Slope*(2023+years), 1e-6) {
			t.Errorf("%v years on: %v, line %v, %v", years, p.Deviation, l.Intercept+l.Slope*(2023+years), err)
		}
	}
}

// gls predicts by generalised least squares on the whole covariance, for a given q: another
// way to the same model, without a filter. It gives mean, variance and the log likelihood with
// a flat level.
func gls(points []drift.Point, rate, q, at float64) (mean, variance, log float64) {
	n := len(points)
	t0 := points[0].Time
	covariance := func(s, t float64) float64 { return rate*rate*(s-t0)*(t-t0) + q*(math.Min(s, t)-t0) }
	v := mat.NewSymDense(n, nil)
	y, ones, k := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	for i, p := range points {
		y.SetVec(i, p.Deviation)
		ones.SetVec(i, 1)
		k.SetVec(i, covariance(p.Time, at))
		for j := i; j < n; j++ {
			c := covariance(p.Time, points[j].Time)
			if i == j {
				c += p.U * p.U
			}
			v.SetSym(i, j, c)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(v) {
		panic("covariance")
	}
	solve := func(b *mat.VecDense) *mat.VecDense {
		var x mat.VecDense
		if err := chol.SolveVecTo(&x, b); err != nil {
			panic(err)
		}
		return &x
	}
	vOnes, vY, vK := solve(ones), solve(y), solve(k)
	weight := mat.Dot(ones, vOnes)
	level := mat.Dot(ones, vY) / weight
	var r mat.VecDense
	r.AddScaledVec(y, -level, ones)
	mean = level + mat.Dot(k, solve(&r))
	left := 1 - mat.Dot(ones, vK)
	variance = covariance(at, at) - mat.Dot(k, vK) + left*left/weight
	log = -(chol.LogDet()+math.Log(weight))/2 - mat.Dot(&r, solve(&r))/2
	return mean, variance, log
}

func TestAgainstGeneralisedLeastSquares(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var points []drift.Point
		at := 0.0
		for range rapid.IntRange(1, 8).Draw(t, "n") {
			at += rapid.Float64Range(0.05, 2).Draw(t, "gap")
			points = append(points, drift.Point{Time: at, Deviation: rapid.Float64Range(-8, 8).Draw(t, "deviation"), U: rapid.Float64Range(0.2, 3).Draw(t, "u")})
		}
		h := drift.History{Points: points, Permitted: 8}
		m, err := drift.Learn(h)
		if err != nil {
			t.Fatal(err)
		}
		years := rapid.Float64Range(0, 3).Draw(t, "years")
		got, err := m.At(years)
		if err != nil {
			t.Fatal(err)
		}
		// The half-normal prior of √q by fine trapezia.
		const scale, cells = 2.0, 1000
		var weights, mean, square float64
		var logs, means, variances []float64
		top := math.Inf(-1)
		for i := range cells {
			step := (float64(i) + 0.5) * 16 / cells
			m, v, log := gls(points, 2, step*step, at+years)
			log -= step * step / (2 * scale * scale)
			logs, means, variances = append(logs, log), append(means, m), append(variances, v)
			top = math.Max(top, log)
		}
		for i := range logs {
			w := math.Exp(logs[i] - top)
			weights, mean, square = weights+w, mean+w*means[i], square+w*(variances[i]+means[i]*means[i])
		}
		mean /= weights
		sd := math.Sqrt(square/weights - mean*mean)
		if math.Abs(got.Deviation-mean) > 2e-3*sd || !within(got.U, sd, 2e-3) {
			t.Errorf("got %v ± %v, by least squares %v ± %v", got.Deviation, got.U, mean, sd)
		}
	})
}

// Instruments drawn from the prior: the predictions hold as often as they say, and the
// proposed interval keeps the permitted error as reliably as was asked, averaged over
// all histories. This is exact for a model that is worked out rightly.
func TestSimulatedInstruments(t *testing.T) {
	t.Parallel()
	runs := 600
	if os.Getenv("PINWRIGHT_LONG") != "" {
		runs = 20_000
	}
	random := rand.New(rand.NewPCG(10, 24))
	const permitted = 6.0
	var held, kept, proposed, asked int
	var promised float64
	for range runs {
		rate, step := permitted/4*random.NormFloat64(), permitted/4*math.Abs(random.NormFloat64())
		n := 1 + random.IntN(6)
		truth, now := 0.0, 0.0
		var points []drift.Point
		for i := range n {
			if i > 0 {
				dt := 0.2 + random.Float64()
				now += dt
				truth += rate*dt + step*math.Sqrt(dt)*random.NormFloat64()
			}
			points = append(points, drift.Point{Time: now, Deviation: truth + 0.5*random.NormFloat64(), U: 0.5})
		}
		m, err := drift.Learn(drift.History{Points: points, Permitted: permitted})
		if err != nil {
			t.Fatal(err)
		}
		p, err := m.At(0.7)
		if err != nil {
			t.Fatal(err)
		}
		later := truth + rate*0.7 + step*math.Sqrt(0.7)*random.NormFloat64()
		asked++
		if p.Low <= later && later <= p.High {
			held++
		}
		if i := m.Interval(); i.Years > 0 && !i.Bounded {
			end, err := m.At(i.Years)
			if err != nil {
				t.Fatal(err)
			}
			promised += end.Inside
			proposed++
			if math.Abs(truth+rate*i.Years+step*math.Sqrt(i.Years)*random.NormFloat64()) <= permitted {
				kept++
			}
		}
	}
	slack := 4 * math.Sqrt(0.05*0.95/float64(asked))
	if share := float64(held) / float64(asked); math.Abs(share-0.95) > slack {
		t.Errorf("the 95 %% prediction held %.3f of the time", share)
	}
	if share := float64(kept) / float64(proposed); proposed < runs/4 || math.Abs(share-promised/float64(proposed)) > 4*math.Sqrt(0.05*0.95/float64(proposed)) {
		t.Errorf("of %d intervals %.3f kept the permitted error, promised %.3f", proposed, share, promised/float64(proposed))
	}
}

func TestFewCalibrationsAreWide(t *testing.T) {
	t.Parallel()
	one, err := drift.Learn(drift.History{Points: []drift.Point{{0, 1, 0.5}}, Permitted: 4})
	if err != nil {
		t.Fatal(err)
	}
	p, err := one.At(1)
	// Rate and walk are each 1 µm in a year: u² = 0.25 + 1 + 1, for the half-normal law has E q = scale².
	if err != nil || !within(p.U, 1.5, 2e-3) || !within(p.Deviation, 1, 1e-9) || !within(p.SinceU, math.Sqrt2, 2e-3) || !within(p.SinceU, drift.Usual(4, 1), 2e-3) || drift.Usual(4, -1) != 0 {
		t.Errorf("%+v, %v", p, err)
	}
	var points []drift.Point
	for year := range 12 {
		points = append(points, drift.Point{Time: float64(year), Deviation: 1 + 0.05*float64(year%2), U: 0.5})
	}
	many, err := drift.Learn(drift.History{Points: points, Permitted: 4})
	if err != nil {
		t.Fatal(err)
	}
	steady, err := many.At(1)
	if err != nil || !(steady.U < p.U/2) || !(many.Interval().Years > 2*one.Interval().Years) {
		t.Errorf("twelve alike: %+v over %+v, one: %+v over %+v", steady, many.Interval(), p, one.Interval())
	}
	if len(one.Notes(false)) != 2 || len(many.Notes(true)) == 0 != !many.Interval().Bounded {
		t.Errorf("%+v %+v", one.Notes(false), many.Notes(true))
	}
}

func TestInterval(t *testing.T) {
	t.Parallel()
	learn := func(h drift.History) *drift.Model {
		m, err := drift.Learn(h)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	wearing := []drift.Point{{0, 0, 0.2}, {1, 1, 0.2}, {2, 2, 0.2}, {3, 3, 0.2}}
	m := learn(drift.History{Points: wearing, Permitted: 5})
	i := m.Interval()
	before, _ := m.At(i.Years - 0.01)
	after, _ := m.At(i.Years + 0.01)
	if !(i.Years > 0.5 && i.Years < 2) || before.Inside < 0.95 || after.Inside > 0.95 {
		t.Errorf("%+v: %v before, %v after", i, before.Inside, after.Inside)
	}
	if stricter := learn(drift.History{Points: wearing, Permitted: 5, Reliability: 0.99}).Interval(); stricter.Years >= i.Years {
		t.Errorf("stricter: %v, was %v", stricter, i)
	}
	if worn := learn(drift.History{Points: wearing, Permitted: 3}).Interval(); worn.Years != 0 {
		t.Errorf("beyond what is permitted: %+v", worn)
	}
	// Corrected by the newest certificate, the same wear starts from nothing.
	if fixed := learn(drift.History{Points: wearing, Permitted: 3, Corrected: true}).Interval(); !(fixed.Years > 0.5) {
		t.Errorf("corrected: %+v", fixed)
	}
	if long := learn(drift.History{Points: []drift.Point{{0, 0, 0.1}}, Permitted: 100, Prior: drift.Prior{Rate: 0.1, Step: 0.1}}).Interval(); long != (drift.Interval{Years: 5, Bounded: true}) {
		t.Errorf("an instrument that does not drift: %+v", long)
	}
	for _, s := range m.Derivation(0.5) {
		if math.IsNaN(s.Result.Value) || s.Source == "" {
			t.Errorf("%+v", s)
		}
	}
}

func TestOrderAndOriginDoNotMatter(t *testing.T) {
	t.Parallel()
	points := []drift.Point{{0, 1, 0.5}, {1, 2, 0.6}, {2.5, 1.5, 0.5}, {3, 2.4, 0.5}}
	var moved []drift.Point
	for _, i := range []int{2, 0, 3, 1} {
		moved = append(moved, drift.Point{Time: points[i].Time + 2000, Deviation: points[i].Deviation, U: points[i].U})
	}
	a, err := drift.Learn(drift.History{Points: points, Permitted: 5})
	if err != nil {
		t.Fatal(err)
	}
	b, err := drift.Learn(drift.History{Points: moved, Permitted: 5})
	if err != nil {
		t.Fatal(err)
	}
	p, _ := a.At(1)
	q, _ := b.At(1)
	if !within(p.Deviation, q.Deviation, 1e-9) || !within(p.U, q.U, 1e-9) || !within(a.Interval().Years, b.Interval().Years, 1e-6) {
		t.Errorf("%+v and %+v", p, q)
	}
}

func TestWhatIsRefused(t *testing.T) {
	t.Parallel()
	good := func() drift.History {
		return drift.History{Points: []drift.Point{{0, 0, 1}, {1, 1, 1}}, Permitted: 5}
	}
	for name, spoil := range map[string]func(h *drift.History){
		"no calibration":      func(h *drift.History) { h.Points = nil },
		"too many":            func(h *drift.History) { h.Points = make([]drift.Point, 1001) },
		"no uncertainty":      func(h *drift.History) { h.Points[0].U = 0 },
		"no number":           func(h *drift.History) { h.Points[0].Deviation = math.NaN() },
		"a time of no number": func(h *drift.History) { h.Points[0].Time = math.Inf(1) },
		"nothing permitted":   func(h *drift.History) { h.Permitted = 0 },
		"certainty":           func(h *drift.History) { h.Reliability = 1 },
		"for ever":            func(h *drift.History) { h.Longest = math.Inf(1) },
		"a negative prior":    func(h *drift.History) { h.Prior.Rate = -1 },
	} {
		h := good()
		spoil(&h)
		if m, err := drift.Learn(h); !errors.Is(err, drift.ErrHistory) {
			t.Errorf("%s: %+v, %v", name, m, err)
		}
	}
	m, err := drift.Learn(good())
	if err != nil {
		t.Fatal(err)
	}
	for _, years := range []float64{-1, math.NaN(), 101} {
		if _, err := m.At(years); !errors.Is(err, drift.ErrHistory) {
			t.Errorf("%v years: %v", years, err)
		}
	}
	for _, points := range [][]drift.Point{{{0, 0, 1}}, {{1, 0, 1}, {1, 1, 1}}} {
		if l, err := drift.Fit(points); !errors.Is(err, drift.ErrHistory) {
			t.Errorf("%+v, %v", l, err)
		}
	}
}

func FuzzAnyHistory(f *testing.F) {
	f.Add(0.0, 1.0, 0.5, 1.0, 2.0, 0.5, 5.0, 0.95)
	f.Add(0.0, 1e7, 1e-6, 0.0, -1e7, 1e7, 1e-3, 0.5)
	f.Fuzz(func(t *testing.T, t1, d1, u1, t2, d2, u2, permitted, reliability float64) {
		m, err := drift.Learn(drift.History{Points: []drift.Point{{t1, d1, u1}, {t2, d2, u2}}, Permitted: permitted, Reliability: reliability})
		if err != nil {
			return
		}
		for _, years := range []float64{0, 1, 50} {
			p, err := m.At(years)
			if err != nil || math.IsNaN(p.Deviation) || !(p.U > 0) || math.IsInf(p.U, 0) || !(p.Inside >= 0 && p.Inside <= 1) || p.Low > p.High {
				t.Errorf("%+v, %v", p, err)
			}
		}
		if i := m.Interval(); !(i.Years >= 0 && i.Years <= 5) {
			t.Errorf("%+v", i)
		}
	})
}

func BenchmarkTenCalibrations(b *testing.B) {
	var points []drift.Point
	for i := range 10 {
		points = append(points, drift.Point{Time: float64(i), Deviation: float64(i % 3), U: 1})
	}
	b.ReportAllocs()
	for b.Loop() {
		m, err := drift.Learn(drift.History{Points: points, Permitted: 8})
		if err != nil {
			b.Fatal(err)
		}
		m.Interval()
		if _, err := m.At(0.5); err != nil {
			b.Fatal(err)
		}
	}
}
