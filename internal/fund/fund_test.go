package fund

import (
	"testing"
	"time"
)

func TestMonthsEndWithinTheMonth(t *testing.T) {
	t.Parallel()
	b := Basis{Today: time.Date(2026, 11, 30, 0, 0, 0, 0, time.UTC)}
	for m, want := range map[int]string{0: "2026-11-30", 1: "2026-12-30", 3: "2027-02-28", 15: "2028-02-29", 24: "2028-11-30"} {
		if got := b.Ends(m).Format(time.DateOnly); got != want {
			t.Errorf("month %d ends on %s, want %s", m, got, want)
		}
	}
}

func TestChancesAreToldAsWhatTheyAre(t *testing.T) {
	t.Parallel()
	for p, want := range map[float64]string{0: "less than 0.06 %", 0.004: "0.4 %", 0.05: "5 %", 0.996: "more than 99 %", 1: "100 %", 0.314: "31 %"} {
		if got := Percent(p, 5000); got != want {
			t.Errorf("%g is told as %s, want %s", p, got, want)
		}
	}
}
