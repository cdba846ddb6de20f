package tariff_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"pinwright/internal/club"
	"pinwright/internal/tariff"
)

// Days late are the midnights of the garage's clock between when a tool was due and when
// it came back, whatever the clock does meanwhile.
func TestDaysLateAreMidnightsOfTheGaragesClock(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		zone, due, back string
		want            int
	}{
		"an hour late on the same day":           {"Europe/Lisbon", "2026-06-01T18:00:00Z", "2026-06-01T19:00:00Z", 0},
		"past midnight in Lisbon, not in UTC":    {"Europe/Lisbon", "2026-06-01T18:00:00Z", "2026-06-01T23:30:00Z", 1},
		"past midnight in UTC, not in St John's": {"America/St_Johns", "2026-06-01T20:00:00Z", "2026-06-02T02:00:00Z", 0},
		"over the night of 23 hours":             {"Europe/Lisbon", "2026-03-28T23:30:00Z", "2026-03-29T23:30:00Z", 2},
		"over the night of 25 hours":             {"Europe/Lisbon", "2026-10-24T22:30:00Z", "2026-10-25T23:30:00Z", 1},
		"back early":                             {"UTC", "2026-06-05T00:00:00Z", "2026-06-01T00:00:00Z", 0},
		"due at midnight, back within the day":   {"UTC", "2026-06-05T00:00:00Z", "2026-06-05T23:59:59Z", 0},
	} {
		due, err := time.Parse(time.RFC3339, c.due)
		if err != nil {
			t.Fatal(err)
		}
		back, err := time.Parse(time.RFC3339, c.back)
		if err != nil {
			t.Fatal(err)
		}
		if got := tariff.LateDays(c.zone, due, back); got != c.want {
			t.Errorf("%s: %d, want %d", name, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		zone := rapid.SampledFrom([]string{"Europe/Lisbon", "America/Halifax", "Asia/Kathmandu", "Australia/Lord_Howe", "UTC"}).Draw(t, "zone")
		due := time.Unix(rapid.Int64Range(1_700_000_000, 1_900_000_000).Draw(t, "due"), 0)
		back := due.Add(time.Duration(rapid.Int64Range(0, 20*86400).Draw(t, "later")) * time.Second)
		at, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		midnights := 0
		for day := due.In(at).AddDate(0, 0, -1); day.Before(back.AddDate(0, 0, 2)); day = day.AddDate(0, 0, 1) {
			if m := club.DayBegins(at, day); m.After(due) && !m.After(back) {
				midnights++
			}
		}
		if got := tariff.LateDays(zone, due, back); got != midnights {
			t.Fatalf("%s from %s to %s: %d, want %d", zone, due.In(at), back.In(at), got, midnights)
		}
	})
}

func pointer[T any](v T) *T { return &v }

func facts() tariff.Facts {
	return tariff.Facts{Kind: "reamer", Model: "R8", FlatMinor: pointer(int64(150)), Consumables: map[string]int64{"reamer": 20, "press": 7}, CostID: &uuid.UUID{1}, CostNumber: 3,
		CostMinor: pointer(int64(1000)), Sharpenings: pointer(0), SharpeningMinor: pointer(int64(0)), ResidualMinor: pointer(int64(0)), Life: pointer(int64(30)), Unit: pointer("holes")}
}

