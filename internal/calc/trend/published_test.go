package trend_test

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"pinwright/internal/calc/trend"
)

func solve(t testing.TB, q trend.Question) trend.Answer {
	t.Helper()
	a, err := trend.Solve(q)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.15g, want %.15g within %g", what, got, want, tolerance)
	}
}

func of(v float64) *float64 { return &v }

// line pairs x and y, with u where it is given.
func line(x, y []float64, u ...float64) []trend.Point {
	out := make([]trend.Point, len(x))
	for i := range x {
		out[i] = trend.Point{X: x[i], Y: y[i]}
		if len(u) > 0 {
			out[i].U = u[i%len(u)]
		}
	}
	return out
}

// NIST Statistical Reference Datasets, linear regression, Norris: certified
// values; the data as shipped with scipy.
func TestNorris(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("testdata/norris.json")
	if err != nil {
		t.Fatal(err)
	}
	var set struct {
		X, Y      []float64
		Certified struct {
			B0         float64 `json:"B0"`
			SdB0       float64 `json:"sd_B0"`
			B1         float64 `json:"B1"`
			SdB1       float64 `json:"sd_B1"`
			ResidualSD float64 `json:"residual_sd"`
		}
	}
	if err := json.Unmarshal(raw, &set); err != nil {
		t.Fatal(err)
	}
	if len(set.X) != 36 {
		t.Fatalf("%d points, want 36", len(set.X))
	}
	a := solve(t, trend.Question{Points: line(set.X, set.Y)})
	c, g := set.Certified, a.Segments[0]
	for _, v := range []struct {
		what      string
		got, want float64
	}{
		{"B0", g.Intercept.Value, c.B0}, {"sd B0", g.Intercept.SE, c.SdB0},
		{"B1", g.Rate.Value, c.B1}, {"sd B1", g.Rate.SE, c.SdB1}, {"residual sd", a.ResidualSD, c.ResidualSD},
	} {
		near(t, v.what, v.got, v.want, 1e-11*math.Abs(v.want))
	}
	if a.Scale != trend.Estimated || a.DoF != 34 {
		t.Errorf("scale %s with %d degrees of freedom, want estimated with 34", a.Scale, a.DoF)
	}
}

// JCGM 100:2008, H.3: a thermometer's corrections, fitted against temperature
// counted from 20 °C. Data and results from memory of tables H.6 and H.3.3 to H.3.4.
func TestThermometerOfTheGuide(t *testing.T) {
	t.Parallel()
	x := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	y := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	for i := range x {
		x[i] -= 20
	}
	a := solve(t, trend.Question{Points: line(x, y), Until: of(10)})
	g := a.Segments[0]
	near(t, "y1", g.Intercept.Value, -0.1712, 0.00005)
	near(t, "s(y1)", g.Intercept.SE, 0.0029, 0.00005)
	near(t, "y2", g.Rate.Value, 0.00218, 0.000005)
	near(t, "s(y2)", g.Rate.SE, 0.00067, 0.000005)
	near(t, "s", a.ResidualSD, 0.0035, 0.00005)
	last := a.Band[len(a.Band)-1]
	near(t, "x of the last", last.X, 10, 0)
	near(t, "b(30 °C)", last.Mean.Value, -0.1494, 0.00005)
	near(t, "u(b(30 °C))", last.Mean.SE, 0.0041, 0.00005)
}

// J. N. Miller and J. C. Miller, Statistics and Chemometrics for Analytical
// Chemistry, chapter 5 (fluorescence of fluorescein), from memory. Its formula
// for x found from y is the first-order one, with g taken as nought; here g is
// 0.003, so that the ends agree to a hundredth or two.
func TestInversePredictionOfATextbook(t *testing.T) {
	t.Parallel()
	points := line([]float64{0, 2, 4, 6, 8, 10, 12}, []float64{2.1, 5.0, 9.0, 12.6, 17.3, 21.0, 24.7})
	for _, c := range []struct{ y, x, half float64 }{{2.9, 0.72, 0.68}, {13.5, 6.21, 0.62}, {23.0, 11.13, 0.68}} {
		a := solve(t, trend.Question{Points: points, Limit: of(c.y)})
		near(t, "b", a.Segments[0].Rate.Value, 1.93, 0.005)
		near(t, "s(b)", a.Segments[0].Rate.SE, 0.0409, 0.00005)
		near(t, "a", a.Segments[0].Intercept.Value, 1.52, 0.005)
		near(t, "s(a)", a.Segments[0].Intercept.SE, 0.2950, 0.0003)
		near(t, "s(y/x)", a.ResidualSD, 0.4329, 0.0001) // printed from rounded residuals
		// The printed x0 is worked out from b and a rounded to hundredths.
		near(t, "x0", a.Crossing.At, c.x, 0.012)
		r := a.Crossing.Individual
		if r.Set != trend.Bounded {
			t.Fatalf("y %v: %s, want bounded", c.y, r.Set)
		}
		near(t, "half of the interval", (r.High-r.Low)/2, c.half, 0.02)
	}
}

