package limits_test

import (
	"encoding/csv"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/limits"
)

// TestRulesGiveThePrintedRows works every class of the transcribed tables of ISO
// 286-2 out by the rules of ISO 286-1 and compares each row at both ends and in
// the middle of its step.
func TestRulesGiveThePrintedRows(t *testing.T) {
	t.Parallel()
	file, err := os.Open("iso286.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	parse := func(text string, unit length.Unit) length.Length {
		q, err := length.New(text, unit)
		if err != nil {
			t.Fatal(err)
		}
		return q.Length()
	}
	for _, row := range rows[1:] {
		over, upTo := parse(row[0], length.Millimetre), parse(row[1], length.Millimetre)
		class := row[2]
		want := limits.Limits{Lower: parse(row[3], length.Micrometre), Upper: parse(row[4], length.Micrometre)}
		for _, size := range []length.Length{max(over+1, limits.Smallest), (max(over, limits.Smallest) + upTo) / 2, upTo} {
			zone, err := zoneAt(class, size, row[5] == "hole")
			if err != nil {
				t.Errorf("%s at %v: %v", class, size, err)
			}
			if diff := cmp.Diff(want, zone.Limits); diff != "" || !zone.Printed || size <= zone.Over || size > zone.UpTo {
				t.Errorf("%s at %v, step %v to %v\n-printed +by the rules\n%s", class, size, zone.Over, zone.UpTo, diff)
			}
		}
	}
	if len(rows) != 249 {
		t.Errorf("%d rows", len(rows))
	}
}

func zoneAt(class string, size length.Length, hole bool) (limits.Zone, error) {
	if hole {
		return limits.HoleZone(class, size)
	}
	return limits.ShaftZone(class, size)
}

