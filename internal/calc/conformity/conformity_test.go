package conformity_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/conformity"
)

func load(t *testing.T) (rows []map[string]float64, guard map[string]float64, nonconforming float64) {
	t.Helper()
	raw, err := os.ReadFile("../../../testdata/conformity/conformity.json")
	if err != nil {
		t.Fatal(err)
	}
	var f struct {
		Bore   []map[string]float64 `json:"bore_10H7"`
		Guard  map[string]float64   `json:"guard_factor"`
		Accept struct {
			P float64 `json:"p_nonconform"`
		} `json:"accept_at_limit_minus_2u"`
	}
	if err := json.Unmarshal(raw, &f); err != nil {
		t.Fatal(err)
	}
	if len(f.Bore) != 6 || len(f.Guard) != 5 {
		t.Fatalf("%d rows, %d guard factors", len(f.Bore), len(f.Guard))
	}
	return f.Bore, f.Guard, f.Accept.P
}

func near(got, want float64) bool { return math.Abs(got-want) <= 1e-9*math.Abs(want)+1e-12 }

// The values are those of testdata/conformity/conformity.json, which states its source.

func TestProbabilityOfConformity(t *testing.T) {
	t.Parallel()
	rows, _, _ := load(t)
	for _, row := range rows {
		t.Run(fmt.Sprintf("a 10 H7 bore read %v with u %v", row["y"], row["u"]), func(t *testing.T) {
			t.Parallel()
			v, err := conformity.Judge(conformity.Tolerance{Lower: row["TL"], Upper: row["TU"]}, row["y"], row["u"], 0.05)
			if err != nil {
				t.Fatal(err)
			}
			if !near(v.Conforming, row["p_conform"]) || !near(v.Nonconforming, 1-row["p_conform"]) {
				t.Errorf("got %v and %v, want %v", v.Conforming, v.Nonconforming, row["p_conform"])
			}
		})
	}
}

func TestGuardFactor(t *testing.T) {
	t.Parallel()
	_, guard, _ := load(t)
	for text, want := range guard {
		risk, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := conformity.GuardFactor(risk); err != nil || !near(got, want) {
			t.Errorf("risk %v: got %v, %v; want %v", risk, got, err, want)
		}
	}
}

func TestTwoUncertaintiesInsideOneLimit(t *testing.T) {
	t.Parallel()
	_, _, want := load(t)
	// The fixture has a lower limit of 0 as well, 5.5 u away, which adds 1.9e-8.
	v, err := conformity.Judge(conformity.Tolerance{Lower: 0, Upper: 0.015}, 0.011, 0.002, 0.05)
	if err != nil || !near(v.Nonconforming, want) {
		t.Errorf("got %+v, %v; want nonconforming %v", v, err, want)
	}
	// With one limit it is the normal tail beyond two, 0.0227501 (normal tables).
	v, err = conformity.Judge(conformity.NoLower(0.015), 0.011, 0.002, 0.05)
	if err != nil || math.Abs(v.Above-0.0227501) > 0.5e-7 || v.Below != 0 {
		t.Errorf("got %+v, %v", v, err)
	}
}

func TestThreeAnswers(t *testing.T) {
	t.Parallel()
	h7 := conformity.Tolerance{Lower: 10.000, Upper: 10.015}
	rows := map[string]struct {
		t    conformity.Tolerance
		y, u float64
		risk float64
		want conformity.Decision
	}{
		"in the middle":                                    {h7, 10.0075, 0.002, 0.05, conformity.Proved},
		"on the limit":                                     {h7, 10.015, 0.002, 0.05, conformity.Undecided},
		"inside by less than the guard band":               {h7, 10.012, 0.002, 0.05, conformity.Undecided},
		"the same with a greater risk":                     {h7, 10.012, 0.002, 0.07, conformity.Proved},
		"outside by less than the guard band":              {h7, 10.018, 0.002, 0.05, conformity.Undecided},
		"outside by more than the guard band":              {h7, 10.0184, 0.002, 0.05, conformity.Refused},
		"a poor reading proves nothing even in the middle": {h7, 10.0075, 0.005, 0.05, conformity.Undecided},
		"below the lower limit":                            {h7, 9.99, 0.002, 0.05, conformity.Refused},
		"a perfect reading on the limit":                   {h7, 10.015, 0, 0.05, conformity.Proved},
		"a perfect reading just outside":                   {h7, 10.0150001, 0, 0.05, conformity.Refused},
		"one lower limit, well above":                      {conformity.NoUpper(10), 11, 0.1, 0.05, conformity.Proved},
		"one lower limit, well below":                      {conformity.NoUpper(10), 9, 0.1, 0.05, conformity.Refused},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			v, err := conformity.Judge(row.t, row.y, row.u, row.risk)
			if err != nil || v.Decision != row.want {
				t.Errorf("got %+v, %v; want %v", v, err, row.want)
			}
			if d, err := conformity.DecideProbability(v.Conforming, row.risk); err != nil || d != row.want {
				t.Errorf("from the probability alone: %v, %v", d, err)
			}
		})
	}
}

