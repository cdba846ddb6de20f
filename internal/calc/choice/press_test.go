package choice

import (
	"math"
	"math/rand/v2"
	"testing"

	"pinwright/internal/calc/pressfit"
)

// steelHub is a pin of 8 mm in a boss of 16 mm of mild steel, 10 mm long. Closed
// form after Lamé for equal moduli and a solid pin: p = δ E (Do² − d²) / (2 d Do²),
// here δ 210000 (256 − 64) / (2 · 8 · 256) = 9843.75 MPa per mm of δ.
func steelHub(t *testing.T) *Hub {
	t.Helper()
	steel, err := pressfit.ByName("steel_mild")
	if err != nil {
		t.Fatal(err)
	}
	law, err := pressfit.PerMicrometre(pressfit.Part{Material: steel}, pressfit.Part{Outer: 16, Material: steel}, 8, 10, pressfit.Friction{Low: 0.1, High: 0.2}, 1.2)
	if err != nil {
		t.Fatal(err)
	}
	return &Hub{Law: law, Lost: 3}
}

func pressed(t *testing.T, interference, u float64, hub *Hub) Option {
	t.Helper()
	p := problem(single(bore(-60, -40, 4), bore(-70, -60, 1)), hinge("h", 0))
	p.Series[1].Pin = Interval{inch(0.317), inch(0.317)}
	p.Series[1].HeldReamer = &Reamer{Code: "held", Diameter: inch(0.317) - interference, Scatter: u, Available: true}
	p.Joints[0].Held, p.Joints[0].HeldTarget, p.Joints[0].Hub = []int{1}, &Interval{3, 3 + hub.Law.Allowed*1000}, hub
	if math.IsInf(hub.Law.Allowed, 1) || hub.NoLaw != "" {
		p.Joints[0].HeldTarget = nil
	}
	return find(t, decide(t, p).Options[0], ReamTo, 1)
}

func TestPressForceAndStressAreLames(t *testing.T) {
	t.Parallel()
	o := pressed(t, 9, 0.001, steelHub(t))
	p := 9843.75 * 0.006 // 9 µm less 3 µm of flattened peaks
	ratio := (256.0 + 64) / (256 - 64)
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"pressure", o.Press.Pressure, p},
		{"force", o.Press.Force.Mean, 0.2 * p * math.Pi * 8 * 10},
		{"hold", o.Press.Hold, 0.1 * p * math.Pi * 8 * 10},
		{"von Mises at the bore", o.Press.Stress, p * math.Sqrt(ratio*ratio+ratio+1)},
		// Tresca: p (ratio + 1) at most 235 / 1.2 MPa.
		{"allowed interference", o.Press.Allowed, 3 + 1000*235/1.2/(ratio+1)/9843.75},
	} {
		if math.Abs(c.got-c.want) > 1e-6*c.want {
			t.Errorf("%s: %v, want %v", c.what, c.got, c.want)
		}
	}
	if o.Press.Hand != pressfit.Perhaps && o.Press.Hand != pressfit.Yes && o.Press.Force.High < 5000 {
		t.Errorf("a clamp of 5 kN for %v N: %s", o.Press.Force.High, o.Press.Hand)
	}
}

// A fixed seed: the force is none where the pin is loose.
func TestPressOddsAgreeWithBruteForce(t *testing.T) {
	t.Parallel()
	hub := steelHub(t)
	o := pressed(t, 8, 4, hub)
	rng := rand.New(rand.NewPCG(1, 9))
	const draws = 200000
	loose, over, fits, sum := 0, 0, 0, 0.0
	for range draws {
		x := 8 + 4*rng.NormFloat64() - hub.Lost
		switch {
		case x <= 0:
			loose++
		case x > hub.Law.Allowed*1000:
			over++
		default:
			fits++
		}
		sum += math.Max(0, x) * hub.Law.PerUM.Force
	}
	for _, c := range []struct {
		what string
		got  float64
		hits int
	}{{"loose", o.Press.Loose, loose}, {"overstressed", o.Press.Overstressed, over}, {"fits", o.Success, fits}} {
		f := float64(c.hits) / draws
		if se := math.Sqrt(f * (1 - f) / draws); math.Abs(c.got-f) > 4*se+2e-4 {
			t.Errorf("%s: served %.5f, brute force %.5f ± %.5f", c.what, c.got, f, se)
		}
	}
	if math.Abs(o.Press.Force.Mean/(sum/draws)-1) > 0.01 {
		t.Errorf("force %v, brute force %v", o.Press.Force.Mean, sum/draws)
	}
	if !has(o, "held_bore_loose") {
		t.Errorf("%+v", o.Reasons)
	}
}

func TestTooMuchInterferenceIsNamedAndRefused(t *testing.T) {
	t.Parallel()
	o := pressed(t, 60, 2, steelHub(t))
	if o.Success > 1e-6 || !has(o, "hub_overstressed") || o.Press.Overstressed < 0.999 || o.Press.Hand != pressfit.No {
		t.Errorf("%.3f, %+v, %+v", o.Success, o.Press, o.Reasons)
	}
}

// No ring formula holds for a rolled eye or for crests: that is said, and the
// force comes from earlier pressings or not at all.
func TestWhereElasticityHasNoAnswerItIsSaid(t *testing.T) {
	t.Parallel()
	o := pressed(t, 60, 2, &Hub{NoLaw: "An eye rolled with an open seam only bends open."})
	if o.Press != nil || !has(o, "no_elastic_answer") {
		t.Errorf("%+v, %+v", o.Press, o.Reasons)
	}
	learned, err := pressfit.FromPressings([]pressfit.Pressing{{Crest: 50, Force: 5000}, {Crest: 60, Force: 6300}, {Crest: 70, Force: 6900}})
	if err != nil {
		t.Fatal(err)
	}
	o = pressed(t, 60, 2, &Hub{NoLaw: "Knurled.", Pressings: &learned})
	if o.Press == nil || !o.Press.Learned || math.Abs(o.Press.Force.Mean-learned.PerUM*60) > 1 || !(o.Press.Force.High > o.Press.Force.Mean) {
		t.Errorf("%+v", o.Press)
	}
}