// TestPublishedRowsBeyondTheTranscription compares classes that are not in the
// embedded rows with print. None of these rows was used to build anything.
func TestPublishedRowsBeyondTheTranscription(t *testing.T) {
	t.Parallel()
	const (
		jis      = "JIS B 0401 (1999), regularly used shaft fits, as copied in a toolmaker's catalogue"
		bearing  = "shaft tolerances and resultant fits, a bearing maker's table"
		cor      = "ISO 286-2:1988, technical corrigendum 1:2006, table 11"
		keys     = "DIN 6885-1, keyways, from memory"
		housings = "housing fits of rolling bearings, from memory"
		b42      = "ANSI B4.2-1978, preferred fits, from memory"
	)
	for _, row := range []struct {
		size         float64
		class        string
		lower, upper float64
		source       string
	}{
		{3, "b9", -165, -140, jis}, {6, "b9", -170, -140, jis}, {10, "b9", -186, -150, jis}, {14, "b9", -193, -150, jis}, {30, "b9", -212, -160, jis}, {40, "b9", -232, -170, jis}, {50, "b9", -242, -180, jis},
		{3, "c9", -85, -60, jis}, {6, "c9", -100, -70, jis}, {10, "c9", -116, -80, jis}, {18, "c9", -138, -95, jis}, {24, "c9", -162, -110, jis}, {40, "c9", -182, -120, jis}, {50, "c9", -192, -130, jis},
		{3, "d8", -34, -20, jis}, {6, "d8", -48, -30, jis}, {10, "d8", -62, -40, jis}, {18, "d8", -77, -50, jis}, {30, "d8", -98, -65, jis}, {50, "d8", -119, -80, jis},
		{3, "e7", -24, -14, jis}, {6, "e7", -32, -20, jis}, {10, "e7", -40, -25, jis}, {18, "e7", -50, -32, jis}, {30, "e7", -61, -40, jis}, {50, "e7", -75, -50, jis},
		{3, "e9", -39, -14, jis}, {6, "e9", -50, -20, jis}, {10, "e9", -61, -25, jis}, {18, "e9", -75, -32, jis}, {30, "e9", -92, -40, jis}, {50, "e9", -112, -50, jis},
		{3, "x6", 20, 26, jis}, {6, "x6", 28, 36, jis}, {10, "x6", 34, 43, jis}, {14, "x6", 40, 51, jis}, {18, "x6", 45, 56, jis}, {24, "x6", 54, 67, jis}, {30, "x6", 64, 77, jis},
		{30, "t6", 41, 54, jis}, {40, "t6", 48, 64, jis}, {50, "t6", 54, 70, jis},
		{3, "js5", -2, 2, jis}, {6, "js5", -2.5, 2.5, jis}, {30, "js7", -10.5, 10.5, jis}, {50, "js7", -12.5, 12.5, jis},
		{3, "j5", -2, 2, bearing}, {6, "j5", -2, 3, bearing}, {10, "j5", -2, 4, bearing}, {18, "j5", -3, 5, bearing}, {30, "j5", -4, 5, bearing}, {50, "j5", -5, 6, bearing},
		{3, "j6", -2, 4, bearing}, {6, "j6", -2, 6, bearing}, {10, "j6", -2, 7, bearing}, {18, "j6", -3, 8, bearing}, {30, "j6", -4, 9, bearing}, {50, "j6", -5, 11, bearing},
		{3, "f5", -10, -6, bearing}, {6, "f5", -15, -10, bearing}, {10, "f5", -19, -13, bearing}, {18, "f5", -24, -16, bearing}, {30, "f5", -29, -20, bearing}, {50, "f5", -36, -25, bearing},
		{25, "R10", -112, -28, cor},
		{8, "N9", -36, 0, keys}, {8, "P9", -51, -15, keys}, {8, "JS9", -18, 18, keys}, {8, "D10", 40, 98, keys}, {14, "N9", -43, 0, keys}, {14, "P9", -61, -18, keys}, {3, "N9", -29, -4, keys}, {3, "P9", -31, -6, keys},
		{25, "K6", -11, 2, housings}, {25, "M6", -17, -4, housings}, {25, "N6", -24, -11, housings}, {25, "P6", -31, -18, housings}, {40, "M8", -34, 5, housings}, {25, "J7", -9, 12, housings}, {25, "J6", -5, 8, housings},
		{25, "c11", -240, -110, b42}, {25, "C11", 110, 240, b42}, {25, "U7", -61, -40, b42}, {40, "U7", -76, -51, b42}, {20, "U7", -54, -33, b42},
		{2, "cd7", -44, -34, "ISO 286-1, deviation and grade"}, {8, "ef8", -40, -18, "ISO 286-1, deviation and grade"}, {5, "fg6", -14, -6, "ISO 286-1, deviation and grade"},
		{20, "k8", 0, 33, "ISO 286-1: k begins at zero outside IT4 to IT7"}, {20, "k3", 0, 4, "ISO 286-1: k begins at zero outside IT4 to IT7"}, {2, "K10", -40, 0, "ISO 286-1: K up to 3 mm"},
		{20, "M9", -60, -8, "ISO 286-1: M above IT8 has no delta"},
	} {
		got, err := zoneAt(row.class, mm(row.size), row.class[0] < 'a')
		if err != nil {
			t.Errorf("%s at %v mm: %v (%s)", row.class, row.size, err, row.source)
			continue
		}
		if want := (limits.Limits{Lower: um(row.lower), Upper: um(row.upper)}); got.Limits != want {
			t.Errorf("%s at %v mm: %v to %v by %q; printed %v to %v (%s)", row.class, row.size, got.Lower, got.Upper, got.Rule.Formula(), want.Lower, want.Upper, row.source)
		}
		if got.Printed {
			t.Errorf("%s proves nothing: it is in the transcribed tables", row.class)
		}
	}
}

// TestStepsMeet: a class changes just above the end of its step, never at it, and
// its steps leave no gap.
func TestStepsMeet(t *testing.T) {
	t.Parallel()
	for _, hole := range []bool{true, false} {
		classes := limits.ShaftClasses()
		if hole {
			classes = limits.HoleClasses()
		}
		for _, class := range classes {
			var before limits.Zone
			for size := limits.Smallest; size <= limits.Largest; {
				zone, err := zoneAt(class, size, hole)
				if err != nil {
					size += 500_000
					continue
				}
				if before.UpTo != 0 && zone.Over != before.UpTo {
					t.Fatalf("%s: a step ends at %v, the next begins over %v", class, before.UpTo, zone.Over)
				}
				if end, err := zoneAt(class, zone.UpTo, hole); err != nil || end != zone {
					t.Fatalf("%s changes before the end of its step %v", class, zone.UpTo)
				}
				before, size = zone, zone.UpTo+1
			}
		}
	}
}

func BenchmarkShaftZone(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := limits.ShaftZone("zc11", 45_000_000); err != nil {
			b.Fatal(err)
		}
	}
}
