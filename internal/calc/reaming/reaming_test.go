package reaming_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/reaming"
)

func near(t interface{ Errorf(string, ...any) }, what string, got, want, within float64) {
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %v, want %v within %v", what, got, want, within)
	}
}

// TestPublishedSpeeds: Machinery's Handbook, table of cutting speeds for drilling
// and reaming, as copied on a toolmaker's page; ft/min for drilling, reaming with
// high-speed steel, reaming with carbide.
func TestPublishedSpeeds(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		work                reaming.Work
		hb                  float64
		drill, hss, carbide float64
	}{
		{"low_carbon_steel", 150, 90, 60, 275},                 // 1018 at 125-175
		{"low_carbon_steel", 175, 90, 60, 275},                 // up to and including
		{"low_carbon_steel", 175.1, 70, 45, 200},               // the next row
		{"low_carbon_steel", 80, 100, 65, 300},                 // softer than the table: its softest row
		{"medium_carbon_steel", 200, 75, 50, 200},              // 1045 at 175-225
		{"free_cutting_steel", 120, 120, 80, 400},              // 1212 at 100-150
		{"free_cutting_alloy_steel", 280, 55, 30, 200},         // 4140 resulphurised at 250-300
		{"free_cutting_medium_carbon_steel", 250, 70, 45, 250}, // between 225 and 275: the harder row
		{"grey_cast_iron", 210, 80, 55, 180}, {"malleable_iron", 130, 110, 75, 325}, {"austenitic_stainless_steel", 160, 55, 35, 150},
		{"wrought_aluminium", 0, 350, 350, 750},
	} {
		got, _, err := reaming.RowFor(c.work, c.hb)
		if err != nil || got.Drilling != c.drill || got.HSS != c.hss || got.Carbide != c.carbide {
			t.Errorf("%s at %v HB: %+v, %v; printed %v/%v/%v", c.work, c.hb, got, err, c.drill, c.hss, c.carbide)
		}
	}
}

// TestSpindleSpeeds: 60 ft/min at half an inch are 458.366 turns a minute, 12 m/min
// at 20 mm 190.986, worked out apart from this package.
func TestSpindleSpeeds(t *testing.T) {
	t.Parallel()
	near(t, "60 ft/min at 0.5 in", reaming.SpindleSpeed(60*0.3048, 12.7), 458.3662361046586, 1e-9*458)
	near(t, "12 m/min at 20 mm", reaming.SpindleSpeed(12, 20), 190.98593171027443, 1e-9*190)
	a, err := reaming.Advise(reaming.Question{Diameter: 12.7, Work: "low_carbon_steel", HB: 150, Drive: reaming.Lathe, Tool: reaming.HSS, Flutes: 6, SpindleSpeeds: []float64{1200, 80, 420, 300}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "by the table", a.Spindle.Greatest, 458.3662361046586, 1e-9*458)
	// TM 1-420, 37: about half the speed of drilling, here 45 ft/min.
	near(t, "the slow end", a.Speed.Least, 45*0.3048, 1e-12)
	if a.Set != 420 {
		t.Errorf("the machine is set to %v", a.Set)
	}
	// 0.002 to 0.003 in for each flute and turn, a toolmaker's page.
	near(t, "feed of a turn", a.Feed.Greatest, 6*0.0762, 1e-12)
	near(t, "feed of a minute", a.FeedRate.Least, 420*6*0.0508, 1e-9)
}

// TestTaylor: 160 m/min for 5 min and 100 m/min for 41 min, a textbook's example
// (from memory): n 0.223, C 229; the rest worked out apart from this package.
func TestTaylor(t *testing.T) {
	t.Parallel()
	l, err := reaming.Taylor(reaming.Point{Speed: 160, Minutes: 5}, reaming.Point{Speed: 100, Minutes: 41})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "n", l.N, 0.22337151283433754, 1e-12)
	near(t, "C", l.C, 229.21866032272345, 1e-9*229)
	near(t, "life at 130", l.Minutes(130), 12.66709262448116, 1e-9*12)
	if l.Beyond(130) || !l.Beyond(99) || !l.Beyond(161) {
		t.Error("what lies beyond is mistaken")
	}
	if steps := l.Derivation(130, "m/min"); steps[2].Result.Value != l.Minutes(130) {
		t.Errorf("derived %v", steps)
	}
	for name, p := range map[string][2]reaming.Point{
		"the faster lasts longer": {{160, 41}, {100, 5}}, "one speed": {{160, 5}, {160, 41}}, "one life": {{160, 5}, {100, 5}}, "the same twice": {{160, 5}, {160, 5}},
		"no speed": {{0, 5}, {100, 41}}, "no number": {{math.NaN(), 5}, {100, 41}}, "for ever": {{160, 5}, {100, math.Inf(1)}},
		"lives too alike": {{160, 5}, {1e-300, 5.0000001}},
	} {
		if l, err := reaming.Taylor(p[0], p[1]); !errors.Is(err, reaming.ErrInput) {
			t.Errorf("%s: %+v, %v", name, l, err)
		}
	}
}