func TestWhatALoanComesTo(t *testing.T) {
	t.Parallel()
	holes := func(counts ...int64) (out []tariff.Used) {
		for _, n := range counts {
			out = append(out, tariff.Used{ID: uuid.New(), Work: "holes", Count: n})
		}
		return out
	}
	for name, c := range map[string]struct {
		change                         func(f *tariff.Facts)
		uses                           []tariff.Used
		flat, wear, consumables, least int64
		shares                         []int64
	}{
		"three holes, a third of a cent each over":          {func(*tariff.Facts) {}, holes(1, 1, 1), 150, 100, 60, 0, []int64{34, 33, 33}},
		"what is counted otherwise is not charged":          {func(*tariff.Facts) {}, append(holes(2), tariff.Used{Work: "other", Count: 9}), 150, 67, 40, 0, []int64{67, 0}},
		"up to the least charge":                            {func(f *tariff.Facts) { f.LeastMinor = 400 }, nil, 150, 0, 0, 250, nil},
		"no more than the life":                             {func(f *tariff.Facts) { f.DoneUnits, f.DoneCharged = 29, 967 }, holes(2, 2), 150, 33, 80, 0, []int64{17, 16}},
		"by an older estimate, a tenth was charged":         {func(f *tariff.Facts) { f.BeforeUnits, f.BeforeCharged = 10, 100 }, holes(10), 150, 450, 200, 0, []int64{450}},
		"what newer estimates charged is not charged again": {func(f *tariff.Facts) { f.LaterCharged = 990 }, holes(10), 150, 10, 200, 0, []int64{10}},
		"guests are exempt":                                 {func(f *tariff.Facts) { f.Guest, f.Exempt, f.LeastMinor = true, []string{"officers", "guests"}, 400 }, holes(5), 0, 0, 0, 0, []int64{0}},
		"officers are exempt":                               {func(f *tariff.Facts) { f.Roles, f.Exempt = []string{"member", "officer"}, []string{"officers"} }, holes(5), 0, 0, 0, 0, []int64{0}},
		"others are not":                                    {func(f *tariff.Facts) { f.Roles, f.Exempt = []string{"member"}, []string{"officers", "guests"} }, holes(3), 150, 100, 60, 0, []int64{100}},
		"as usual where nothing was set":                    {func(f *tariff.Facts) { f.CostID = nil }, holes(1), 150, 60, 20, 0, []int64{60}},
	} {
		f := facts()
		c.change(&f)
		r, err := f.Reckon(c.uses)
		if err != nil {
			t.Fatal(err)
		}
		if r.Flat != c.flat || r.Wear != c.wear || r.Consumables != c.consumables || r.Least != c.least || r.Total() != c.flat+c.wear+c.consumables+c.least {
			t.Errorf("%s: %+v", name, r)
		}
		for i, share := range c.shares {
			if r.Uses[i].Wear != share {
				t.Errorf("%s: use %d bears %d, want %d", name, i, r.Uses[i].Wear, share)
			}
		}
		if parts := r.Parts("EUR", ""); len(parts) == 0 {
			t.Errorf("%s: no words", name)
		} else {
			sum := int64(0)
			for _, p := range parts {
				sum += p.Minor
			}
			if sum != r.Total() {
				t.Errorf("%s: the parts add up to %d of %d", name, sum, r.Total())
			}
		}
	}
}

// Whatever was quoted and charged, the differences that are told add up to the whole one.
func TestDifferencesAreToldInFull(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) tariff.Reckoned {
			f := facts()
			f.LeastMinor = rapid.Int64Range(0, 500).Draw(t, name+" least")
			f.CostNumber = rapid.Int64Range(1, 3).Draw(t, name+" edition")
			f.DoneUnits = rapid.Int64Range(0, 29).Draw(t, name+" done")
			f.DoneCharged = f.DoneUnits * 100 / 3
			f.Guest, f.Exempt = rapid.Bool().Draw(t, name+" guest"), []string{"guests"}
			r, err := f.Reckon([]tariff.Used{{Work: "holes", Count: rapid.Int64Range(1, 20).Draw(t, name+" holes")}})
			if err != nil {
				t.Fatal(err)
			}
			r.Late, r.Damage = rapid.Int64Range(0, 3).Draw(t, name+" late"), rapid.Int64Range(0, 3).Draw(t, name+" damage")
			return r
		}
		quoted, charged := draw("quoted"), draw("charged")
		sum := int64(0)
		for _, d := range charged.Against(quoted, "EUR", "bent") {
			if d.Why == "" || d.Charged == d.Quoted {
				t.Fatalf("a difference without a word: %+v", d)
			}
			sum += d.Charged - d.Quoted
		}
		if sum != charged.Total()-quoted.Total() {
			t.Fatalf("told %d of %d", sum, charged.Total()-quoted.Total())
		}
	})
}
