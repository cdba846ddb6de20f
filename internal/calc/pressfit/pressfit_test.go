package pressfit_test

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/pressfit"
)

func close(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %.12g, want %.12g within %g", what, got, want, relative)
	}
}

func steel(e, nu float64) pressfit.Material { return pressfit.Material{Elastic: e, Poisson: nu} }

// testdata/lame.json was solved numerically from the differential equation, so it
// holds the formula here to something else. The solver's own error is 1e-9.
func TestRingsAgreeWithTheDifferentialEquation(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("testdata/lame.json")
	if err != nil {
		t.Fatal(err)
	}
	var file map[string]json.RawMessage
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	seen := 0
	for name, raw := range file {
		var c struct {
			D, Do, Di, L, Mu, P, Torque float64
			Interference                float64  `json:"diametral_interference"`
			EH                          float64  `json:"E_hub"`
			NH                          float64  `json:"nu_hub"`
			ES                          float64  `json:"E_shaft"`
			NS                          float64  `json:"nu_shaft"`
			Force                       float64  `json:"press_force"`
			HubBore                     float64  `json:"hub_bore_hoop"`
			HubOut                      float64  `json:"hub_outer_hoop"`
			Surface                     float64  `json:"shaft_surface_hoop"`
			PinBore                     *float64 `json:"shaft_bore_hoop"`
			Growth                      float64  `json:"hub_bore_growth_dia"`
			Shrink                      float64  `json:"shaft_shrink_dia"`
		}
		if json.Unmarshal(raw, &c) != nil || c.D == 0 {
			continue
		}
		seen++
		r, err := pressfit.Fit(pressfit.Part{Inner: c.Di, Material: steel(c.ES, c.NS)}, pressfit.Part{Outer: c.Do, Material: steel(c.EH, c.NH)},
			c.D, c.L, c.Interference, pressfit.Friction{Low: c.Mu, High: c.Mu}, 1)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		const tol = 1e-9
		close(t, name+": pressure", r.Pressure, c.P, 2*tol)
		close(t, name+": force", r.Force, c.Force, 2*tol)
		close(t, name+": hold", r.Hold, c.Force, 2*tol)
		close(t, name+": torque", r.Torque, c.Torque, 2*tol)
		close(t, name+": hub bore", r.HubBore.Hoop, c.HubBore, 2*tol)
		close(t, name+": hub outside", r.HubOutside.Hoop, c.HubOut, 2*tol)
		close(t, name+": pin surface", r.PinSurface.Hoop, c.Surface, 10*tol)
		if c.PinBore != nil {
			close(t, name+": pin bore", r.PinInside.Hoop, *c.PinBore, 2*tol)
		}
		close(t, name+": growth", r.HubBoreGrows, c.Growth, 2*tol)
		close(t, name+": shrinking", -r.PinGrows, c.Shrink, 2*tol)
	}
	if seen != 3 {
		t.Errorf("the file has %d cases, want 3", seen)
	}
}

// Handbook force factors for steel pins in a hub twice as large, P = A a F / 2 in
// short tons (two public copies of the table; a rough rule). What they imply for the
// friction must be one that exists: pressing in with oil.
func TestHandbookFactorsImplyAFrictionThatExists(t *testing.T) {
	t.Parallel()
	for d, factor := range map[float64]float64{1: 500, 1.25: 395, 1.5: 325, 1.75: 275, 2: 240, 2.5: 189, 3: 155, 4: 115} {
		const inch, ton = 25.4, 8896.443 // mm, N
		interference := 0.001 * d        // inches: the common thousandth per inch
		m := steel(207_000, 0.3)
		r, err := pressfit.Fit(pressfit.Part{Material: m}, pressfit.Part{Outer: 2 * d * inch, Material: m}, d*inch, d*inch, interference*inch, pressfit.Friction{Low: 1, High: 1}, 1)
		if err != nil {
			t.Fatal(err)
		}
		tons := math.Pi * d * d * interference * factor / 2
		if mu := tons * ton / r.Force; mu < 0.03 || mu > 0.12 {
			t.Errorf("a %v inch pin: friction %.3f", d, mu)
		}
	}
}

// fit is a joint within the domain.
type fit struct {
	pin, hub         pressfit.Part
	d, length, delta float64
}

