package limits_test

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/limits"
)

func mm(v float64) length.Length { return length.FromMicrometres(v * 1000) }
func um(v float64) length.Length { return length.FromMicrometres(v) }

// everySize has one size inside each step of ISO 286 up to 50 mm, split steps
// included, and both sides of each boundary.
var everySize = []float64{1, 2, 3, 3.001, 5, 6, 6.001, 8, 10, 10.001, 14, 18, 18.001, 20, 24, 24.001, 28, 30, 30.001, 35, 40, 40.001, 45, 50}

// TestFits compares with published worked examples; testdata/iso286/README.md
// and each row name the source.
func TestFits(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../../testdata/iso286/fits.json")
	if err != nil {
		t.Fatal(err)
	}
	var rows []struct {
		Nominal  float64    `json:"nominal_mm"`
		Hole     string     `json:"hole"`
		Shaft    string     `json:"shaft"`
		HoleUM   [2]float64 `json:"hole_um"`
		ShaftUM  [2]float64 `json:"shaft_um"`
		Least    float64    `json:"min_clearance_um"`
		Greatest float64    `json:"max_clearance_um"`
		Kind     string     `json:"kind"`
		Source   string     `json:"source"`
	}
	if err := json.Unmarshal(raw, &rows); err != nil {
		t.Fatal(err)
	}
	if len(rows) < 9 {
		t.Fatalf("only %d rows", len(rows))
	}
	for _, row := range rows {
		symbol := row.Hole + "/" + row.Shaft
		t.Run(symbol+" at "+mm(row.Nominal).Text(length.Millimetre), func(t *testing.T) {
			t.Parallel()
			fit, err := limits.ParseFit(symbol)
			if err != nil {
				t.Fatal(err)
			}
			got, err := fit.At(mm(row.Nominal))
			if err != nil {
				t.Fatal(err)
			}
			want := limits.Pair{
				Fit: fit, Size: mm(row.Nominal),
				Hole:           limits.Limits{Lower: um(row.HoleUM[0]), Upper: um(row.HoleUM[1])},
				Shaft:          limits.Limits{Lower: um(row.ShaftUM[0]), Upper: um(row.ShaftUM[1])},
				LeastClearance: um(row.Least), GreatestClearance: um(row.Greatest), Kind: limits.Kind(row.Kind),
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("%s\n-want +got\n%s", row.Source, diff)
			}
		})
	}
}

// TestTransitionTurnsInterferenceOverThree is the footnote of the preferred fits
// table of ANSI B4.2-1978: H7/p6 is a transition fit for sizes up to 3 mm.
func TestTransitionTurnsInterferenceOverThree(t *testing.T) {
	t.Parallel()
	fit := limits.Fit{Hole: "H7", Shaft: "p6"}
	for size, want := range map[float64]limits.Kind{3: limits.Transition, 3.001: limits.Interference, 25: limits.Interference} {
		got, err := fit.At(mm(size))
		if err != nil || got.Kind != want {
			t.Errorf("%v mm: got %v, %v; want %v", size, got.Kind, err, want)
		}
	}
}

// The structural rules below are those by which ISO 286-1 builds its tables;
// they do not depend on how a table was copied.

func TestEveryZoneHasTheWidthOfItsGrade(t *testing.T) {
	t.Parallel()
	checked := 0
	for _, classes := range [][]string{limits.HoleClasses(), limits.ShaftClasses()} {
		for _, class := range classes {
			grade := "IT" + strings.TrimLeft(class, "ABCDEFGHJKMNPRSTUVXYZabcdefghjkmnprstuvxyz")
			served := 0
			for _, size := range everySize {
				zone, err := zoneOf(class, mm(size))
				if errors.Is(err, limits.ErrSize) {
					continue
				}
				if err != nil {
					t.Errorf("%s at %v mm: %v", class, size, err)
					continue
				}
				served++
				width, err := limits.Grade(grade, mm(size))
				if err != nil {
					t.Errorf("%s at %v mm: %v", grade, size, err)
				}
				if zone.Width() != width {
					t.Errorf("%s at %v mm is %v wide, %s is %v", class, size, zone.Width(), grade, width)
				}
				checked++
			}
			if served == 0 || limits.Printed(class) && served != len(everySize) {
				t.Errorf("%s is served at %d of %d sizes", class, served, len(everySize))
			}
		}
	}
	if checked < 10000 {
		t.Errorf("only %d zones checked", checked)
	}
}

func zoneOf(class string, size length.Length) (limits.Limits, error) {
	if class[0] < 'a' {
		return limits.Hole(class, size)
	}
	return limits.Shaft(class, size)
}

