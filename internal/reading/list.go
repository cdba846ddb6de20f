package reading

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Filter says which readings a list holds; the zero Filter all of them.
type Filter struct {
	Vehicle, Joint, Instrument *postgres.Ref
	Feature                    *uuid.UUID
	From, Until                *time.Time // taken at or after, taken before
}

// Listing is a page of readings and of what its filter named.
type Listing struct {
	filter      Filter
	readings    *postgres.Rows[Reading]
	vehicles    *postgres.Rows[uuid.UUID]
	joints      *postgres.Rows[namedJoint]
	features    *postgres.Rows[uuid.UUID]
	instruments *postgres.Rows[uuid.UUID]
}

type namedJoint struct{ Position, Vehicle string }

// List asks for readings, newest first: those behind the reading that was taken
// at after and has the id afterID (the latest time and uuid.Max for the first
// page).
//
// Each filter has an index that gives the order as well, so that a page costs
// the same however long the history: none, from and until use reading_by_time;
// feature reading_of_feature; joint and vehicle the same, once for each of
// their features (found by feature_code and joint_position); instrument
// reading_by_instrument.
func List(b *postgres.Batch, f Filter, after time.Time, afterID uuid.UUID, limit int) *Listing {
	l := &Listing{filter: f}
	args := []any{b.Club, after, afterID, limit}
	arg := func(v any) string {
		args = append(args, v)
		return fmt.Sprintf("$%d", len(args))
	}
	where := []string{`r.club_id = $1`, `(r.taken_at, r.id) < ($2, $3)`}
	if f.From != nil {
		where = append(where, `r.taken_at >= `+arg(*f.From))
	}
	if f.Until != nil {
		where = append(where, `r.taken_at < `+arg(*f.Until))
	}
	if ref := f.Instrument; ref != nil {
		// A null is never equal, so the partial index serves.
		where = append(where, `r.instrument_id = (select id from tool where club_id = $1 and (id = `+arg(ref.ID)+` or number = `+arg(ref.Name)+`))`)
		l.instruments = postgres.Values[uuid.UUID](b, `select id from tool where club_id = $1 and (id = $2 or number = $3)`, b.Club, ref.ID, ref.Name)
	}
	var among []string // conditions on the features, g, and their joints, j
	if f.Vehicle != nil {
		among = append(among, `j.vehicle_id = (select id from vehicle where club_id = $1 and (id = `+arg(f.Vehicle.ID)+` or code = `+arg(f.Vehicle.Name)+`))`)
		l.vehicles = postgres.Values[uuid.UUID](b, `select id from vehicle where club_id = $1 and (id = $2 or code = $3)`, b.Club, f.Vehicle.ID, f.Vehicle.Name)
	}
	if f.Joint != nil {
		among = append(among, `(j.id = `+arg(f.Joint.ID)+` or j.position = `+arg(f.Joint.Name)+`)`)
		l.joints = f.queueJoints(b)
	}
	if f.Feature != nil {
		l.features = postgres.Values[uuid.UUID](b, `select id from feature where club_id = $1 and id = $2`, b.Club, *f.Feature)
		if len(among) == 0 {
			where = append(where, `r.feature_id = `+arg(*f.Feature))
		} else {
			among = append(among, `g.id = `+arg(*f.Feature))
		}
	}
	page := `from reading r where ` + strings.Join(where, " and ")
	if len(among) > 0 {
		page = `from joint j join feature g on g.club_id = j.club_id and g.joint_id = j.id
			cross join lateral (select * from reading r where r.feature_id = g.id and ` + strings.Join(where, " and ") + ` order by r.taken_at desc, r.id desc limit $4) r
			where j.club_id = $1 and ` + strings.Join(among, " and ")
	}
	l.readings = postgres.Query[Reading](b, `select `+columns+` from (select r.* `+page+` order by r.taken_at desc, r.id desc limit $4) r `+
		withFeatureAndVoid+` order by r.taken_at desc, r.id desc`, args...)
	return l
}

// queueJoints looks up which joints the filter names: at most a few are needed
// to tell that a position is ambiguous.
func (f Filter) queueJoints(b *postgres.Batch) *postgres.Rows[namedJoint] {
	args := []any{b.Club, f.Joint.ID, f.Joint.Name}
	on := ""
	if f.Vehicle != nil {
		on = ` and (c.id = $4 or c.code = $5)`
		args = append(args, f.Vehicle.ID, f.Vehicle.Name)
	}
	return postgres.Query[namedJoint](b, `select j.position, c.code as vehicle from joint j join vehicle c on c.club_id = j.club_id and c.id = j.vehicle_id
		where j.club_id = $1 and (j.id = $2 or j.position = $3)`+on+` order by c.code, j.position limit 20`, args...)
}

// Items returns the page, or a problem with what the filter named.
func (l *Listing) Items() ([]Reading, error) {
	var faults []problem.Fault
	unknown := func(pointer, name string) {
		faults = append(faults, problem.Fault{Pointer: pointer, Detail: "there is no “" + name + "” in this club; check the spelling, or GET the list"})
	}
	if l.vehicles != nil && len(l.vehicles.Items) == 0 {
		unknown("?vehicle", l.filter.Vehicle.Name)
	}
	if l.joints != nil {
		switch len(l.joints.Items) {
		case 0:
			unknown("?joint", l.filter.Joint.Name)
		case 1:
		default:
			candidates := make([]string, len(l.joints.Items))
			for i, j := range l.joints.Items {
				candidates[i] = j.Vehicle + " / " + j.Position
			}
			return nil, problem.Ambiguous("?joint", l.filter.Joint.Name, candidates)
		}
	}
	if l.features != nil && len(l.features.Items) == 0 {
		unknown("?feature", l.filter.Feature.String())
	}
	if l.instruments != nil && len(l.instruments.Items) == 0 {
		unknown("?instrument", l.filter.Instrument.Name)
	}
	if len(faults) > 0 {
		return nil, problem.Invalid(faults...)
	}
	return l.readings.Items, nil
}