func anyFit(t *rapid.T) fit {
	d := rapid.Float64Range(1, 100).Draw(t, "d")
	material := func(name string) pressfit.Material {
		return steel(rapid.Float64Range(1e4, 3e5).Draw(t, name+" E"), rapid.Float64Range(0, 0.49).Draw(t, name+" nu"))
	}
	f := fit{d: d, length: rapid.Float64Range(1, 100).Draw(t, "length"), delta: d * rapid.Float64Range(1e-6, 9.9e-3).Draw(t, "delta/d")}
	f.pin = pressfit.Part{Inner: d * rapid.Float64Range(0, 0.95).Draw(t, "Di/d"), Material: material("pin")}
	f.hub = pressfit.Part{Outer: d * rapid.Float64Range(1.02, 20).Draw(t, "Do/d"), Material: material("hub")}
	return f
}

func (f fit) result(t *rapid.T) pressfit.Result {
	r, err := pressfit.Fit(f.pin, f.hub, f.d, f.length, f.delta, pressfit.Oiled, 1.5)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// What hub and pin give way adds up to the interference; forces balance over a cut
// along the axis.
func TestRingsFitTogetherAndBalance(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := anyFit(t)
		r := f.result(t)
		if got := r.HubBoreGrows - r.PinGrows; math.Abs(got-f.delta) > 1e-9*f.delta {
			t.Fatalf("the parts give way by %g, want %g", got, f.delta)
		}
		// The pull in a cut hub holds the pressure on it: integral of hoop stress over
		// the wall = p d/2 (the field is A + B/r², so the integral is in closed form).
		ri, ro := f.d/2, f.hub.Outer/2
		b := (r.HubBore.Hoop - r.HubOutside.Hoop) / (1/(ri*ri) - 1/(ro*ro))
		a := r.HubBore.Hoop - b/(ri*ri)
		if pull, want := a*(ro-ri)+b*(1/ri-1/ro), r.Pressure*ri; math.Abs(pull-want) > 1e-8*want {
			t.Fatalf("the cut hub pulls %g, the pressure pushes %g", pull, want)
		}
		if r.HubBore.Tresca() < r.HubBore.Mises()-1e-12 || r.PinSurface.Tresca() < r.PinSurface.Mises()-1e-12 {
			t.Fatalf("Tresca is below von Mises")
		}
	})
}

// Twice as large in every direction, with twice the interference, has the same
// stresses and four times the force; and everything is proportional to interference.
func TestScalingAndProportion(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := anyFit(t)
		r := f.result(t)
		g := f
		g.d, g.length, g.delta, g.pin.Inner, g.hub.Outer = 2*f.d, 2*f.length, 2*f.delta, 2*f.pin.Inner, 2*f.hub.Outer
		if s := g.result(t); math.Abs(s.Pressure-r.Pressure) > 1e-9*r.Pressure || math.Abs(s.Force-4*r.Force) > 1e-8*r.Force {
			t.Fatalf("scaled: %v and %v", s, r)
		}
		law, err := pressfit.PerMicrometre(f.pin, f.hub, f.d, f.length, pressfit.Oiled, 1.5)
		if err != nil {
			t.Fatal(err)
		}
		if got := law.PerUM.Force * f.delta * 1000; math.Abs(got-r.Force) > 1e-9*r.Force {
			t.Fatalf("the law gives %g, the fit %g", got, r.Force)
		}
		thicker, hollower := f, f
		thicker.hub.Outer *= 1.1
		hollower.pin.Inner = f.pin.Inner + 0.01*f.d
		if thicker.result(t).Pressure <= r.Pressure || hollower.result(t).Pressure >= r.Pressure {
			t.Fatalf("a thicker hub must press more, a hollower pin less")
		}
	})
}