func TestHolesMirrorShafts(t *testing.T) {
	t.Parallel()
	checked := 0
	for _, hole := range limits.HoleClasses() {
		shaft := strings.ToLower(hole)
		if hole[0] > 'H' {
			continue
		}
		for _, size := range everySize {
			h, err := limits.Hole(hole, mm(size))
			s, other := limits.Shaft(shaft, mm(size))
			if (err == nil) != (other == nil) {
				t.Errorf("%v mm: %v, %v", size, err, other)
			}
			if h.Lower != -s.Upper {
				t.Errorf("%s begins at %v, %s ends at %v, %v mm", hole, h.Lower, shaft, s.Upper, size)
			}
			checked++
		}
	}
	if checked != 12*11*len(everySize) {
		t.Errorf("%d checked", checked)
	}
}

// TestDeltaRule: for holes K, M and N up to IT8 and P to ZC up to IT7, ES = -ei + (ITn - IT(n-1)) over 3 mm and
// ES = -ei up to 3 mm, so that H7/p6 and P7/h6 have the same clearances. Here it
// is said as that: hole basis and shaft basis with the shaft one grade finer agree.
func TestDeltaRule(t *testing.T) {
	t.Parallel()
	checked := 0
	for _, letter := range []string{"K", "M", "N", "P", "R", "S", "T", "U", "V", "X", "Y", "Z", "ZA", "ZB", "ZC"} {
		for n := 5; n <= 8; n++ {
			if n == 8 && letter > "N" {
				break
			}
			hole := limits.Fit{Hole: fmt.Sprint(letter, n), Shaft: fmt.Sprint("h", n-1)}
			shaft := limits.Fit{Hole: fmt.Sprint("H", n), Shaft: fmt.Sprint(strings.ToLower(letter), n-1)}
			for _, size := range everySize {
				onShaft, err := hole.At(mm(size))
				onHole, other := shaft.At(mm(size))
				if (err == nil) != (other == nil) {
					t.Errorf("%v mm: %v, %v", size, err, other)
				}
				if err != nil {
					continue
				}
				if size <= 3 {
					// Up to 3 mm the rule is ES = -ei without a step, so the least
					// clearances differ by the grades' difference.
					if onShaft.Hole.Upper != -onHole.Shaft.Lower {
						t.Errorf("%v at %v mm ends at %v, %v begins at %v", hole, size, onShaft.Hole.Upper, shaft, onHole.Shaft.Lower)
					}
				} else if onShaft.LeastClearance != onHole.LeastClearance || onShaft.GreatestClearance != onHole.GreatestClearance {
					t.Errorf("%v mm: %v leaves %v to %v, %v %v to %v", size, hole, onShaft.LeastClearance, onShaft.GreatestClearance,
						shaft, onHole.LeastClearance, onHole.GreatestClearance)
				}
				checked++
			}
		}
	}
	if checked < 700 {
		t.Errorf("only %d fits compared", checked)
	}
}

func TestSymmetricZonesKeepHalfMicrometres(t *testing.T) {
	t.Parallel()
	got, err := limits.Hole("JS7", mm(8))
	if err != nil {
		t.Fatal(err)
	}
	// IT7 from 6 to 10 mm is 15 µm; half of it is 7.5, not the 7 of older print.
	if diff := cmp.Diff(limits.Limits{Lower: um(-7.5), Upper: um(7.5)}, got); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}

func TestGradesGrowWithSizeAndNumber(t *testing.T) {
	t.Parallel()
	if diff := cmp.Diff([]string{"IT1", "IT2", "IT3", "IT4", "IT5", "IT6", "IT7", "IT8", "IT9", "IT10", "IT11", "IT12"}, limits.Grades()); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
	previous := map[string]length.Length{}
	for _, size := range everySize {
		var below length.Length
		for _, grade := range limits.Grades() {
			width, err := limits.Grade(grade, mm(size))
			if err != nil {
				t.Fatal(err)
			}
			if width <= below || width < previous[grade] {
				t.Errorf("%s at %v mm is %v after %v and %v", grade, size, width, below, previous[grade])
			}
			below, previous[grade] = width, width
		}
	}
}

