package jobs

import (
	"context"
	"maps"
	"sync"
	"time"

	"github.com/google/uuid"
)

// haste is what is to be swept before its time comes.
type haste struct {
	mu   sync.Mutex
	due  map[hastened]bool
	wake chan struct{}
}

type hastened struct {
	sweep string
	club  uuid.UUID
}

func newHaste() *haste { return &haste{due: map[hastened]bool{}, wake: make(chan struct{}, 1)} }

// add takes one more; what waits already waits once.
func (h *haste) add(one hastened) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.due[one] = true
	select {
	case h.wake <- struct{}{}:
	default:
	}
}

// take empties it.
func (h *haste) take() []hastened {
	h.mu.Lock()
	defer h.mu.Unlock()
	var out []hastened
	for one := range maps.Keys(h.due) {
		out = append(out, one)
	}
	clear(h.due)
	return out
}

// Hasten runs the named sweep in one club as soon as this process can, beside
// its period: nobody waits for it, and what is hastened often meanwhile runs once.
// It is kept nowhere. If the process ends before, the period's sweep does the same
// work.
func (r *Runner) Hasten(sweep string, club uuid.UUID) { r.haste.add(hastened{sweep, club}) }

// hurry runs what is hastened until r stops or ctx ends.
func (r *Runner) hurry(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-r.stopping:
			return
		case <-r.haste.wake:
		}
		for _, one := range r.haste.take() {
			for _, s := range r.o.Sweeps {
				if s.Name != one.sweep {
					continue
				}
				n, err := r.one(ctx, s, one.club, r.o.Now())
				if err != nil {
					r.o.Log.Error("a hastened sweep failed", "sweep", s.Name, "club", one.club, "error", err)
				}
				r.o.Figures.changed.WithLabelValues(s.Name).Add(float64(n))
			}
			select {
			case <-r.stopping:
				return
			default:
			}
		}
		// However fast a club writes, its sweep takes turns with it.
		select {
		case <-ctx.Done():
		case <-r.stopping:
		case <-time.After(breath):
		}
	}
}

// breath lies between two rounds of what is hastened.
const breath = 100 * time.Millisecond