func TestElasticityEndsWhereItSays(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := anyFit(t)
		f.pin.Material.Yield = rapid.Float64Range(50, 1000).Draw(t, "pin yields")
		f.hub.Material.Yield = rapid.Float64Range(50, 1000).Draw(t, "hub yields")
		f.hub.Material.Brittle = rapid.Bool().Draw(t, "brittle hub")
		safety := rapid.Float64Range(1, 3).Draw(t, "safety")
		law, err := pressfit.PerMicrometre(f.pin, f.hub, f.d, f.length, pressfit.Dry, safety)
		if err != nil {
			t.Fatal(err)
		}
		if law.Allowed > law.Elastic*(1+1e-12) {
			t.Fatalf("allowed %g is beyond elastic %g", law.Allowed, law.Elastic)
		}
		if law.Allowed*0.999 < f.d/100 {
			r, err := law.At(law.Allowed * 0.999)
			if err != nil || !r.Safe {
				t.Fatalf("just below the allowed interference: safe %v, %v", r.Safe, err)
			}
		}
		if x := law.Allowed * 1.001; x < math.Min(law.Elastic, f.d/100) {
			if r, err := law.At(x); err != nil || r.Safe {
				t.Fatalf("just above the allowed interference: safe %v, %v", r.Safe, err)
			}
		}
		if x := law.Elastic * 1.001; x < f.d/100 {
			_, err := law.At(x)
			var plastic *pressfit.PlasticError
			if !errors.As(err, &plastic) || !errors.Is(err, pressfit.ErrPlastic) || plastic.Interference != law.Elastic || !(plastic.Stress > plastic.Limit) {
				t.Fatalf("beyond the elastic interference: %v", err)
			}
		}
	})
}