// TestTaylorGoesThroughItsPoints, in whatever unit and order they come.
func TestTaylorGoesThroughItsPoints(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := reaming.Point{Speed: rapid.Float64Range(10, 500).Draw(t, "v"), Minutes: rapid.Float64Range(0.5, 100).Draw(t, "T")}
		b := reaming.Point{Speed: a.Speed * rapid.Float64Range(1.05, 3).Draw(t, "faster"), Minutes: a.Minutes / rapid.Float64Range(1.05, 50).Draw(t, "shorter")}
		l, err := reaming.Taylor(a, b)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "life at the first", l.Minutes(a.Speed), a.Minutes, 1e-9*a.Minutes)
		near(t, "life at the second", l.Minutes(b.Speed), b.Minutes, 1e-9*b.Minutes)
		feet, err := reaming.Taylor(reaming.Point{Speed: b.Speed / 0.3048, Minutes: b.Minutes}, reaming.Point{Speed: a.Speed / 0.3048, Minutes: a.Minutes})
		if err != nil {
			t.Fatal(err)
		}
		between := math.Sqrt(a.Speed * b.Speed)
		near(t, "life in feet", feet.Minutes(between/0.3048), l.Minutes(between), 1e-8*l.Minutes(between))
	})
}

// TestStock: material left for reaming (a toolmaker's page): 0.281 to 0.880 in
// 0.010 to 0.016; by hand not more than 0.002 to 0.003 in (TM 1-1500-204-23-9).
func TestStock(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		q               reaming.Question
		least, greatest float64 // inches
		verdict         reaming.Verdict
		cuts            int
	}{
		{reaming.Question{Diameter: 10, Work: "low_carbon_steel"}, 0.010, 0.016, "", 0},
		{reaming.Question{Diameter: 10, Bore: 9.7, Work: "low_carbon_steel"}, 0.010, 0.016, reaming.Enough, 1},
		// TM 1-420, 37: within 0.005 in of the finished size by machine.
		{reaming.Question{Diameter: 10, Bore: 9.873, Work: "low_carbon_steel"}, 0.010, 0.016, reaming.Enough, 1},
		{reaming.Question{Diameter: 10, Bore: 9.874, Work: "low_carbon_steel"}, 0.010, 0.016, reaming.TooLittle, 1},
		{reaming.Question{Diameter: 10, Bore: 9, Work: "low_carbon_steel"}, 0.010, 0.016, reaming.TooMuch, 3},
		{reaming.Question{Diameter: 10, Bore: 9.93, Work: "low_carbon_steel", Drive: reaming.Hand}, 0.002, 0.003, reaming.Enough, 1},
		{reaming.Question{Diameter: 10, Work: "cast_aluminium"}, 0.015, 0.024, "", 0},
		{reaming.Question{Diameter: 4, Work: "brass"}, 0.005, 0.010, "", 0},
		{reaming.Question{Diameter: 25.4, Work: "bronze"}, 0.015, 0.030, "", 0},
	} {
		a, err := reaming.Advise(c.q)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "least stock", a.Stock.Least, c.least*25.4, 1e-12)
		near(t, "greatest stock", a.Stock.Greatest, c.greatest*25.4, 1e-12)
		if a.Verdict != c.verdict || a.Cuts != c.cuts {
			t.Errorf("%+v: %q in %d cuts, want %q in %d", c.q, a.Verdict, a.Cuts, c.verdict, c.cuts)
		}
	}
}

