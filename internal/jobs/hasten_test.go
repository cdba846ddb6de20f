package jobs

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

func TestWhatIsHastenedRunsAtOnceInItsClubAndOnceHoweverOften(t *testing.T) {
	t.Parallel()
	db := migrated(t, 2)
	var first uuid.UUID
	if err := db.Owner.QueryRow(t.Context(), `select club_id from club order by club_id limit 1`).Scan(&first); err != nil {
		t.Fatal(err)
	}
	began, goOn := make(chan uuid.UUID, 1000), make(chan struct{})
	var others atomic.Int64
	r := replica(t, db, nil,
		Sweep{Name: "yearly", Every: 365 * 24 * time.Hour, Run: func(ctx context.Context, _ *postgres.DB, club uuid.UUID, _ time.Time) (int, error) {
			began <- club
			select {
			case <-goOn:
			case <-ctx.Done():
			}
			return 1, nil
		}},
		Sweep{Name: "other", Every: 365 * 24 * time.Hour, Run: func(context.Context, *postgres.DB, uuid.UUID, time.Time) (int, error) {
			return int(others.Add(1)), nil
		}})
	within(t, time.Minute, "a start", func() bool { return r.Health() == nil })
	wait := func(what string) uuid.UUID {
		t.Helper()
		select {
		case club := <-began:
			return club
		case <-time.After(time.Minute):
			t.Fatalf("%s did not begin within a minute", what)
			return uuid.Nil
		}
	}
	// The year's own run, in both clubs, which the start brings.
	for range 2 {
		wait("the year's run")
		goOn <- struct{}{}
	}
	r.Hasten("yearly", first)
	if club := wait("what was hastened"); club != first {
		t.Errorf("hastened in %s, it ran in %s", first, club)
	}
	for range 500 { // while it runs: once more is enough for all of them
		r.Hasten("yearly", first)
	}
	r.Hasten("unheard of", first)
	goOn <- struct{}{}
	wait("the second run")
	goOn <- struct{}{}
	time.Sleep(3 * breath)
	if len(began) != 0 {
		t.Errorf("500 hastes at once made more than one run")
	}
	within(t, time.Minute, "the other sweep's own runs", func() bool { return others.Load() == 2 })
	if n := figure(t, r.o.Figures, "pinwright_sweep_changes_total"); n < 3 {
		t.Errorf("%g changes are counted of what was hastened", n)
	}
}

func TestStoppingWaitsForWhatWasHastenedOrCutsIt(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name     string
		patience time.Duration
		finished bool
	}{{"with time", 20 * time.Second, true}, {"without", 300 * time.Millisecond, false}} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			db := migrated(t, 1)
			var club uuid.UUID
			if err := db.Owner.QueryRow(t.Context(), `select club_id from club`).Scan(&club); err != nil {
				t.Fatal(err)
			}
			var runs atomic.Int64
			began, ended := make(chan struct{}, 1), make(chan bool, 1)
			r := replica(t, db, nil, Sweep{Name: "slow", Every: 365 * 24 * time.Hour, Run: func(ctx context.Context, _ *postgres.DB, _ uuid.UUID, _ time.Time) (int, error) {
				if runs.Add(1) == 1 {
					return 0, nil // the year's own
				}
				began <- struct{}{}
				select {
				case <-ctx.Done():
					ended <- false
				case <-time.After(2 * time.Second):
					ended <- true
				}
				return 0, ctx.Err()
			}})
			within(t, time.Minute, "the year's own run", func() bool { return runs.Load() == 1 })
			r.Hasten("slow", club)
			<-began
			ctx, cancel := context.WithTimeout(t.Context(), tc.patience)
			defer cancel()
			if err := r.Stop(ctx); err != nil {
				t.Error(err)
			}
			if finished := <-ended; finished != tc.finished {
				t.Errorf("finished %v, want %v", finished, tc.finished)
			}
			r.cancel = nil // the clean-up has nothing to do
		})
	}
}
