package survival_test

import (
	"errors"
	"math"
	"testing"

	"pinwright/internal/calc/survival"
)

// sixMP are the weeks of remission of the 21 patients under 6-mercaptopurine
// (E. J. Freireich et al., Blood 21 (1963) 699; as in D. R. Cox, D. Oakes, Analysis of
// Survival Data, table 1.1; from memory).
func sixMP() []survival.Life {
	var lives []survival.Life
	for _, t := range []float64{6, 6, 6, 7, 10, 13, 16, 22, 23} {
		lives = append(lives, survival.Ended(t))
	}
	for _, t := range []float64{6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35} {
		lives = append(lives, survival.Lasting(t))
	}
	return lives
}

// The estimate and Greenwood's errors as printed for these data, e.g. in J. P. Klein,
// M. L. Moeschberger, Survival Analysis, table 4.1 (from memory).
func TestProductLimitOfThePublishedExample(t *testing.T) {
	t.Parallel()
	steps, err := survival.ProductLimit(sixMP(), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	want := []struct {
		at            float64
		risk, failed  int
		survival, err float64
	}{
		{6, 21, 3, 0.857, 0.076}, {7, 17, 1, 0.807, 0.087}, {10, 15, 1, 0.753, 0.096}, {13, 12, 1, 0.690, 0.107},
		{16, 11, 1, 0.627, 0.114}, {22, 7, 1, 0.538, 0.128}, {23, 6, 1, 0.448, 0.135},
	}
	if len(steps) != len(want) {
		t.Fatalf("%d steps: %+v", len(steps), steps)
	}
	for i, w := range want {
		s := steps[i]
		if s.At != w.at || s.AtRisk != w.risk || s.Failures != w.failed || math.Abs(s.Survival-w.survival) > 0.00055 || math.Abs(s.SE-w.err) > 0.00055 {
			t.Errorf("%+v, want %+v", s, w)
		}
		if !(s.Low < s.Survival && s.Survival < s.High && s.Low > 0 && s.High < 1) {
			t.Errorf("interval of %+v", s)
		}
	}
	// The log-log interval at ten weeks, as printed beside (same table, 4.4): 0.503 to 0.889.
	if s := steps[2]; math.Abs(s.Low-0.503) > 0.0006 || math.Abs(s.High-0.889) > 0.0006 {
		t.Errorf("at ten weeks %.4f to %.4f", s.Low, s.High)
	}
	if m, ok := survival.Median(steps); !ok || m != 23 {
		t.Errorf("median %g, %v", m, ok)
	}
}

// Without censoring the estimate is the share that is left, and its error the binomial one.
func TestProductLimitWithoutCensoringIsTheShareLeft(t *testing.T) {
	t.Parallel()
	steps, err := survival.ProductLimit([]survival.Life{survival.Ended(3), survival.Ended(1), survival.Ended(2), survival.Ended(2)}, 0.9)
	if err != nil {
		t.Fatal(err)
	}
	for i, left := range []float64{0.75, 0.25, 0} {
		if s := steps[i]; math.Abs(s.Survival-left) > 1e-15 || math.Abs(s.SE-math.Sqrt(left*(1-left)/4)) > 1e-15 {
			t.Errorf("%+v, %g left", s, left)
		}
	}
}

// A tool bought used counts among those at risk from then on only: by hand,
// 2 of 3 survive 5 (one not watched yet), 2 of 3 of them 8.
func TestProductLimitTakesWhoIsWatched(t *testing.T) {
	t.Parallel()
	lives := []survival.Life{survival.Ended(5), survival.Lasting(9), survival.Ended(8), survival.Lasting(10).EnteredAt(5)}
	steps, err := survival.ProductLimit(lives, 0.95)
	if err != nil || len(steps) != 2 {
		t.Fatal(steps, err)
	}
	if s := steps[0]; s.AtRisk != 3 || math.Abs(s.Survival-2.0/3) > 1e-15 {
		t.Errorf("%+v", s)
	}
	if s := steps[1]; s.AtRisk != 3 || math.Abs(s.Survival-4.0/9) > 1e-15 {
		t.Errorf("%+v", s)
	}
}

// Of lives that were all seen, or lasted, Turnbull's estimate is the product-limit one.
func TestTurnbullOfSeenLivesIsTheProductLimit(t *testing.T) {
	t.Parallel()
	steps, err := survival.ProductLimit(sixMP(), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	stretches, err := survival.Turnbull(sixMP())
	if err != nil {
		t.Fatal(err)
	}
	left := 1.0
	for i, s := range steps {
		left -= stretches[i].Share
		if stretches[i].From != s.At || stretches[i].Until != s.At || math.Abs(left-s.Survival) > 1e-7 {
			t.Errorf("%+v beside %+v", stretches[i], s)
		}
	}
	if last := stretches[len(stretches)-1]; last.From != 35 || !math.IsInf(last.Until, 1) || math.Abs(last.Share-left) > 1e-7 {
		t.Errorf("the rest is %+v, want %g", last, left)
	}
}

// By hand: of two lives in (0, 2] and (1, 3] all may have ended in (1, 2]; a third in (4, 6]
// gets a third.
func TestTurnbullByHand(t *testing.T) {
	t.Parallel()
	got, err := survival.Turnbull([]survival.Life{survival.Between(0, 2), survival.Between(1, 3), survival.Between(4, 6)})
	if err != nil || len(got) != 2 {
		t.Fatal(got, err)
	}
	for i, want := range []survival.Stretch{{From: 1, Until: 2, Share: 2.0 / 3}, {From: 4, Until: 6, Share: 1.0 / 3}} {
		if got[i].From != want.From || got[i].Until != want.Until || math.Abs(got[i].Share-want.Share) > 1e-8 {
			t.Errorf("%+v, want %+v", got[i], want)
		}
	}
	if _, err := survival.Turnbull([]survival.Life{survival.Ended(5).EnteredAt(1)}); !errors.Is(err, survival.ErrLife) {
		t.Error(err)
	}
}

func TestLivesThatCannotBe(t *testing.T) {
	t.Parallel()
	for _, l := range []survival.Life{
		survival.Ended(0), survival.Ended(-1), survival.Between(3, 2), survival.Ended(5).EnteredAt(5), survival.Lasting(4).EnteredAt(5), survival.Ended(math.NaN()),
		survival.Lasting(math.Inf(1)), survival.Ended(5).EnteredAt(math.NaN()),
	} {
		if _, err := survival.ProductLimit([]survival.Life{l}, 0.95); !errors.Is(err, survival.ErrLife) {
			t.Errorf("%+v: %v", l, err)
		}
		if _, err := survival.FitWeibull([]survival.Life{l}); !errors.Is(err, survival.ErrLife) {
			t.Errorf("%+v: %v", l, err)
		}
	}
	if _, err := survival.ProductLimit([]survival.Life{survival.Between(1, 2)}, 0.95); !errors.Is(err, survival.ErrLife) {
		t.Error(err)
	}
	for _, level := range []float64{0, 1, -1, 2} {
		if _, err := survival.ProductLimit(sixMP(), level); err == nil {
			t.Error("level", level)
		}
	}
	if _, ok := survival.Median(nil); ok {
		t.Error("nothing has a median")
	}
}