// The law of a force against summing the normal law of the interference in small steps.
func TestForcesOfAnUncertainInterference(t *testing.T) {
	t.Parallel()
	mild, err := pressfit.ByName("steel_mild")
	if err != nil {
		t.Fatal(err)
	}
	law, err := pressfit.PerMicrometre(pressfit.Part{Material: mild}, pressfit.Part{Outer: 16, Material: mild}, 8, 12, pressfit.Oiled, 1.2)
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		mean, sd := rapid.Float64Range(-0.02, 0.03).Draw(t, "mean"), rapid.Float64Range(1e-4, 0.02).Draw(t, "sd")
		f, err := law.Force(mean, sd, law.PerUM.Force)
		if err != nil {
			t.Fatal(err)
		}
		var sum, first, second, loose, over, plastic float64
		const steps = 40_000
		for i := range steps {
			z := -10 + 20*(float64(i)+0.5)/steps
			x, w := mean+sd*z, math.Exp(-z*z/2)
			force := math.Max(0, x) * law.PerUM.Force * 1000
			sum, first, second = sum+w, first+w*force, second+w*force*force
			if x <= 0 {
				loose += w
			}
			if x > law.Allowed {
				over += w
			}
			if x > law.Elastic {
				plastic += w
			}
		}
		first, second = first/sum, second/sum
		deviation := math.Sqrt(math.Max(0, second-first*first))
		scale := sd * law.PerUM.Force * 1000
		if math.Abs(f.Mean-first) > 1e-5*scale || math.Abs(f.SD-deviation) > 1e-3*scale {
			t.Fatalf("mean %g and deviation %g, summed %g and %g", f.Mean, f.SD, first, deviation)
		}
		if math.Abs(f.Loose-loose/sum) > 1e-3 || math.Abs(f.Overstressed-over/sum) > 1e-3 || math.Abs(f.Plastic-plastic/sum) > 1e-3 {
			t.Fatalf("%+v, summed loose %g over %g plastic %g", f, loose/sum, over/sum, plastic/sum)
		}
		p := rapid.Float64Range(0.01, 0.99).Draw(t, "p")
		if q := f.Quantile(p); q > 0 && math.Abs(f.Exceeds(q)-(1-p)) > 1e-9 {
			t.Fatalf("quantile %g of %g is exceeded with %g", q, p, f.Exceeds(q))
		}
	})
	exact, err := law.Force(0.01, 0, law.PerUM.Force)
	if err != nil {
		t.Fatal(err)
	}
	close(t, "a known interference", exact.Mean, law.PerUM.Force*10, 1e-12)
	if exact.SD != 0 || exact.Loose != 0 || exact.Exceeds(exact.Mean/2) != 1 || exact.Exceeds(exact.Mean*2) != 0 {
		t.Errorf("a known interference: %+v", exact)
	}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	m := steel(210_000, 0.3)
	rows := map[string]struct {
		change func(*fit, *pressfit.Friction, *float64)
		want   error
	}{
		"a hub no thicker than its hole": {func(f *fit, _ *pressfit.Friction, _ *float64) { f.hub.Outer = 10 }, pressfit.ErrShape},
		"a pin that is all bore":         {func(f *fit, _ *pressfit.Friction, _ *float64) { f.pin.Inner = 10 }, pressfit.ErrShape},
		"a bore below nothing":           {func(f *fit, _ *pressfit.Friction, _ *float64) { f.pin.Inner = -1 }, pressfit.ErrShape},
		"a pin of another joint":         {func(f *fit, _ *pressfit.Friction, _ *float64) { f.pin.Outer = 12 }, pressfit.ErrShape},
		"a hole of another joint":        {func(f *fit, _ *pressfit.Friction, _ *float64) { f.hub.Inner = 8 }, pressfit.ErrShape},
		"a knurled pin":                  {func(f *fit, _ *pressfit.Friction, _ *float64) { f.pin.Surface = pressfit.Knurled }, pressfit.ErrSurface},
		"a splined pin":                  {func(f *fit, _ *pressfit.Friction, _ *float64) { f.pin.Surface = pressfit.Splined }, pressfit.ErrSurface},
		"a rolled eye":                   {func(f *fit, _ *pressfit.Friction, _ *float64) { f.hub.OpenSeam = true }, pressfit.ErrOpenSeam},
		"no interference":                {func(f *fit, _ *pressfit.Friction, _ *float64) { f.delta = 0 }, pressfit.ErrRange},
		"clearance":                      {func(f *fit, _ *pressfit.Friction, _ *float64) { f.delta = -0.01 }, pressfit.ErrRange},
		"interference in micrometres":    {func(f *fit, _ *pressfit.Friction, _ *float64) { f.delta = 10 }, pressfit.ErrRange},
		"a number that is none":          {func(f *fit, _ *pressfit.Friction, _ *float64) { f.d = math.NaN() }, pressfit.ErrRange},
		"interference that is none":      {func(f *fit, _ *pressfit.Friction, _ *float64) { f.delta = math.NaN() }, pressfit.ErrRange},
		"no length":                      {func(f *fit, _ *pressfit.Friction, _ *float64) { f.length = 0 }, pressfit.ErrRange},
		"no end":                         {func(f *fit, _ *pressfit.Friction, _ *float64) { f.length = math.Inf(1) }, pressfit.ErrRange},
		"no friction":                    {func(_ *fit, mu *pressfit.Friction, _ *float64) { mu.Low = 0 }, pressfit.ErrRange},
		"friction the wrong way round":   {func(_ *fit, mu *pressfit.Friction, _ *float64) { mu.Low = 0.5 }, pressfit.ErrRange},
		"no safety":                      {func(_ *fit, _ *pressfit.Friction, s *float64) { *s = 0.5 }, pressfit.ErrRange},
		"no modulus":                     {func(f *fit, _ *pressfit.Friction, _ *float64) { f.hub.Material.Elastic = 0 }, pressfit.ErrMaterial},
		"gigapascals":                    {func(f *fit, _ *pressfit.Friction, _ *float64) { f.pin.Material.Elastic = 2.1e11 }, pressfit.ErrMaterial},
		"rubber's ratio":                 {func(f *fit, _ *pressfit.Friction, _ *float64) { f.pin.Material.Poisson = 0.5 }, pressfit.ErrMaterial},
		"strength below nothing":         {func(f *fit, _ *pressfit.Friction, _ *float64) { f.pin.Material.Yield = -1 }, pressfit.ErrMaterial},
	}
	for name, row := range rows {
		f, mu, safety := fit{pin: pressfit.Part{Material: m}, hub: pressfit.Part{Outer: 20, Material: m}, d: 10, length: 10, delta: 0.01}, pressfit.Oiled, 1.5
		row.change(&f, &mu, &safety)
		if _, err := pressfit.Fit(f.pin, f.hub, f.d, f.length, f.delta, mu, safety); !errors.Is(err, row.want) {
			t.Errorf("%s: %v, want %v", name, err, row.want)
		}
	}
	if _, err := pressfit.ByName("cheese"); !errors.Is(err, pressfit.ErrMaterial) {
		t.Errorf("cheese: %v", err)
	}
}