// TestAdviceHoldsTogether for whatever is asked: ranges in order, formulas true of
// their numbers, every part with a source, forward rotation and eye protection said.
func TestAdviceHoldsTogether(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		q := reaming.Question{
			Diameter:      rapid.Float64Range(reaming.Smallest, reaming.Largest).Draw(t, "diameter"),
			Work:          rapid.SampledFrom(reaming.Works()).Draw(t, "work"),
			HB:            rapid.SampledFrom([]float64{0, 50, 120, 175, 180, 250, 300, 400}).Draw(t, "hb"),
			Tool:          rapid.SampledFrom([]reaming.Tool{"", reaming.HSS, reaming.Carbide}).Draw(t, "tool"),
			Drive:         rapid.SampledFrom([]reaming.Drive{"", reaming.Hand, reaming.HandDrill, reaming.PillarDrill, reaming.Lathe, reaming.Mill}).Draw(t, "drive"),
			Flutes:        rapid.IntRange(0, 12).Draw(t, "flutes"),
			SpindleSpeeds: rapid.SliceOfN(rapid.Float64Range(1, 5000), 0, 5).Draw(t, "speeds"),
		}
		q.Bore = rapid.Float64Range(0, 0.999).Draw(t, "bore") * q.Diameter
		a, err := reaming.Advise(q)
		if errors.Is(err, reaming.ErrHardness) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		for name, r := range map[string]reaming.Range{"speed": a.Speed, "spindle": a.Spindle, "feed": a.Feed, "feed rate": a.FeedRate, "stock": a.Stock} {
			if !(r.Least <= r.Greatest) || r.Least < 0 || math.IsInf(r.Greatest, 0) {
				t.Errorf("%s %+v", name, r)
			}
		}
		if a.Set > a.Spindle.Greatest*(1+1e-9) {
			t.Errorf("set to %v, at most %v", a.Set, a.Spindle.Greatest)
		}
		// The edge never runs faster than the table says.
		if edge := a.Spindle.Greatest * math.Pi * a.Question.Diameter / 1000; edge > a.Speed.Greatest*(1+1e-9) {
			t.Errorf("%v m/min at the edge, %v in the table", edge, a.Speed.Greatest)
		}
		if q.Drive == reaming.Hand && (a.Spindle.Greatest != 0 || a.Feed.Greatest != 0) {
			t.Errorf("a spindle speed by hand: %+v", a.Spindle)
		}
		said := map[string]bool{a.Coolant.Code: true}
		for _, r := range append(append([]reaming.Remark{a.Coolant}, a.Technique...), a.Cautions...) {
			if r.Source == "" || r.Text == "" {
				t.Errorf("%+v", r)
			}
			said[r.Code] = true
		}
		for _, must := range []string{"forward_only", "eye_protection", "advice_not_approval"} {
			if !said[must] {
				t.Errorf("%s is not said", must)
			}
		}
		if said["no_gloves"] == (q.Drive == reaming.Hand) {
			t.Errorf("gloves and %s", q.Drive)
		}
		for _, s := range a.Derivation() {
			if s.Source == "" || s.Formula == "" {
				t.Errorf("%+v", s)
			}
		}
	})
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	good := reaming.Question{Diameter: 8, Work: "brass"}
	for name, c := range map[string]struct {
		change func(*reaming.Question)
		kind   error
		says   string
	}{
		"an unknown work":       {func(q *reaming.Question) { q.Work = "cheese" }, reaming.ErrWork, "bronze"},
		"a hardened steel":      {func(q *reaming.Question) { q.Work, q.HB = "high_carbon_steel", 600 }, reaming.ErrHardness, "honed"},
		"a hardness below none": {func(q *reaming.Question) { q.HB = -1 }, reaming.ErrHardness, "HB"},
		"a hardness of none":    {func(q *reaming.Question) { q.HB = math.NaN() }, reaming.ErrHardness, "HB"},
		"no diameter":           {func(q *reaming.Question) { q.Diameter = 0 }, reaming.ErrInput, "from 1"},
		"no number":             {func(q *reaming.Question) { q.Diameter = math.NaN() }, reaming.ErrInput, "from 1"},
		"too large":             {func(q *reaming.Question) { q.Diameter = 64 }, reaming.ErrInput, "63.5"},
		"an unknown tool":       {func(q *reaming.Question) { q.Tool = "wood" }, reaming.ErrInput, "carbide"},
		"an unknown drive":      {func(q *reaming.Question) { q.Drive = "steam" }, reaming.ErrInput, "lathe"},
		"too many flutes":       {func(q *reaming.Question) { q.Flutes = 41 }, reaming.ErrInput, "40"},
		"flutes below none":     {func(q *reaming.Question) { q.Flutes = -1 }, reaming.ErrInput, "40"},
		"a spindle that stands": {func(q *reaming.Question) { q.SpindleSpeeds = []float64{0} }, reaming.ErrInput, "over 0"},
		"nothing to cut":        {func(q *reaming.Question) { q.Bore = 8 }, reaming.ErrInput, "nothing to cut"},
		"a bore of no number":   {func(q *reaming.Question) { q.Bore = math.NaN() }, reaming.ErrInput, "nothing to cut"},
	} {
		q := good
		c.change(&q)
		if _, err := reaming.Advise(q); !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; want %v saying %q", name, err, c.kind, c.says)
		}
	}
}
