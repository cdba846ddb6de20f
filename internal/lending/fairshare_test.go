package lending

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// busiest is what Most should find for periods of whole hours, by counting each
// hour of each stretch that begins on a whole hour. The greatest begins or ends
// with a period, so on a whole hour.
func busiest(periods []Period, over int) (most ToolTime) {
	for start := -60; start < 120; start++ {
		hours := 0
		for h := start; h < start+over; h++ {
			for _, p := range periods {
				if at := epoch.Add(time.Duration(h) * time.Hour); !at.Before(p.From) && at.Before(p.Until) {
					hours++
				}
			}
		}
		most = max(most, ToolTime(hours)*ToolTime(time.Hour.Microseconds()))
	}
	return most
}

func drawPeriods(t *rapid.T) []Period {
	var out []Period
	for range rapid.IntRange(0, 6).Draw(t, "periods") {
		from := rapid.IntRange(0, 50).Draw(t, "from")
		out = append(out, stretch(from, from+rapid.IntRange(1, 30).Draw(t, "for")))
	}
	return out
}

func TestBusiestStretchIsThatFoundByCountingHours(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		over := rapid.IntRange(1, 40).Draw(t, "over")
		share := FairShare{Percent: 50, Over: time.Duration(over) * time.Hour, Tools: 2}
		periods := drawPeriods(t)
		got, at := share.Most(periods)
		if want := busiest(periods, over); got != want {
			t.Fatalf("most %v h, by counting %v h", got.Hours(), want.Hours())
		}
		in := ToolTime(0) // of the stretch that is said to be the busiest
		for _, p := range periods {
			from, until := p.From, p.Until
			if at.After(from) {
				from = at
			}
			if end := at.Add(share.Over); end.Before(until) {
				until = end
			}
			in += ToolTime(max(0, until.Sub(from).Microseconds()))
		}
		if in != got {
			t.Fatalf("the stretch from %v has %v h, not %v h", at, in.Hours(), got.Hours())
		}
	})
}

// Whoever is let in one after the other never comes to more than the share in any
// stretch, and is turned away only for that.
func TestWhateverIsAcceptedKeepsTheFairShare(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		over := rapid.IntRange(4, 40).Draw(t, "over")
		share := FairShare{Percent: rapid.IntRange(1, 100).Draw(t, "percent"), Over: time.Duration(over) * time.Hour, Tools: rapid.IntRange(1, 4).Draw(t, "tools")}
		var accepted []Period
		for _, p := range drawPeriods(t) {
			asked := append(append([]Period{}, accepted...), p)
			most, _ := share.Most(asked)
			if over := busiest(asked, over) > share.Limit(); over != (most > share.Limit()) {
				t.Fatalf("over the share: %v by counting hours", over)
			}
			if most <= share.Limit() {
				accepted = asked
			}
		}
		if got := busiest(accepted, over); got > share.Limit() {
			t.Fatalf("%v h were accepted in one stretch, with a limit of %v h", got.Hours(), share.Limit().Hours())
		}
	})
}

func TestFairShareOfManyToolsOverLongStretchesDoesNotOverflow(t *testing.T) {
	t.Parallel()
	share := FairShare{Percent: 100, Over: 400 * day, Tools: 100_000}
	if want := 400.0 * 24 * 100_000; share.Limit().Hours() != want {
		t.Errorf("limit %v h, want %v", share.Limit().Hours(), want)
	}
	many := make([]Period, 2_000)
	for i := range many {
		many[i] = Period{From: epoch, Until: epoch.Add(90 * day)}
	}
	if most, _ := share.Most(many); most.Hours() != 2_000*90*24 {
		t.Errorf("most %v h", most.Hours())
	}
	if most, at := share.Most(nil); most != 0 || !at.IsZero() {
		t.Errorf("of nothing: %v from %v", most, at)
	}
}