// TestInchFits: examples of ANSI B4.1-1967 as printed in Machinery's Handbook,
// 31st edition, and places where copies of its tables are known to be wrong.
func TestInchFits(t *testing.T) {
	t.Parallel()
	thou := func(v float64) length.Length { return length.FromMicrometres(v * 25.4) }
	rows := map[string]struct {
		class           string
		inches          string
		hole, shaft     [2]float64
		least, greatest float64
		kind            limits.Kind
	}{
		"half an inch RC4": {"RC4", "0.500 in", [2]float64{0, 1}, [2]float64{-1.3, -0.6}, 0.6, 2.3, limits.Clearance},
		"one inch FN2":     {"FN2", "1.000 in", [2]float64{0, 0.8}, [2]float64{1.4, 1.9}, -1.9, -0.6, limits.Interference},
		"three quarters LN2, just touching at one end":  {"LN2", "0.750 in", [2]float64{0, 0.8}, [2]float64{0.8, 1.3}, -1.3, 0, limits.Interference},
		"LC8 below 0.12 in, whose printed pair is cut":  {"LC8", "0.1 in", [2]float64{0, 1.6}, [2]float64{-2, -1}, 1, 3.6, limits.Clearance},
		"RC3 to 0.24 in, 1.12 in one misprint":          {"RC3", "0.2 in", [2]float64{0, 0.5}, [2]float64{-0.7, -0.4}, 0.4, 1.2, limits.Clearance},
		"a boundary belongs to the step it closes":      {"RC4", "0.71 in", [2]float64{0, 1}, [2]float64{-1.3, -0.6}, 0.6, 2.3, limits.Clearance},
		"just over a boundary belongs to the next step": {"RC4", "0.71001 in", [2]float64{0, 1.2}, [2]float64{-1.6, -0.8}, 0.8, 2.8, limits.Clearance},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			size, err := length.Parse(row.inches)
			if err != nil {
				t.Fatal(err)
			}
			got, err := limits.InchFit(row.class, size.Length())
			if err != nil {
				t.Fatal(err)
			}
			want := limits.Pair{
				Inch: row.class, Size: size.Length(),
				Hole:           limits.Limits{Lower: thou(row.hole[0]), Upper: thou(row.hole[1])},
				Shaft:          limits.Limits{Lower: thou(row.shaft[0]), Upper: thou(row.shaft[1])},
				LeastClearance: thou(row.least), GreatestClearance: thou(row.greatest), Kind: row.kind,
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("-want +got\n%s", diff)
			}
		})
	}
}

// TestPrintedClearances compares hole minus shaft with the clearance pair that the
// handbook prints beside them, for every row where the print was seen.
func TestPrintedClearances(t *testing.T) {
	t.Parallel()
	file, err := os.Open("asme_b41.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, row := range rows[1:] {
		class, upTo, least, greatest, printed := row[0], row[2], row[7], row[8], row[9]
		size, err := length.Parse(upTo + " in")
		if err != nil {
			t.Fatal(err)
		}
		got, err := limits.InchFit(class, size.Length())
		if err != nil {
			t.Fatal(err)
		}
		if printed != "agrees" {
			continue
		}
		seen++
		if got.LeastClearance.Decimal(length.Thou) != least || got.GreatestClearance.Decimal(length.Thou) != greatest {
			t.Errorf("%s at %s in: clearance %v to %v thou, printed %s to %s", class, upTo,
				got.LeastClearance.Decimal(length.Thou), got.GreatestClearance.Decimal(length.Thou), least, greatest)
		}
	}
	if seen != 181 {
		t.Errorf("%d printed pairs, 181 were seen when the table was made", seen)
	}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		ask  func() error
		kind error
		says string
	}{
		"a class that is not served":       {func() error { _, err := limits.Hole("Q9", mm(10)); return err }, limits.ErrClass, "H7"},
		"a shaft asked as a hole":          {func() error { _, err := limits.Hole("g6", mm(10)); return err }, limits.ErrClass, "is a shaft"},
		"a hole asked as a shaft":          {func() error { _, err := limits.Shaft("H7", mm(10)); return err }, limits.ErrClass, "is a hole"},
		"a grade of J that has no values":  {func() error { _, err := limits.Hole("J9", mm(10)); return err }, limits.ErrClass, "J from 6 to 8"},
		"K above IT8 over 3 mm":            {func() error { _, err := limits.Hole("K9", mm(3.001)); return err }, limits.ErrSize, "up to 3 mm"},
		"t below 24 mm":                    {func() error { _, err := limits.Shaft("t6", mm(24)); return err }, limits.ErrSize, "over 24 mm"},
		"cd above 10 mm":                   {func() error { _, err := limits.Hole("CD7", mm(10.001)); return err }, limits.ErrSize, "up to 10 mm"},
		"a at 1 mm itself":                 {func() error { _, err := limits.Shaft("a11", mm(1)); return err }, limits.ErrSize, "over 1 mm"},
		"N above IT8 at 1 mm itself":       {func() error { _, err := limits.Hole("N9", mm(1)); return err }, limits.ErrSize, "over 1 mm"},
		"a delta finer than IT3":           {func() error { _, err := limits.Hole("P2", mm(10)); return err }, limits.ErrSize, "up to 3 mm"},
		"a size below the table":           {func() error { _, err := limits.Hole("H7", mm(0.999)); return err }, limits.ErrSize, "from 1 mm to 50 mm"},
		"a size above the table":           {func() error { _, err := limits.Hole("H7", mm(50.001)); return err }, limits.ErrSize, "50.001 mm"},
		"a negative size":                  {func() error { _, err := limits.Shaft("g6", mm(-10)); return err }, limits.ErrSize, "-10 mm"},
		"a grade that is not served":       {func() error { _, err := limits.Grade("IT13", mm(10)); return err }, limits.ErrClass, "IT12"},
		"a symbol without a stroke":        {func() error { _, err := limits.ParseFit("H7g6"); return err }, limits.ErrSymbol, "H7/g6"},
		"a symbol without a shaft":         {func() error { _, err := limits.ParseFit("H7/"); return err }, limits.ErrSymbol, "H7/g6"},
		"a symbol the wrong way round":     {func() error { _, err := limits.ParseFit("g6/H7"); return err }, limits.ErrClass, "is a shaft"},
		"an unknown inch class":            {func() error { _, err := limits.InchFit("RC10", mm(10)); return err }, limits.ErrClass, "RC9"},
		"FN3 below 0.95 in, without value": {func() error { _, err := limits.InchFit("FN3", mm(24.13)); return err }, limits.ErrSize, "over 0.95 in"},
		"LT3 below 0.24 in, without value": {func() error { _, err := limits.InchFit("LT3", mm(6)); return err }, limits.ErrSize, "over 0.24 in"},
		"LT4 below 0.24 in, without value": {func() error { _, err := limits.InchFit("LT4", mm(6.096)); return err }, limits.ErrSize, "over 0.24 in"},
		"LC8 above 1.19 in, not tabulated": {func() error { _, err := limits.InchFit("LC8", mm(31)); return err }, limits.ErrSize, "up to 1.19 in"},
		"an inch size of nothing":          {func() error { _, err := limits.InchFit("RC4", 0); return err }, limits.ErrSize, "over 0 in"},
		"an endless class":                 {func() error { _, err := limits.Hole(strings.Repeat("H", 1<<16), mm(10)); return err }, limits.ErrClass, "…"},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			err := row.ask()
			if !errors.Is(err, row.kind) || !strings.Contains(err.Error(), row.says) {
				t.Errorf("got %v; want kind %q saying %q", err, row.kind, row.says)
			}
		})
	}
}

