package conformity_test

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/conformity"
)

// Deaver, How to maintain confidence, page 7: limits of two standard deviations of the
// process, a measurement four times better. The file states its source and the digits.
func TestGlobalRiskPublished(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../../testdata/conformity/conformity.json")
	if err != nil {
		t.Fatal(err)
	}
	var f struct {
		Global []struct {
			Sigma float64 `json:"sigma0"`
			U     float64 `json:"u_m"`
			L     float64
			A     float64
			PFA   float64
			PFR   float64
		} `json:"global_risk"`
	}
	if err := json.Unmarshal(raw, &f); err != nil || len(f.Global) == 0 {
		t.Fatalf("%v, %d cases", err, len(f.Global))
	}
	for _, c := range f.Global {
		r, err := conformity.Global(conformity.Tolerance{Lower: -c.L, Upper: c.L}, conformity.Tolerance{Lower: -c.A, Upper: c.A}, conformity.Process{SD: c.Sigma}, c.U)
		if err != nil || math.Abs(r.Consumer-c.PFA) > 1e-11 || math.Abs(r.Producer-c.PFR) > 1e-11 {
			t.Errorf("got %+v, %v; want %v and %v", r, err, c.PFA, c.PFR)
		}
	}
}

// Worked examples of JCGM 106:2012, clause 7 (from memory): a diode's breakdown voltage, a
// container's burst pressure, an oil's viscosity.
func TestProbabilitiesOfTheGuide(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		t          conformity.Tolerance
		y, u, want float64
	}{
		"one upper limit": {conformity.NoLower(-5.40), -5.47, 0.05, 0.92},
		"one lower limit": {conformity.NoUpper(490), 509.7, 8.6, 0.99},
		"two limits":      {conformity.Tolerance{Lower: 12.5, Upper: 16.3}, 13.6, 1.8, 0.66},
	} {
		v, err := conformity.Judge(c.t, c.y, c.u, 0.05)
		if err != nil || math.Abs(v.Conforming-c.want) > 0.005 {
			t.Errorf("%s: got %v, %v; printed %v", name, v.Conforming, err, c.want)
		}
	}
}

