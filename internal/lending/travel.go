package lending

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/opening"
	"pinwright/internal/postgres"
)

// counterRow is a garage over whose counter something is collected.
type counterRow struct {
	ID      uuid.UUID
	Code    string
	Version int64

	place *opening.Place `db:"-"`
}

// lookAtPlaces queues the garages that are named, and when garages are open and
// how far they lie apart.
func (o *basis) lookAtPlaces(b *postgres.Batch, garages []string, now time.Time) {
	ids, codes := []uuid.UUID{}, []string{}
	for _, garage := range garages {
		if id, code := named(garage); id != nil {
			ids = append(ids, *id)
		} else {
			codes = append(codes, *code)
		}
	}
	o.garages = postgres.Query[counterRow](b, `select id, code, version from garage where club_id = $1 and (id = any($2) or code = any($3))`, b.Club, ids, codes)
	o.places = opening.Load(b, now)
}

// garageNamed finds a garage by id or code; nil when there is none.
func (o *basis) garageNamed(text string) *counterRow {
	id, code := named(text)
	for i := range o.garages.Items {
		if g := &o.garages.Items[i]; id != nil && g.ID == *id || code != nil && g.Code == *code {
			return g
		}
	}
	return nil
}

// settle finds the places of tools and counters.
func (o *basis) settle() error {
	if err := o.places.Settle(); err != nil {
		return err
	}
	for i := range o.tools.Items {
		o.tools.Items[i].place = o.places.Place(o.tools.Items[i].HomeID)
	}
	for i := range o.garages.Items {
		o.garages.Items[i].place = o.places.Place(o.garages.Items[i].ID)
	}
	return nil
}

// cleaning is how long t is kept back for it after each loan.
func (o *basis) cleaning(t *tool) time.Duration {
	if t.TurnaroundHours != nil {
		return time.Duration(*t.TurnaroundHours) * time.Hour
	}
	return o.turnaround
}

// holds is how long t is held for period where it is collected at garage, nil
// for its home: the way there before, and cleaning and the way back behind.
func (o *basis) holds(t *tool, garage *counterRow, period Period) Period {
	way := time.Duration(0)
	if garage != nil {
		way = o.places.Travel(t.HomeID, garage.ID)
	}
	return Period{From: period.From.Add(-way), Until: period.Until.Add(o.cleaning(t) + way)}
}
