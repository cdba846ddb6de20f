package reamersize_test

import (
	"errors"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/limits"
	"pinwright/internal/calc/reamersize"
)

func um(v float64) length.Length { return length.FromMicrometres(v) }
func mm(v float64) length.Length { return um(v * 1000) }

// TestPrintedReamers: the table of H7 of a reamer maker's catalogue and the example
// 10 D8 of a toolmaker's page on tolerances, both after DIN 1420. The H8 rows are
// the rule's own, computed apart from this package.
func TestPrintedReamers(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		size         float64
		class        string
		upper, lower float64 // from nominal, µm
	}{
		{3, "H7", 8, 4}, {6, "H7", 10, 5}, {10, "H7", 12, 6}, {18, "H7", 15, 8}, {30, "H7", 17, 9}, {50, "H7", 21, 12},
		{10, "D8", 58, 50},
		{3, "H8", 11, 6}, {6, "H8", 15, 8}, {10, "H8", 18, 10}, {18, "H8", 22, 12}, {30, "H8", 28, 16}, {50, "H8", 33, 19},
	} {
		l, err := limits.Hole(c.class, mm(c.size))
		if err != nil {
			t.Fatal(err)
		}
		got, err := reamersize.ForHole(l.Of(mm(c.size)))
		if err != nil || got.Greatest != mm(c.size)+um(c.upper) || got.Least != mm(c.size)+um(c.lower) {
			t.Errorf("%v %s: %v to %v, %v; printed +%v/+%v", c.size, c.class, got.Least, got.Greatest, err, c.upper, c.lower)
		}
	}
	// 50 to 80 mm is outside the table of limits; the rule needs the limits only.
	got, err := reamersize.ForHole(mm(60), mm(60.03))
	if err != nil || got.Greatest != mm(60.025) || got.Least != mm(60.014) {
		t.Errorf("60 H7: %v to %v, %v; printed +25/+14", got.Least, got.Greatest, err)
	}
}

func TestAReamerLiesInItsHole(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		least := length.Length(rapid.Int64Range(1, int64(mm(100))).Draw(t, "least"))
		it := length.Length(rapid.Int64Range(1, int64(mm(1))).Draw(t, "tolerance"))
		got, err := reamersize.ForHole(least, least+it)
		if err != nil {
			if !errors.Is(err, reamersize.ErrHole) || it > um(3) {
				t.Fatalf("tolerance %v: %v", it, err)
			}
			return
		}
		if got.Least < least || got.Greatest >= least+it || got.Least >= got.Greatest {
			t.Errorf("%v to %v for a hole from %v to %v", got.Least, got.Greatest, least, least+it)
		}
		// Rounded up, never by a whole micrometre, and to whole ones.
		for _, part := range []struct{ got, hundredths length.Length }{{got.Overcut, 15}, {got.Tolerance, 35}} {
			if over := 100*part.got - part.hundredths*it; over < 0 || over >= 100*um(1) || part.got%um(1) != 0 {
				t.Errorf("%v for %v %% of %v", part.got, part.hundredths, it)
			}
		}
		steps := got.Derivation()
		if steps[3].Result.Value != got.Greatest.Millimetres() || steps[4].Result.Value != got.Least.Millimetres() {
			t.Errorf("derived %v", steps)
		}
	})
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	for name, c := range map[string][2]length.Length{
		"no hole at all": {0, um(10)}, "the wrong way round": {mm(8), mm(7)}, "no tolerance": {mm(8), mm(8)},
		"a tolerance of 1.9 µm": {mm(8), mm(8) + 1900}, "a hole below nothing": {mm(-8), mm(8)}, "beyond any length": {mm(8), 1 << 62},
	} {
		if got, err := reamersize.ForHole(c[0], c[1]); !errors.Is(err, reamersize.ErrHole) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}
