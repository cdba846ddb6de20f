package wear

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/reading"
)

func on(day string) time.Time {
	t, err := time.Parse("2006-01-02", day)
	if err != nil {
		panic(err)
	}
	return t.Add(12 * time.Hour)
}

func shows(day string, v float64, unit string) Distance {
	return Distance{TakenAt: on(day), Shown: v, Unit: unit}
}

func replacedAt(day string, v float64, unit string, previous *float64) Distance {
	d := shows(day, v, unit)
	d.Replaced, d.Previous = true, previous
	return d
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-9*(1+math.Abs(want)) {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

func TestRoadJoinsOdometers(t *testing.T) {
	t.Parallel()
	last := 1050.0
	// A mile is 1.609344 km exactly (international yard and pound agreement, 1959).
	r := travelled([]Distance{shows("2024-01-01", 1000, "km"), replacedAt("2024-03-01", 5, "km", &last), shows("2024-05-01", 105, "km"), shows("2024-06-01", 200/1.609344, "mi")})
	if r.broken || r.fell || r.unit != "mi" {
		t.Errorf("%+v", r)
	}
	for i, want := range []float64{1000, 1050, 1150, 1245} {
		near(t, "gone", r.km[i], want)
	}
	x, known := r.where(on("2024-01-31")) // half of the sixty days
	near(t, "half way", x*1.609344, 1025)
	if !known {
		t.Error("between two readings the distance is known")
	}
	if _, known = r.where(on("2023-12-28")); !known {
		t.Error("within a week the first reading is taken")
	}
	if _, known = r.where(on("2023-12-01")); known {
		t.Error("a month before the first reading nothing is known")
	}
	if _, known = r.where(on("2024-07-01")); known {
		t.Error("a month after the last reading nothing is known")
	}
	if _, known = travelled(nil).where(on("2024-07-01")); known {
		t.Error("without readings nothing is known")
	}
}

func TestRoadBreaksWhereNobodyKnows(t *testing.T) {
	t.Parallel()
	r := travelled([]Distance{shows("2024-01-01", 1000, "km"), replacedAt("2024-03-01", 5, "km", nil), shows("2024-05-01", 105, "km")})
	if !r.broken || r.fell || len(r.km) != 2 || r.km[1] != 105 {
		t.Errorf("%+v", r)
	}
	r = travelled([]Distance{shows("2024-01-01", 1000, "km"), shows("2024-03-01", 5, "km")})
	if !r.broken || !r.fell {
		t.Errorf("an odometer that fell and was not replaced: %+v", r)
	}
	// Replaced twice, the second time known.
	last := 300.0
	r = travelled([]Distance{shows("2024-01-01", 1000, "km"), replacedAt("2024-02-01", 0, "km", nil), replacedAt("2024-03-01", 7, "km", &last), shows("2024-04-01", 17, "km")})
	if len(r.km) != 3 || r.km[2] != 310 {
		t.Errorf("%+v", r)
	}
}

func TestDistancesMustFitTheirNeighbours(t *testing.T) {
	t.Parallel()
	now := on("2026-01-01")
	low, high := 900.0, 1100.0
	before, after := shows("2024-01-01", 1000, "km"), shows("2024-12-01", 2000, "km")
	told, untold := replacedAt("2024-12-01", 3, "km", &high), replacedAt("2024-12-01", 3, "km", nil)
	for _, c := range []struct {
		name  string
		d     Distance
		after *Distance
		at    string
	}{
		{"between", shows("2024-05-01", 1500, "km"), &after, ""},
		{"equal", shows("2024-05-01", 1000, "km"), &after, ""},
		{"less than before", shows("2024-05-01", 999, "km"), &after, "/shown"},
		{"in miles", shows("2024-05-01", 999, "mi"), &after, ""},
		{"more than after", shows("2024-05-01", 1300, "mi"), &after, "/shown"},
		{"replaced", replacedAt("2024-05-01", 10, "km", nil), &after, ""},
		{"replaced, with less than before", replacedAt("2024-05-01", 10, "km", &low), &after, "/previous"},
		{"more than one showed last", shows("2024-05-01", 1200, "km"), &told, "/shown"},
		{"before one of which nobody knows", shows("2024-05-01", 1200, "km"), &untold, ""},
		{"previous of none replaced", Distance{TakenAt: on("2024-05-01"), Shown: 1500, Unit: "km", Previous: &high}, nil, "/previous"},
		{"ahead", shows("2026-02-01", 3000, "km"), nil, "/taken_at"},
	} {
		faults := c.d.Check(&before, c.after, now)
		switch {
		case c.at == "" && len(faults) > 0:
			t.Errorf("%s: %+v", c.name, faults)
		case c.at != "" && (len(faults) != 1 || faults[0].Pointer != c.at):
			t.Errorf("%s: %+v, want one at %s", c.name, faults, c.at)
		}
	}
}

func TestRepairsAreEventsAndFirstReadingsAfterWork(t *testing.T) {
	t.Parallel()
	at := func(day, stage string) reading.Observation {
		return reading.Observation{TakenAt: on(day), Stage: stage}
	}
	got := repairs([]Event{{Kind: Repaired, OccurredAt: on("2024-05-01").Add(-time.Hour)}, {Kind: Repaired, OccurredAt: on("2025-01-01")}, {Kind: Lubricated, OccurredAt: on("2024-08-01")}},
		[]reading.Observation{at("2024-01-01", "assembled"), at("2024-03-01", "as_found"), at("2024-05-01", "reamed"), at("2024-05-02", "assembled"), at("2024-09-01", "cleaned"), at("2025-06-01", "assembled")})
	want := []time.Time{on("2024-05-01"), on("2025-01-01"), on("2025-06-01")}
	if len(got) != len(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	for i := range want {
		if !got[i].Equal(want[i]) {
			t.Errorf("%v, want %v", got[i], want[i])
		}
	}
}

func TestSittingsAreDaysCutByRepairs(t *testing.T) {
	t.Parallel()
	id, other, doubt := uuid.New(), uuid.New(), "far_off"
	at := func(hour int, feature uuid.UUID) reading.Observation {
		return reading.Observation{FeatureID: feature, TakenAt: on("2024-05-01").Add(time.Duration(hour-12) * time.Hour)}
	}
	doubtful := at(10, id)
	doubtful.Doubtful = &doubt
	next := at(12, id)
	next.TakenAt = on("2024-05-02")
	groups := grouped([]reading.Observation{at(9, id), at(9, other), doubtful, at(11, id), at(15, id), next}, id, []time.Time{on("2024-05-01").Add(2 * time.Hour)})
	if len(groups) != 3 || len(groups[0].of) != 2 || groups[1].repairs != 1 || groups[2].repairs != 1 {
		t.Fatalf("%+v", groups)
	}
	if want := on("2024-05-01").Add(-2 * time.Hour); !groups[0].middle().Equal(want) {
		t.Errorf("middle %v, want %v", groups[0].middle(), want)
	}
}

func TestPinIsTheLatestOfTheSameRepair(t *testing.T) {
	t.Parallel()
	p := pins{standard: &Size{9000, 2}, read: []Sitting{
		{At: on("2024-03-01"), Pin: Size{8990, 1}}, {At: on("2024-06-01"), Pin: Size{8980, 1}}, {At: on("2025-06-01"), Repairs: 2, Pin: Size{9100, 1}}}}
	for _, c := range []struct {
		day     string
		repairs int
		want    float64 // 0: not known
	}{
		{"2024-01-01", 0, 8990}, {"2024-03-01", 0, 8990}, {"2024-05-01", 0, 8990}, {"2024-12-01", 0, 8980}, {"2025-01-01", 1, 0}, {"2025-05-01", 2, 9100},
	} {
		size, _, known := p.at(on(c.day), c.repairs)
		if known != (c.want > 0) || size.Value != c.want {
			t.Errorf("%s after %d repairs: %v", c.day, c.repairs, size)
		}
	}
	if size, on, known := (pins{standard: &Size{9000, 2}}).at(on("2024-01-01"), 0); !known || on != nil || size.Value != 9000 {
		t.Errorf("a pin never read is the standard one: %v", size)
	}
	if !strings.Contains(errTaken.Detail, "Send the request again") {
		t.Error(errTaken.Detail)
	}
}
