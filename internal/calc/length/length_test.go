package length_test

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinwright/internal/calc/length"
)

func TestTextIsTheShortestThatIsExact(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		l    length.Length
		unit length.Unit
		want string
	}{
		"millimetres":                {8_077_200, length.Millimetre, "8.0772 mm"},
		"the same in inches":         {8_077_200, length.Inch, "0.318 in"},
		"the same in thou":           {8_077_200, length.Thou, "318 thou"},
		"the same in micrometres":    {8_077_200, length.Micrometre, "8077.2 um"},
		"a metric size in inches":    {8_000_000, length.Inch, "0.31496063 in"},
		"one nanometre in inches":    {1, length.Inch, "0.00000004 in"},
		"one nanometre in thou":      {1, length.Thou, "0.00004 thou"},
		"an interference":            {-12_000, length.Millimetre, "-0.012 mm"},
		"nothing":                    {0, length.Millimetre, "0 mm"},
		"whole tens keep their zero": {10_000_000, length.Millimetre, "10 mm"},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(row.want, row.l.Text(row.unit)); diff != "" {
				t.Errorf("-want +got\n%s", diff)
			}
		})
	}
}

func TestRoundedKeepsItsPlaces(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		l      length.Length
		unit   length.Unit
		places int
		want   string
	}{
		"a reamer in thousandths":        {8_077_200, length.Inch, 3, "0.318 in"},
		"trailing zeros stay":            {9_100_000, length.Millimetre, 3, "9.100 mm"},
		"half goes down to even":         {2_500, length.Micrometre, 0, "2 um"},
		"half goes up to even":           {3_500, length.Micrometre, 0, "4 um"},
		"half below zero goes to even":   {-2_500, length.Micrometre, 0, "-2 um"},
		"a rounded-off minus disappears": {-400, length.Micrometre, 0, "0 um"},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(row.want, row.l.Rounded(row.unit, row.places)); diff != "" {
				t.Errorf("-want +got\n%s", diff)
			}
		})
	}
}

// TestTextWithUncertainty follows JCGM 100:2008, 7.2.6; its numbers 10.47 -> 11
// and 28.05 -> 28 are the guide's (from memory).
func TestTextWithUncertainty(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		l, expanded length.Length
		unit        length.Unit
		want        string
	}{
		"the guide's 10.47 becomes 11":                {9_121_300, 10_470, length.Millimetre, "9.121 ± 0.011 mm"},
		"the guide's 28.05 becomes 28":                {9_121_300, 28_050, length.Millimetre, "9.121 ± 0.028 mm"},
		"a little more than that is rounded up":       {9_121_300, 28_060, length.Millimetre, "9.121 ± 0.029 mm"},
		"a second digit of zero is left off":          {9_121_300, 6_000, length.Millimetre, "9.121 ± 0.006 mm"},
		"but not where rounding would weigh":          {9_121_300, 2_000, length.Millimetre, "9.1213 ± 0.0020 mm"},
		"rounding up into the next power of ten":      {9_121_300, 9_960, length.Millimetre, "9.121 ± 0.010 mm"},
		"the value is rounded half to even":           {9_121_500, 12_000, length.Millimetre, "9.122 ± 0.012 mm"},
		"the value is rounded half to even, downward": {9_122_500, 12_000, length.Millimetre, "9.122 ± 0.012 mm"},
		"inches":                        {8_077_200, 5_800, length.Inch, "0.31800 ± 0.00023 in"},
		"thou":                          {8_077_200, 5_800, length.Thou, "318.00 ± 0.23 thou"},
		"an uncertainty above the unit": {9_121_300, 1_210_000, length.Micrometre, "9100 ± 1300 um"},
		"a small uncertainty":           {9_121_300, 67, length.Millimetre, "9.121300 ± 0.000067 mm"},
		"one nanometre":                 {9_121_300, 1, length.Micrometre, "9121.3000 ± 0.0010 um"},
		"no uncertainty":                {9_121_300, 0, length.Millimetre, "9.1213 mm"},
		"an interference":               {-12_340, 5_100, length.Micrometre, "-12.3 ± 5.1 um"},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(row.want, row.l.TextWithUncertainty(row.unit, row.expanded)); diff != "" {
				t.Errorf("-want +got\n%s", diff)
			}
		})
	}
}

func TestTextReadsBackToTheSameLength(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l := length.Length(rapid.Int64Range(-int64(length.Limit), int64(length.Limit)).Draw(t, "nanometres"))
		unit := rapid.SampledFrom(length.Units()).Draw(t, "unit")
		q, err := length.Parse(l.Text(unit))
		if err != nil {
			t.Fatal(err)
		}
		if q.Length() != l {
			t.Errorf("%v wrote %q, which reads %v", l, l.Text(unit), q.Length())
		}
		made, err := l.Quantity(unit)
		if err != nil || made != q {
			t.Errorf("Quantity gave %v, %v; want %v", made, err, q)
		}
		if got := length.FromMicrometres(l.Micrometres()); got != l {
			t.Errorf("%v through micrometres became %v", l, got)
		}
	})
}

func TestShownUncertaintyIsNeverTooSmall(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		expanded := length.Length(rapid.Int64Range(1, 1_000_000_000).Draw(t, "expanded"))
		text := length.Length(0).TextWithUncertainty(length.Micrometre, expanded)
		q, err := length.Parse(text[len("0 ± ")+countZeros(text):])
		if err != nil {
			t.Fatal(err)
		}
		// At most a twentieth of the second digit (half a percent) may be lost, at
		// most one unit of it (ten percent) gained.
		ratio := float64(q.Length()) / float64(expanded)
		if expanded > 100 && (ratio < 0.995 || ratio > 1.1) {
			t.Errorf("%v is shown as %q", expanded, text)
		}
	})
}

// countZeros is how many characters the value 0 has beyond the first.
func countZeros(text string) int {
	for i := range text {
		if text[i] == ' ' {
			return i - 1
		}
	}
	return 0
}

func TestFromMicrometresRefusesWhatIsNoLength(t *testing.T) {
	t.Parallel()
	for name, um := range map[string]float64{"not a number": math.NaN(), "infinite": math.Inf(-1), "a light year": 9.46e21} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			defer func() {
				if recover() == nil {
					t.Errorf("%v was taken as %v", um, length.FromMicrometres(um))
				}
			}()
			length.FromMicrometres(um)
		})
	}
}

func TestEveryUnitHasItsCode(t *testing.T) {
	t.Parallel()
	// UCUM, tables of customary units: [in_i] international inch, [mil_i] mil.
	want := map[length.Unit]string{"mm": "mm", "um": "um", "in": "[in_i]", "thou": "[mil_i]"}
	got := map[length.Unit]string{}
	for _, unit := range length.Units() {
		got[unit] = unit.UCUM()
		if back, err := length.ParseUnit(unit.UCUM()); err != nil || back != unit {
			t.Errorf("code %q reads as %v, %v", unit.UCUM(), back, err)
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}