func TestSmallProbabilitiesKeepTheirDigits(t *testing.T) {
	t.Parallel()
	// Q(10) = 7.619853024160527e-24, the normal tail beyond ten standard deviations
	// (Abramowitz and Stegun, table 26.2: -log10 Q(10) = 23.11805).
	v, err := conformity.Judge(conformity.NoLower(0), 10, 1, 0.05)
	if err != nil || math.Abs(-math.Log10(v.Conforming)-23.11805) > 0.5e-5 {
		t.Errorf("got %v, %v", v.Conforming, err)
	}
	v, err = conformity.Judge(conformity.NoUpper(0), 10, 1, 0.05)
	if err != nil || math.Abs(-math.Log10(v.Nonconforming)-23.11805) > 0.5e-5 {
		t.Errorf("got %v, %v", v.Nonconforming, err)
	}
}

func TestAcceptanceZone(t *testing.T) {
	t.Parallel()
	h7 := conformity.Tolerance{Lower: 10.000, Upper: 10.015}
	zone, possible, err := conformity.AcceptanceZone(h7, 0.002, 0.05)
	if err != nil || !possible || !near(zone.Lower, 10.0032897072539029) || !near(zone.Upper, 10.0117102927460971) {
		t.Errorf("got %v, %v, %v", zone, possible, err)
	}
	if zone, possible, err := conformity.AcceptanceZone(h7, 0.005, 0.05); err != nil || possible {
		t.Errorf("a zone of 15 cannot lose 8.2 on each side, got %v, %v", zone, err)
	}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	h7 := conformity.Tolerance{Lower: 10.000, Upper: 10.015}
	rows := map[string]struct {
		t    conformity.Tolerance
		y, u float64
		risk float64
		want error
	}{
		"limits the wrong way round":   {conformity.Tolerance{Lower: 2, Upper: 1}, 1, 1, 0.05, conformity.ErrTolerance},
		"no limit at all":              {conformity.NoLower(math.Inf(1)), 1, 1, 0.05, conformity.ErrTolerance},
		"a limit that is not a number": {conformity.NoLower(math.NaN()), 1, 1, 0.05, conformity.ErrTolerance},
		"a negative uncertainty":       {h7, 10, -1, 0.05, conformity.ErrReading},
		"a value that is not a number": {h7, math.NaN(), 1, 0.05, conformity.ErrReading},
		"an endless uncertainty":       {h7, 10, math.Inf(1), 0.05, conformity.ErrReading},
		"no risk at all":               {h7, 10, 1, 0, conformity.ErrRisk},
		"a coin's risk":                {h7, 10, 1, 0.5, conformity.ErrRisk},
		"a risk that is not a number":  {h7, 10, 1, math.NaN(), conformity.ErrRisk},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if v, err := conformity.Judge(row.t, row.y, row.u, row.risk); !errors.Is(err, row.want) {
				t.Errorf("got %+v, %v", v, err)
			}
		})
	}
	if _, err := conformity.DecideProbability(1.1, 0.05); !errors.Is(err, conformity.ErrReading) {
		t.Errorf("a probability of 1.1: %v", err)
	}
}

func TestProbabilitiesOfAnyReading(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-100, 100).Draw(t, "lower")
		tol := conformity.Tolerance{Lower: low, Upper: low + rapid.Float64Range(0, 50).Draw(t, "width")}
		y := rapid.Float64Range(-200, 200).Draw(t, "y")
		u := rapid.Float64Range(0, 50).Draw(t, "u")
		risk := rapid.Float64Range(0.001, 0.4).Draw(t, "risk")
		v, err := conformity.Judge(tol, y, u, risk)
		if err != nil {
			t.Fatal(err)
		}
		if v.Conforming < 0 || v.Nonconforming < 0 || math.Abs(v.Conforming+v.Nonconforming-1) > 1e-12 {
			t.Errorf("%+v", v)
		}
		// Proved implies that the value is inside the acceptance zone of ISO 14253-1.
		zone, possible, err := conformity.AcceptanceZone(tol, u, risk)
		if err != nil {
			t.Fatal(err)
		}
		if v.Decision == conformity.Proved && (!possible || y < zone.Lower-1e-9 || y > zone.Upper+1e-9) {
			t.Errorf("%v is proved outside %v (%v)", y, zone, possible)
		}
		// Mirroring the line changes nothing but the side.
		mirror, err := conformity.Judge(conformity.Tolerance{Lower: -tol.Upper, Upper: -tol.Lower}, -y, u, risk)
		if err != nil || mirror.Below != v.Above || mirror.Above != v.Below || math.Abs(mirror.Conforming-v.Conforming) > 1e-15 {
			t.Errorf("%+v mirrored is %+v, %v", v, mirror, err)
		}
	})
}
