package opening

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Table is when all garages of a club are open and how far they lie apart; empty
// until its batch was sent.
type Table struct {
	garages  *postgres.Rows[garageRow]
	closures *postgres.Rows[closedRow]
	travels  *postgres.Rows[travelRow]
	places   map[uuid.UUID]*Place
}

type garageRow struct {
	ID            uuid.UUID
	Name          string
	TimeZone      string
	Opens         int
	Closes        int
	Weekdays      []int // of its hours, as what follows
	OpensOf       []int
	ClosesOf      []int
	TravelMinutes int // of the club, between garages of which nothing else is known
}

type closedRow struct {
	GarageID *uuid.UUID
	FirstDay time.Time
	LastDay  time.Time
}

type travelRow struct {
	GarageID      uuid.UUID
	OtherGarageID uuid.UUID
	Minutes       int
}

// usualTravel is the default of lending_rule.travel_minutes, for clubs without a
// row there.
const usualTravel = 60

const minutesOf = `array(select extract(epoch from h.%s)::integer / 60 from garage_hours h where h.club_id = g.club_id and h.garage_id = g.id order by h.weekday, h.opens)`

// Load queues the look-up of the batch's club, with closures that end at from or
// later. Served by garage_pkey, garage_hours_pkey, closure_ahead and
// travel_time_pkey.
func Load(b *postgres.Batch, from time.Time) *Table {
	return &Table{
		garages: postgres.Query[garageRow](b, `
			select g.id, g.name, g.time_zone, extract(epoch from g.opens)::integer / 60 as opens, extract(epoch from g.closes)::integer / 60 as closes,
			       array(select h.weekday::integer from garage_hours h where h.club_id = g.club_id and h.garage_id = g.id order by h.weekday, h.opens) as weekdays,
			       `+fmt.Sprintf(minutesOf, "opens")+` as opens_of, `+fmt.Sprintf(minutesOf, "closes")+` as closes_of,
			       coalesce((select travel_minutes from lending_rule r where r.club_id = g.club_id), $2)::integer as travel_minutes
			from garage g where g.club_id = $1`, b.Club, usualTravel),
		closures: postgres.Query[closedRow](b, `select garage_id, first_day, last_day from closure where club_id = $1 and last_day >= $2 and withdrawn_at is null`,
			b.Club, from.AddDate(0, 0, -2).UTC()),
		travels: postgres.Query[travelRow](b, `select garage_id, other_garage_id, minutes from travel_time where club_id = $1`, b.Club),
	}
}

// Settle makes the places of what was looked up.
func (t *Table) Settle() error {
	t.places = make(map[uuid.UUID]*Place, len(t.garages.Items))
	for _, g := range t.garages.Items {
		zone, err := time.LoadLocation(g.TimeZone)
		if err != nil {
			return fmt.Errorf("opening: zone of the garage %s: %w", g.ID, err)
		}
		hours := make([]Hours, len(g.Weekdays))
		for i, weekday := range g.Weekdays {
			hours[i] = Hours{Weekday: weekday, Opens: g.OpensOf[i], Closes: g.ClosesOf[i]}
		}
		if len(hours) == 0 {
			hours = EveryDay(g.Opens, g.Closes)
		}
		var closed []Days
		for _, c := range t.closures.Items {
			if c.GarageID == nil || *c.GarageID == g.ID {
				closed = append(closed, Days{c.FirstDay, c.LastDay})
			}
		}
		t.places[g.ID] = NewPlace(g.Name, zone, hours, closed)
	}
	return nil
}

// Place returns a garage's; nil when the club has no such garage.
func (t *Table) Place(garage uuid.UUID) *Place { return t.places[garage] }

// Travel is how long a tool is on its way between two garages.
func (t *Table) Travel(a, b uuid.UUID) time.Duration {
	if a == b {
		return 0
	}
	for _, row := range t.travels.Items {
		if row.GarageID == a && row.OtherGarageID == b || row.GarageID == b && row.OtherGarageID == a {
			return time.Duration(row.Minutes) * time.Minute
		}
	}
	minutes := usualTravel
	if len(t.garages.Items) > 0 {
		minutes = t.garages.Items[0].TravelMinutes
	}
	return time.Duration(minutes) * time.Minute
}