func TestGuardBand(t *testing.T) {
	t.Parallel()
	h7 := conformity.Tolerance{Lower: 10.000, Upper: 10.015}
	zone, possible, err := conformity.GuardBand(h7, 0.004, 1)
	if err != nil || !possible || math.Abs(zone.Lower-10.004) > 1e-12 || math.Abs(zone.Upper-10.011) > 1e-12 {
		t.Errorf("%v %v %v", zone, possible, err)
	}
	if zone.Accepts(10.0035) || !zone.Accepts(10.005) || zone.Accepts(10.0115) {
		t.Error("accepts beside the zone")
	}
	if _, possible, err := conformity.GuardBand(h7, 0.008, 1); err != nil || possible {
		t.Errorf("16 of 15 taken off leaves a zone: %v", err)
	}
	if zone, _, _ := conformity.GuardBand(h7, 0.004, -1); zone.Lower >= h7.Lower || conformity.RuleOf(-1) != conformity.GuardedRejection {
		t.Errorf("guarded rejection %v", zone)
	}
	if zone, _, _ := conformity.GuardBand(conformity.NoLower(5), 1, 1); !math.IsInf(zone.Lower, -1) || zone.Upper != 4 {
		t.Errorf("one limit %v", zone)
	}
	for name, err := range map[string]error{
		"a multiplier of 4":           second(conformity.GuardBand(h7, 1, 4)),
		"a multiplier of no number":   second(conformity.GuardBand(h7, 1, math.NaN())),
		"a negative uncertainty":      second(conformity.GuardBand(h7, -1, 1)),
		"an endless uncertainty":      second(conformity.GuardBand(h7, math.Inf(1), 1)),
		"limits the wrong way round":  second(conformity.GuardBand(conformity.Tolerance{Lower: 2, Upper: 1}, 1, 1)),
		"a process without deviation": risk(conformity.Global(h7, h7, conformity.Process{Mean: 10}, 1)),
		"a negative u":                risk(conformity.Global(h7, h7, conformity.Process{Mean: 10, SD: 1}, -1)),
		"no zone":                     risk(conformity.Global(h7, conformity.Tolerance{Lower: math.NaN()}, conformity.Process{Mean: 10, SD: 1}, 1)),
		"no tolerance":                risk(conformity.Global(conformity.Tolerance{Lower: 2, Upper: 1}, h7, conformity.Process{Mean: 10, SD: 1}, 1)),
	} {
		if !errors.Is(err, conformity.ErrRisk) && !errors.Is(err, conformity.ErrReading) && !errors.Is(err, conformity.ErrTolerance) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := conformity.Specific(h7, conformity.Process{Mean: 10, SD: -1}, 10, 1); !errors.Is(err, conformity.ErrReading) {
		t.Error(err)
	}
}

func second(_ conformity.Tolerance, _ bool, err error) error { return err }
func risk(_ conformity.Risks, err error) error               { return err }

// Parts made, measured and sorted by chance.
func TestGlobalRiskAgainstBruteForce(t *testing.T) {
	t.Parallel()
	const parts = 400_000
	random := rand.New(rand.NewPCG(106, 9))
	for name, c := range map[string]struct {
		t, zone conformity.Tolerance
		p       conformity.Process
		u       float64
	}{
		"two limits, off centre":      {conformity.Tolerance{Lower: -1, Upper: 2}, conformity.Tolerance{Lower: -0.7, Upper: 1.7}, conformity.Process{Mean: 0.8, SD: 0.9}, 0.3},
		"one limit":                   {conformity.NoLower(1), conformity.NoLower(0.8), conformity.Process{Mean: 0.2, SD: 0.6}, 0.2},
		"a measurement of little use": {conformity.Tolerance{Lower: -1, Upper: 1}, conformity.Tolerance{Lower: -1, Upper: 1}, conformity.Process{SD: 0.5}, 2},
		"guarded rejection":           {conformity.NoUpper(0), conformity.NoUpper(-0.5), conformity.Process{SD: 1}, 0.25},
		"a perfect measurement":       {conformity.Tolerance{Lower: -1, Upper: 1}, conformity.Tolerance{Lower: -2, Upper: 0.5}, conformity.Process{SD: 1}, 0},
	} {
		r, err := conformity.Global(c.t, c.zone, c.p, c.u)
		if err != nil {
			t.Fatal(err)
		}
		var consumer, producer, accepted int
		for range parts {
			size := c.p.Mean + c.p.SD*random.NormFloat64()
			ok := c.zone.Accepts(size + c.u*random.NormFloat64())
			switch {
			case ok && !c.t.Accepts(size):
				consumer++
			case !ok && c.t.Accepts(size):
				producer++
			}
			if ok {
				accepted++
			}
		}
		for what, pair := range map[string][2]float64{"consumer": {r.Consumer, float64(consumer)}, "producer": {r.Producer, float64(producer)}, "accepted": {r.Accepted, float64(accepted)}} {
			if got := pair[1] / parts; math.Abs(got-pair[0]) > 4*math.Sqrt(pair[0]*(1-pair[0])/parts)+1e-9 {
				t.Errorf("%s, %s: computed %v, counted %v", name, what, pair[0], got)
			}
		}
	}
}

// The global consumer's risk is the specific one averaged over what is accepted, and risks
// scale with no unit.
func TestRisksHangTogether(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tol := conformity.Tolerance{Lower: -rapid.Float64Range(0.2, 4).Draw(t, "below"), Upper: rapid.Float64Range(0.2, 4).Draw(t, "above")}
		p := conformity.Process{Mean: rapid.Float64Range(-2, 2).Draw(t, "mean"), SD: rapid.Float64Range(0.2, 3).Draw(t, "sd")}
		u := rapid.Float64Range(0.05, 2).Draw(t, "u")
		zone, possible, err := conformity.GuardBand(tol, 2*u, rapid.Float64Range(-1, 1).Draw(t, "multiplier"))
		if err != nil {
			t.Fatal(err)
		}
		r, err := conformity.Global(tol, zone, p, u)
		if err != nil {
			t.Fatal(err)
		}
		if !possible {
			if r.Consumer != 0 || r.Accepted != 0 || r.Producer != r.Conforming {
				t.Errorf("an empty zone: %+v", r)
			}
			return
		}
		if math.Abs((r.Accepted-r.Consumer)-(r.Conforming-r.Producer)) > 1e-10 {
			t.Errorf("accepted and conforming counted in two ways: %+v", r)
		}
		// Trapezia over the measured value.
		const steps = 4000
		width := (zone.Upper - zone.Lower) / steps
		seen := math.Hypot(p.SD, u)
		var sum float64
		for i := range steps + 1 {
			y := zone.Lower + float64(i)*width
			b, err := conformity.Specific(tol, p, y, u)
			if err != nil {
				t.Fatal(err)
			}
			weight := width
			if i == 0 || i == steps {
				weight /= 2
			}
			z := (y - p.Mean) / seen
			sum += weight * b.Nonconforming * math.Exp(-z*z/2) / (seen * math.Sqrt(2*math.Pi))
		}
		if math.Abs(sum-r.Consumer) > 1e-6 {
			t.Errorf("global %v, specific averaged %v", r.Consumer, sum)
		}
		scaled, err := conformity.Global(conformity.Tolerance{Lower: tol.Lower*1024 + 64, Upper: tol.Upper*1024 + 64}, conformity.Tolerance{Lower: zone.Lower*1024 + 64, Upper: zone.Upper*1024 + 64},
			conformity.Process{Mean: p.Mean*1024 + 64, SD: p.SD * 1024}, u*1024)
		if err != nil || math.Abs(scaled.Consumer-r.Consumer) > 1e-12 || math.Abs(scaled.Producer-r.Producer) > 1e-12 {
			t.Errorf("in another unit %+v, %v; was %+v", scaled, err, r)
		}
	})
}

