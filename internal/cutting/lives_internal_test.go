package cutting

import (
	"math"
	"testing"

	"github.com/google/uuid"

	"pinwright/internal/calc/survival"
	"pinwright/internal/postgres"
)

// From five failures on, a tool in service is foretold by its model's law and its own age; below, nothing is.
func TestRemainingOfWhatWearsByUses(t *testing.T) {
	t.Parallel()
	model := uuid.UUID{15: 9}
	lives := func(failures int) *Lives {
		rows := &postgres.Rows[livesRow]{}
		add := func(n int, event string, uses int64) {
			rows.Items = append(rows.Items, livesRow{ToolID: uuid.UUID{14: byte(n), 15: 1}, Number: "P", ModelID: model, State: "in_service", Event: event, Uses: uses})
		}
		for n := range failures {
			add(n, "renewed", int64(80+15*n))
			add(n, "now", int64(80+15*n))
		}
		add(99, "sound", 20)
		add(99, "now", 60)
		return &Lives{rows}
	}
	few, err := lives(survival.Few - 1).remaining()
	if err != nil || len(few) != 0 {
		t.Fatalf("from four failures %+v, %v", few, err)
	}
	all, err := lives(survival.Few).remaining()
	if err != nil || len(all) != survival.Few+1 {
		t.Fatalf("%+v, %v", all, err)
	}
	fresh, used := all[0], all[len(all)-1]
	last, err := Last(lives(survival.Few).Lived()[model])
	if err != nil || last.Law == nil || fresh.Basis != ByLives || fresh.Seen != survival.Few {
		t.Fatalf("%+v, %v", fresh, err)
	}
	if got, want := fresh.Uses(0.5), math.Floor(last.Law.Quantile(0.5)); got != want {
		t.Errorf("renewed, half last %g uses, the law says %g", got, want)
	}
	// Of what has lasted 60 uses, half fail within the median that is left: the law by itself.
	if left := used.Uses(0.5); math.Abs(last.Law.Failing(60, left)-0.5) > 0.02 || left >= fresh.Uses(0.5) {
		t.Errorf("after 60 uses %g more, which half fail within with %g", left, last.Law.Failing(60, left))
	}
}

// A life ends once: a second bad verdict without a use between is the same failure, and use after one is a new life.
func TestLivesBetweenInspectionsAndRenewals(t *testing.T) {
	t.Parallel()
	rows := &postgres.Rows[livesRow]{}
	for _, e := range []struct {
		event string
		uses  int64
	}{{"sound", 10}, {"bad", 25}, {"bad", 25}, {"renewed", 25}, {"sound", 40}, {"renewed", 45}, {"bad", 60}, {"now", 72}} {
		rows.Items = append(rows.Items, livesRow{ToolID: uuid.UUID{15: 1}, Event: e.event, Uses: e.uses, State: "retired"})
	}
	got := (&Lives{rows}).Lived()[uuid.Nil]
	want := []LivedRow{{Ended: Found, Life: survival.Between(10, 25)}, {Ended: Seen, Life: survival.Ended(20)}, {Ended: Found, Life: survival.Between(0, 15)}, {Ended: Retired, Life: survival.Lasting(12)}}
	if len(got) != len(want) {
		t.Fatalf("%+v", got)
	}
	for i := range want {
		if got[i].Ended != want[i].Ended || got[i].Life != want[i].Life {
			t.Errorf("life %d: %+v, want %+v", i, got[i], want[i])
		}
	}
}