// The same book's weighted line (cadmium absorbances), from memory: b = 0.0738
// and a = 0.0091 weighted, 0.0725 and 0.0133 not weighted.
func TestWeightedLineOfATextbook(t *testing.T) {
	t.Parallel()
	x, y := []float64{0, 2, 4, 6, 8, 10}, []float64{0.009, 0.158, 0.301, 0.472, 0.577, 0.739}
	a := solve(t, trend.Question{Points: line(x, y, 0.001, 0.004, 0.010, 0.013, 0.017, 0.022), Scale: trend.Estimated})
	near(t, "b weighted", a.Segments[0].Rate.Value, 0.0738, 0.00005)
	near(t, "a weighted", a.Segments[0].Intercept.Value, 0.0091, 0.00005)
	a = solve(t, trend.Question{Points: line(x, y)})
	near(t, "b", a.Segments[0].Rate.Value, 0.0725, 0.00005)
	near(t, "a", a.Segments[0].Intercept.Value, 0.0133, 0.00005)
}

// F. J. Anscombe, Graphs in Statistical Analysis, Am. Stat. 27 (1973) 17: four
// sets with one line, from memory. The standard errors are R's for set I.
func TestAnscombe(t *testing.T) {
	t.Parallel()
	x := []float64{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	fourth := []float64{8, 8, 8, 8, 8, 8, 8, 19, 8, 8, 8}
	for i, set := range [][2][]float64{
		{x, {8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68}},
		{x, {9.14, 8.14, 8.74, 8.77, 9.26, 8.10, 6.13, 3.10, 9.13, 7.26, 4.74}},
		{x, {7.46, 6.77, 12.74, 7.11, 7.81, 8.84, 6.08, 5.39, 8.15, 6.42, 5.73}},
		{fourth, {6.58, 5.76, 7.71, 8.84, 8.47, 7.04, 5.25, 12.50, 5.56, 7.91, 6.89}},
	} {
		a := solve(t, trend.Question{Points: line(set[0], set[1])})
		near(t, "slope", a.Segments[0].Rate.Value, 0.500, 0.0005)
		near(t, "intercept", a.Segments[0].Intercept.Value, 3.00, 0.005)
		near(t, "s(b)", a.Segments[0].Rate.SE, 0.118, 0.0005)
		if i == 0 {
			near(t, "s(a), set I", a.Segments[0].Intercept.SE, 1.1247, 0.00005)
			near(t, "residual sd, set I", a.ResidualSD, 1.237, 0.0005)
		}
	}
}

// With weights 1/u² of known u the straight line has the closed forms of
// P. R. Bevington, Data Reduction and Error Analysis, 6.2; written here apart
// from the package.
func TestClosedFormsOfTheWeightedLine(t *testing.T) {
	t.Parallel()
	points := line([]float64{0, 1, 3, 7, 8}, []float64{3, 5, 6, 14, 13}, 0.5, 0.7, 0.4, 1.1, 0.9)
	var s, sx, sy, sxx, sxy float64
	for _, p := range points {
		w := 1 / (p.U * p.U)
		s, sx, sy, sxx, sxy = s+w, sx+w*p.X, sy+w*p.Y, sxx+w*p.X*p.X, sxy+w*p.X*p.Y
	}
	d := s*sxx - sx*sx
	a := solve(t, trend.Question{Points: points, Scale: trend.Known, SharedU: 0.3})
	g := a.Segments[0]
	near(t, "b", g.Rate.Value, (s*sxy-sx*sy)/d, 1e-12)
	near(t, "se b", g.Rate.SE, math.Sqrt(s/d), 1e-12)
	near(t, "a", g.Intercept.Value, (sxx*sy-sx*sxy)/d, 1e-12)
	near(t, "se a with the shared error", g.Intercept.SE, math.Sqrt(sxx/d+0.09), 1e-12)
	near(t, "q", a.Quantile, 1.959963984540054, 1e-12)
	near(t, "new reading's u", a.NewU, 0.7, 0)
}

// F. A. Graybill and H. K. Iyer, Regression Analysis: Concepts and Applications
// (1996), chapter 6, pages 431 to 433, as repeated in the tests of the R package
// investr: a thermometer read at 104 and at 100, and the dial of a reaction
// chamber for a mean temperature of 400.
func TestInversePredictionOfGraybillAndIyer(t *testing.T) {
	t.Parallel()
	thermometer := line([]float64{96, 98, 100, 102, 104, 106, 108, 110}, []float64{95.71, 98.16, 99.52, 102.09, 103.79, 106.18, 108.14, 110.21})
	chamber := line([]float64{0, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100}, []float64{206.36, 225.52, 252.18, 289.33, 318.11, 349.49, 383.03, 410.70, 444.40, 469.14, 501.16})
	for _, c := range []struct {
		name                     string
		points                   []trend.Point
		limit, coverage          float64
		mean                     bool
		at, low, high            float64
		halfAt, halfLow, halfEnd float64 // half a unit of the last printed digit
	}{
		{"thermometer at 104", thermometer, 104, 0.95, false, 103.995, 103.4, 104.6, 0.0005, 0.05, 0.05},
		{"thermometer at 100", thermometer, 100, 0.90, false, 100.1, 99.63, 100.59, 0.05, 0.005, 0.005},
		{"chamber's mean of 400", chamber, 400, 0.99, true, 66.5, 65.07, 68.03, 0.05, 0.005, 0.005},
	} {
		a := solve(t, trend.Question{Points: c.points, Limit: of(c.limit), Coverage: c.coverage})
		r := a.Crossing.Individual
		if c.mean {
			r = a.Crossing.Mean
		}
		near(t, c.name, a.Crossing.At, c.at, c.halfAt)
		near(t, c.name+", low", r.Low, c.low, c.halfLow)
		near(t, c.name+", high", r.High, c.high, c.halfEnd)
		if r.Set != trend.Bounded {
			t.Errorf("%s: %s", c.name, r.Set)
		}
	}
}