// With a process that says nothing the specific risk is that of the reading alone; with
// one that says all, that of the process.
func TestSpecificRiskAtItsEnds(t *testing.T) {
	t.Parallel()
	tol := conformity.Tolerance{Lower: 10, Upper: 10.015}
	alone, err := conformity.Judge(tol, 10.012, 0.002, 0.05)
	if err != nil {
		t.Fatal(err)
	}
	vague, err := conformity.Specific(tol, conformity.Process{Mean: 10, SD: 1e4}, 10.012, 0.002)
	if err != nil || math.Abs(vague.Conforming-alone.Conforming) > 1e-9 || math.Abs(vague.SD-0.002) > 1e-12 {
		t.Errorf("%+v, %v; alone %+v", vague, err, alone)
	}
	sure, err := conformity.Specific(tol, conformity.Process{Mean: 10.007, SD: 1e-9}, 10.2, 0.002)
	if err != nil || math.Abs(sure.Mean-10.007) > 1e-6 || sure.Nonconforming > 1e-12 {
		t.Errorf("%+v, %v", sure, err)
	}
	// Equal weights meet in the middle.
	even, err := conformity.Specific(tol, conformity.Process{Mean: 10, SD: 0.003}, 10.01, 0.003)
	if err != nil || math.Abs(even.Mean-10.005) > 1e-12 || math.Abs(even.SD-0.003/math.Sqrt2) > 1e-12 {
		t.Errorf("%+v, %v", even, err)
	}
	exact, err := conformity.Specific(tol, conformity.Process{Mean: 10, SD: 0.003}, 10.01, 0)
	if err != nil || exact.Conforming != 1 || exact.SD != 0 {
		t.Errorf("%+v, %v", exact, err)
	}
}

func FuzzGlobal(f *testing.F) {
	f.Add(-1.0, 1.0, -0.5, 0.5, 0.0, 1.0, 0.1)
	f.Add(math.Inf(-1), 1.0, math.Inf(-1), 2.0, 1e9, 1e-9, 1e-12)
	f.Fuzz(func(t *testing.T, tl, tu, al, au, mean, sd, u float64) {
		r, err := conformity.Global(conformity.Tolerance{Lower: tl, Upper: tu}, conformity.Tolerance{Lower: al, Upper: au}, conformity.Process{Mean: mean, SD: sd}, u)
		if err != nil {
			return
		}
		for _, x := range []float64{r.Consumer, r.Producer, r.Accepted, r.Conforming, r.OfAccepted, r.OfRejected} {
			if !(x >= 0 && x <= 1+1e-9) {
				t.Errorf("%+v", r)
			}
		}
	})
}

func BenchmarkGlobal(b *testing.B) {
	tol := conformity.Tolerance{Lower: -2, Upper: 2}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := conformity.Global(tol, tol, conformity.Process{SD: 1}, 0.25); err != nil {
			b.Fatal(err)
		}
	}
}