func TestEveryPairOfClassesMakesOneKindOfFit(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		fit := limits.Fit{
			Hole:  rapid.SampledFrom(limits.HoleClasses()).Draw(t, "hole"),
			Shaft: rapid.SampledFrom(limits.ShaftClasses()).Draw(t, "shaft"),
		}
		size := length.Length(rapid.Int64Range(int64(limits.Smallest), int64(limits.Largest)).Draw(t, "size"))
		p, err := fit.At(size)
		if errors.Is(err, limits.ErrSize) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		back, err := limits.ParseFit(fit.String())
		if err != nil || back != fit {
			t.Errorf("%v read back as %v, %v", fit, back, err)
		}
		// The width of the fit is the sum of both tolerances, whatever the letters.
		if p.GreatestClearance-p.LeastClearance != p.Hole.Width()+p.Shaft.Width() {
			t.Errorf("%v: %v to %v from widths %v and %v", fit, p.LeastClearance, p.GreatestClearance, p.Hole.Width(), p.Shaft.Width())
		}
		low, high := p.Hole.Of(size)
		least, greatest := p.Shaft.Of(size)
		if low-greatest != p.LeastClearance || high-least != p.GreatestClearance {
			t.Errorf("%v: limits of size do not give the clearances", fit)
		}
	})
}

func FuzzParseFit(f *testing.F) {
	for _, seed := range []string{"H7/g6", " H7 / g6 ", "H7", "/", "JS7/u6", "H7/g6/k6", "h7/G6"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, symbol string) {
		fit, err := limits.ParseFit(symbol)
		if err != nil {
			if !errors.Is(err, limits.ErrSymbol) && !errors.Is(err, limits.ErrClass) {
				t.Fatalf("%q: error of no kind: %v", symbol, err)
			}
			return
		}
		if back, err := limits.ParseFit(fit.String()); err != nil || back != fit {
			t.Fatalf("%q gave %v, which came back as %v, %v", symbol, fit, back, err)
		}
	})
}

func BenchmarkFitAt(b *testing.B) {
	fit := limits.Fit{Hole: "H7", Shaft: "g6"}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := fit.At(45_000_000); err != nil {
			b.Fatal(err)
		}
	}
}
