package wornsize

import (
	"math"
	"strings"
	"testing"
)

// Orders of magnitude on an 8 mm bore: bell mouth and ovality 10 to 20 µm, metal
// beyond the surface 3 to 10 µm, feel 1 to 2 µm clean and 3 to 10 µm rusty; common
// practice, no published source.
func TestDefaultFormsKeepToTheOrdersOfMagnitudeOfCommonPractice(t *testing.T) {
	t.Parallel()
	feels := map[string][2]float64{"bright": {1, 2}, "pitted": {1, 3}, "scored": {1, 3}, "rusty": {3, 10}, "unknown": {1, 10}}
	for surface, feel := range feels {
		f, assumed := DefaultForm(surface)
		if f.BellMouth < 10 || f.BellMouth > 20 || f.Ovality < 10 || f.Ovality > 20 || f.Surface < 3 || f.Surface > 10 || f.Feel < feel[0] || f.Feel > feel[1] {
			t.Errorf("%s: %+v", surface, f)
		}
		if len(assumed) != 2 || assumed[0].Code != AssumedForm || assumed[1].Code != AssumedFeel {
			t.Errorf("%s: assumed %+v", surface, assumed)
		}
	}
	if len(defaultForms) != len(feels) {
		t.Errorf("%d surfaces, %d checked", len(defaultForms), len(feels))
	}
	bright, _ := DefaultForm("bright")
	rusty, _ := DefaultForm("rusty")
	if rusty.Surface <= bright.Surface || rusty.Feel <= bright.Feel {
		t.Error("rust neither moves the metal out nor dulls the feel")
	}
	nobody, said := DefaultForm("")
	if unknown, _ := DefaultForm("unknown"); nobody != unknown || !strings.Contains(said[0].Text, "nobody") {
		t.Errorf("no surface: %+v, %s", nobody, said[0].Text)
	}
}

// The common-practice case of TestFourRustyRunningBoresWantTheSecondReamer, with
// nothing known but the state of the surface.
func TestDefaultsSendARustyBoreThatA0318GaugeStartsInToThe0322Reamer(t *testing.T) {
	t.Parallel()
	form, _ := DefaultForm("rusty")
	prior, _ := DefaultPrior(Bore, 0.314*thouPerInch*micrometresPerThou)
	posterior, err := Estimate(Set{Features: []Feature{{Form: form, Prior: prior, Readings: []Reading{gauged(Starts, 0.318)}}}})
	if err != nil {
		t.Fatal(err)
	}
	law := posterior.Features[0].CleanUp
	first, second := law.CDF(inches(0.318)), law.CDF(inches(0.322))
	if first > 0.01 || second < 0.88 || second > 0.97 {
		t.Errorf("clean-up at 0.318 in %.4f, at 0.322 in %.4f; want nearly never and mostly", first, second)
	}
}

func TestDefaultPriorOfAPinMirrorsThatOfABore(t *testing.T) {
	t.Parallel()
	for _, nominal := range []float64{3000, 8000, 30000} {
		bore, _ := DefaultPrior(Bore, nominal)
		pin, _ := DefaultPrior(Pin, nominal)
		if bore.Low != -pin.High || bore.High != -pin.Low || bore.Shoulder != pin.Shoulder || !(bore.High >= 500) || math.IsInf(bore.High, 0) {
			t.Errorf("nominal %g: bore %+v, pin %+v", nominal, bore, pin)
		}
	}
}