func TestMaterialsCanAllBeUsed(t *testing.T) {
	t.Parallel()
	for _, hub := range pressfit.Materials {
		for _, pin := range pressfit.Materials {
			r, err := pressfit.Fit(pressfit.Part{Material: pin}, pressfit.Part{Outer: 20, Material: hub}, 10, 10, 0.002, pressfit.Oiled, 1.2)
			if err != nil || !r.Safe {
				t.Errorf("%s in %s: safe %v, %v", pin.Name, hub.Name, r.Safe, err)
			}
			if pin.Source == "" || pin.Expansion <= 0 {
				t.Errorf("%s has no source or expansion", pin.Name)
			}
		}
	}
}

// A cast iron boss breaks by its greatest pull: by hand, p = 2/3 of the pull for a
// hub of twice the diameter (Ch = 5/3).
func TestABrittleHubCracks(t *testing.T) {
	t.Parallel()
	iron, err := pressfit.ByName("cast_iron_grey")
	if err != nil {
		t.Fatal(err)
	}
	_, err = pressfit.Fit(pressfit.Part{Material: steel(210_000, 0.3)}, pressfit.Part{Outer: 20, Material: iron}, 10, 10, 0.05, pressfit.Oiled, 2)
	var plastic *pressfit.PlasticError
	if !errors.As(err, &plastic) || plastic.Part != "hub" || !plastic.Brittle {
		t.Fatalf("%v", err)
	}
	// K = (5/3 + 0.26)/100000 + 0.7/210000; p at 200 MPa is 120.
	close(t, "interference that cracks it", plastic.Interference, 120*10*((5./3+0.26)/100_000+0.7/210_000), 1e-12)
}

func TestLossByEdition(t *testing.T) {
	t.Parallel()
	// DIN 7190:2001 and DIN 7190-1:2017 as quoted: 0.8 and 0.4 of Rz.
	for factor, want := range map[float64]float64{pressfit.LossDIN7190of2001: 0.008, pressfit.LossDIN7190of2017: 0.004} {
		got, err := pressfit.Loss(0.006, 0.004, factor)
		if err != nil {
			t.Fatal(err)
		}
		close(t, "loss", got, want, 1e-12)
	}
	for _, bad := range [][3]float64{{-1, 0, 0.4}, {6, 0, 0.4}, {0, math.NaN(), 0.4}, {0, 0, 2}} {
		if _, err := pressfit.Loss(bad[0], bad[1], bad[2]); !errors.Is(err, pressfit.ErrRange) {
			t.Errorf("%v: %v", bad, err)
		}
	}
}

func TestPressesByForce(t *testing.T) {
	t.Parallel()
	last := 0.0
	for _, p := range pressfit.Presses(9000) {
		if p.Force < last {
			t.Errorf("%s is out of order", p.Name)
		}
		last = p.Force
		if want := map[bool]pressfit.Enough{true: pressfit.Yes}[p.Force >= 18_000]; want != "" && p.Enough != want {
			t.Errorf("%s: %s", p.Name, p.Enough)
		}
		if p.Force < 9000 && p.Enough != pressfit.No || p.Force >= 9000 && p.Force < 18_000 && p.Enough != pressfit.Perhaps {
			t.Errorf("%s: %s", p.Name, p.Enough)
		}
	}
	close(t, "a tonne", pressfit.Tonnes(9806.65), 1, 1e-12)
}

