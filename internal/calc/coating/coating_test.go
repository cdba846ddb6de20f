package coating_test

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"pinwright/internal/calc/coating"
)

// By hand: 8 µm of zinc on the pin and 8 in the bore take 32 µm of diameter.
func TestACoatCountsFourTimes(t *testing.T) {
	t.Parallel()
	layer, err := coating.Thickness(8, 8)
	if err != nil {
		t.Fatal(err)
	}
	l, err := coating.Leave(50, 5, 20, layer, layer)
	if err != nil || l.Low != 32 || l.High != 32 || l.Mean != 18 || l.U != 5 {
		t.Errorf("%+v %v", l, err)
	}
	if want := distuv.UnitNormal.CDF(-0.4); math.Abs(l.Enough-want) > 1e-12 {
		t.Errorf("%v, want %v", l.Enough, want)
	}
	zinc, err := coating.ByName("zinc_electroplated")
	if err != nil {
		t.Fatal(err)
	}
	if pin, bore := zinc.Range(false), zinc.Range(true); pin != (coating.Range{Low: 10, High: 30}) || bore.High != 30 || math.Abs(bore.Low-10./3) > 1e-12 {
		t.Errorf("%+v %+v", pin, bore)
	}
	if _, err := coating.ByName("gold leaf"); !errors.Is(err, coating.ErrKind) {
		t.Errorf("%v", err)
	}
	for _, k := range coating.Kinds {
		if k.Source == "" || !(k.Low >= 0 && k.Low < k.High && k.Grows > 0 && k.Grows <= 1 && k.Throws > 0 && k.Throws <= 1) {
			t.Errorf("%+v", k)
		}
	}
}

// The closed form against summing the rectangles in small steps, for widths from
// nothing to far beyond u.
func TestEnoughAgainstSumming(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		u := math.Exp(rapid.Float64Range(-1, 4).Draw(t, "log u"))
		draw := func(name string) coating.Range {
			low := rapid.Float64Range(0, 50).Draw(t, name)
			return coating.Range{Low: low, High: low + rapid.Float64Range(0, 100).Draw(t, name+" wide")}
		}
		pin, bore := draw("pin"), draw("bore")
		clearance, needed := rapid.Float64Range(-50, 400).Draw(t, "clearance"), rapid.Float64Range(0, 60).Draw(t, "needed")
		l, err := coating.Leave(clearance, u, needed, pin, bore)
		if err != nil {
			t.Fatal(err)
		}
		// The sum of two rectangles has the density of a trapezium.
		narrow := math.Min(pin.High-pin.Low, bore.High-bore.Low)
		low, high := pin.Low+bore.Low, pin.High+bore.High
		const n = 20_000
		var sum, weight float64
		for i := range n {
			x := low + (high-low)*(float64(i)+0.5)/n
			w := math.Min(1, math.Min(x-low, high-x)/math.Max(narrow, (high-low)*1e-9))
			sum, weight = sum+w*distuv.UnitNormal.CDF((clearance-needed-x)/u), weight+w
		}
		if want := sum / weight; math.Abs(l.Enough-want) > 2e-5 {
			t.Fatalf("%v, summed %v (%+v)", l.Enough, want, l)
		}
		// In other units and with the surfaces changed for one another.
		k, err := coating.Leave(clearance*2, u*2, needed*2, coating.Range{Low: 2 * bore.Low, High: 2 * bore.High}, coating.Range{Low: 2 * pin.Low, High: 2 * pin.High})
		if err != nil || math.Abs(k.Enough-l.Enough) > 1e-9 || math.Abs(k.Mean-2*l.Mean) > 1e-9 {
			t.Fatalf("%+v and %+v, %v", l, k, err)
		}
		steps := coating.Derivation(clearance, u, needed, pin, bore)
		if steps[3].Result.Value != l.Enough || steps[1].Result.Value != l.Mean || steps[2].Result.Value != l.U {
			t.Fatalf("%+v", steps)
		}
	})
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	r := coating.Range{Low: 1, High: 2}
	for name, bad := range map[string][3]float64{"no doubt": {50, 0, 0}, "no number": {math.NaN(), 1, 0}, "doubt that is none": {50, math.NaN(), 0}, "a metre": {1e6, 1, 0}, "endless need": {50, 1, math.Inf(1)}} {
		if _, err := coating.Leave(bad[0], bad[1], bad[2], r, r); !errors.Is(err, coating.ErrRange) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, bad := range []coating.Range{{Low: 2, High: 1}, {Low: -1, High: 1}, {Low: math.NaN(), High: 1}, {Low: 0, High: 1e9}} {
		if _, err := coating.Leave(50, 1, 0, r, bad); !errors.Is(err, coating.ErrRange) {
			t.Errorf("%+v: %v", bad, err)
		}
		if _, err := coating.Thickness(bad.Low, bad.High); !errors.Is(err, coating.ErrRange) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
}

func FuzzLeaveNeverPanics(f *testing.F) {
	f.Add(50.0, 5.0, 20.0, 10.0, 30.0, 3.0, 30.0)
	f.Fuzz(func(t *testing.T, c, u, need, p1, p2, b1, b2 float64) {
		l, err := coating.Leave(c, u, need, coating.Range{Low: p1, High: p2}, coating.Range{Low: b1, High: b2})
		if err == nil && !(l.Enough >= 0 && l.Enough <= 1 && l.U > 0) {
			t.Fatalf("%+v", l)
		}
	})
}

func BenchmarkLeave(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := coating.Leave(50, 5, 20, coating.Range{Low: 10, High: 30}, coating.Range{Low: 3, High: 30}); err != nil {
			b.Fatal(err)
		}
	}
}