// Student's t for 4 degrees of freedom at 95 % is 2.776 in every table.
func TestPastPressingsForetellTheNext(t *testing.T) {
	t.Parallel()
	var list []pressfit.Pressing
	for _, perUM := range []float64{80, 90, 100, 110, 120} {
		list = append(list, pressfit.Pressing{Crest: perUM, Force: perUM * perUM})
	}
	l, err := pressfit.FromPressings(list)
	if err != nil {
		t.Fatal(err)
	}
	middle, low, high, outside, err := l.Next(100, 0.95)
	if err != nil || outside {
		t.Fatal(err, outside)
	}
	close(t, "middle", middle, 10_000, 1e-12)
	half := 2.776 * math.Sqrt(250) * 100 * math.Sqrt(1.2)
	close(t, "low", low, 10_000-half, 1e-3)
	close(t, "high", high, 10_000+half, 1e-3)
	if _, _, _, outside, _ := l.Next(200, 0.95); !outside {
		t.Error("200 micrometres were never pressed")
	}
	same, err := pressfit.FromPressings(list[:1:1])
	if !errors.Is(err, pressfit.ErrTooFew) {
		t.Errorf("one: %v %v", same, err)
	}
	same, err = pressfit.FromPressings([]pressfit.Pressing{{100, 1000}, {100, 1000}})
	if err != nil || same.Scatter != pressfit.LeastScatter {
		t.Errorf("two that agree: %+v %v", same, err)
	}
	for _, bad := range []pressfit.Pressing{{0, 1}, {math.NaN(), 1}, {100, math.Inf(1)}, {100, -1}} {
		if _, err := pressfit.FromPressings([]pressfit.Pressing{bad, {100, 1000}}); !errors.Is(err, pressfit.ErrRange) {
			t.Errorf("%v: %v", bad, err)
		}
	}
}

func FuzzFitNeverPanicsNorGivesNonsense(f *testing.F) {
	f.Add(0.0, 16.0, 8.0, 12.0, 0.01, 0.06, 0.12, 1.5, 210000.0, 0.3, 235.0)
	f.Add(6.0, 8.1, 8.0, 1e-3, 0.1, 0.0, 1e300, 0.0, 1e-9, 0.5, -1.0)
	f.Fuzz(func(t *testing.T, in, out, d, length, delta, low, high, safety, e, nu, yield float64) {
		m := pressfit.Material{Elastic: e, Poisson: nu, Yield: yield}
		r, err := pressfit.Fit(pressfit.Part{Inner: in, Material: m}, pressfit.Part{Outer: out, Material: m}, d, length, delta, pressfit.Friction{Low: low, High: high}, safety)
		if err != nil {
			return
		}
		for _, x := range []float64{r.Pressure, r.Force, r.Hold, r.Torque, r.HubBore.Hoop, r.HubOutside.Hoop, -r.PinSurface.Hoop, -r.PinInside.Hoop, r.HubBoreGrows, -r.PinGrows} {
			if !(x > 0) || math.IsInf(x, 0) {
				t.Fatalf("%+v", r)
			}
		}
	})
}

func BenchmarkFit(b *testing.B) {
	m := steel(210_000, 0.3)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := pressfit.Fit(pressfit.Part{Material: m}, pressfit.Part{Outer: 16, Material: m}, 8, 12, 0.01, pressfit.Oiled, 1.5); err != nil {
			b.Fatal(err)
		}
	}
}

// The steps end in the answer's numbers.
func TestDerivationIsOfTheAnswer(t *testing.T) {
	t.Parallel()
	iron, _ := pressfit.ByName("cast_iron_grey")
	mild, _ := pressfit.ByName("steel_mild")
	for _, hub := range []pressfit.Material{iron, mild, steel(2e5, 0.3)} {
		pin, outer := pressfit.Part{Inner: 3, Material: mild}, pressfit.Part{Outer: 20, Material: hub}
		r, err := pressfit.Fit(pin, outer, 10, 12, 0.008, pressfit.Dry, 1.3)
		if err != nil {
			t.Fatal(err)
		}
		want := map[string]float64{"p": r.Pressure, "F": r.Force, "T": r.Torque, "sigma_h": r.HubBore.Hoop, "n_h": r.HubUse, "n_s": r.PinUse}
		for _, s := range pressfit.Derivation(pin, outer, 10, 12, 0.008, pressfit.Dry, 1.3) {
			if w, ok := want[s.Result.Symbol]; ok && s.Result.Value != w {
				t.Errorf("%s is %v, want %v", s.Name, s.Result.Value, w)
			}
			// With a pencil: use of the hub.
			if s.Result.Symbol == "n_h" {
				got := r.HubBore.Hoop * 1.3 / hub.Yield
				if !hub.Brittle {
					got = (r.HubBore.Hoop + r.Pressure) * 1.3 / hub.Yield
				}
				close(t, s.Name, s.Result.Value, got, 1e-12)
			}
		}
	}
	if pressfit.Derivation(pressfit.Part{}, pressfit.Part{}, 0, 0, 0, pressfit.Dry, 1) != nil {
		t.Error("a derivation of nothing")
	}
}
