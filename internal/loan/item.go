package loan

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/lending"
	"pinwright/internal/opening"
	"pinwright/internal/postgres"
)

// item is a tool on the counter, locked, with what is needed of its model.
type item struct {
	ID                uuid.UUID
	Number            string
	State             string
	Condition         string
	GarageID          uuid.UUID // its home
	PlaceGarageID     *uuid.UUID
	Version           int64
	ModelID           uuid.UUID
	ModelCode         string
	ModelVersion      int64
	Caution           string
	Parts             int
	PauseHours        int // of cleaning
	ValueMinor        *int64
	DepositMinor      *int64
	CertificateNeeded bool
	ApprovalNeeded    bool
	CalibrationDueOn  *time.Time
	TimeZone          string

	zone *time.Location
}

const inService = "in_service"

// place is the garage where i is when it is in the house.
func (i *item) place() uuid.UUID {
	if i.PlaceGarageID != nil {
		return *i.PlaceGarageID
	}
	return i.GarageID
}

// changes is what i and its model add to the version of an answer that shows
// them.
func (i *item) changes() int64 { return i.Version + i.ModelVersion - 2 }

// fits reports whether name is i's number or id.
func (i *item) fits(name string) bool {
	ref := postgres.ParseRef(name)
	return ref.ID != nil && *ref.ID == i.ID || ref.ID == nil && ref.Name == i.Number
}

// date is the day that the clock at i's home shows at t.
func (i *item) date(t time.Time) time.Time {
	local := t.In(i.zone)
	return time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, time.UTC)
}

const selectItem = `select t.id, t.number, t.state, t.condition, t.garage_id, t.place_garage_id, t.version, m.id as model_id, m.code as model_code, m.version as model_version,
		m.caution, m.parts, coalesce(m.turnaround_hours, c.turnaround_hours) as pause_hours, coalesce(t.value_minor, m.value_minor) as value_minor,
		coalesce(t.deposit_minor, m.deposit_minor) as deposit_minor, m.certificate_needed, m.approval_needed,
		(select k.due_on from calibration k where k.club_id = t.club_id and k.tool_id = t.id order by k.calibrated_on desc, k.id desc limit 1) as calibration_due_on,
		g.time_zone
	from tool t
	join tool_model m on m.club_id = t.club_id and m.id = t.model_id
	join garage g on g.club_id = t.club_id and g.id = t.garage_id
	join club c on c.club_id = t.club_id
	where t.club_id = $1`

// asked is a tool that somebody names. When it may leave service, the equals that
// could stand in for it are locked with it.
type asked struct {
	Name    string
	Leaving bool // whatever was counted
	Parts   *int // fewer than its model has mean that it leaves too
}

// lockItems locks what was asked for, and the equals of what leaves, in the order
// of ids.
func lockItems(b *postgres.Batch, tools []asked) *postgres.Rows[item] {
	ids, numbers := make([]*uuid.UUID, len(tools)), make([]*string, len(tools))
	for i, a := range tools {
		if ref := postgres.ParseRef(a.Name); ref.ID != nil {
			ids[i] = ref.ID
		} else {
			numbers[i] = &ref.Name
		}
	}
	return postgres.Query[item](b, `
		with asked as materialized (select * from unnest($2::uuid[], $3::text[], $4::boolean[], $5::integer[]) as a(id, number, leaving, parts)),
		named as materialized (
			select t.id, t.model_id, a.leaving, a.parts from asked a join tool t on t.club_id = $1 and t.id = a.id
			union all
			select t.id, t.model_id, a.leaving, a.parts from asked a join tool t on t.club_id = $1 and t.number = a.number
		), wanted as materialized (
			select id from named
			union
			select e.id from named n join tool_model m on m.club_id = $1 and m.id = n.model_id
			join tool e on e.club_id = $1 and e.model_id = n.model_id
			where e.state = 'in_service' and (n.leaving or n.parts < m.parts)
		)
		`+selectItem+` and t.id = any(array(select id from wanted)) order by t.id for no key update of t`,
		b.Club, ids, numbers,
		postgres.Column(tools, func(a asked) bool { return a.Leaving }),
		postgres.Column(tools, func(a asked) *int { return a.Parts }))
}

// itemOf finds the tool of that name.
func itemOf(items []item, name string) *item {
	i := slices.IndexFunc(items, func(one item) bool { return one.fits(name) })
	if i < 0 {
		return nil
	}
	return &items[i]
}

func itemByID(items []item, id uuid.UUID) *item {
	i := slices.IndexFunc(items, func(one item) bool { return one.ID == id })
	if i < 0 {
		return nil
	}
	return &items[i]
}

func idsOf(items []item) []uuid.UUID {
	return postgres.Column(items, func(i item) uuid.UUID { return i.ID })
}

// settle finds the clocks of the tools' homes.
func settle(items []item) error {
	for i := range items {
		zone, err := time.LoadLocation(items[i].TimeZone)
		if err != nil {
			return fmt.Errorf("loan: zone of the garage of tool %s: %w", items[i].ID, err)
		}
		items[i].zone = zone
	}
	return nil
}

// rule is by which rules the club lends, and what money is there.
type rule struct {
	Currency          string
	LongestLoanDays   int
	AtOnce            int
	WalkInDays        int
	ApprovalFromMinor *int64
	DepositAtHandout  bool
	LateBorrowersWait bool
}

func findRule(b *postgres.Batch) *postgres.Rows[rule] {
	return postgres.Query[rule](b, `
		select c.currency, coalesce(r.longest_loan_days, 90) as longest_loan_days, coalesce(r.at_once, 40) as at_once, coalesce(r.walk_in_days, 3) as walk_in_days,
			r.approval_from_minor, coalesce(r.deposit_at_handout, false) as deposit_at_handout,
			coalesce(r.late_borrowers_wait, false) as late_borrowers_wait
		from club c left join lending_rule r on r.club_id = c.club_id where c.club_id = $1`, b.Club)
}

// roads tells how long tools travel, and when the garages are open.
type roads struct {
	rule  *postgres.Rows[rule]
	table *opening.Table
}

// findRoads reads how long tools travel, for who does not ask when it is open.
func findRoads(b *postgres.Batch) roads {
	return findHours(b, time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC))
}

// findHours is findRoads with what is closed from some time on.
func findHours(b *postgres.Batch, from time.Time) roads {
	return roads{findRule(b), opening.Load(b, from)}
}

func (r roads) rules() rule {
	if len(r.rule.Items) == 0 {
		return rule{}
	}
	return r.rule.Items[0]
}

// behind is how long i is held after it was brought back at garage: cleaning and
// the way home.
func (r roads) behind(i *item, garage uuid.UUID) time.Duration {
	return time.Duration(i.PauseHours)*time.Hour + r.table.Travel(garage, i.GarageID)
}

// promise is a booking that holds a tool.
type promise struct {
	ReservationID uuid.UUID
	Line          int
	ToolID        uuid.UUID
	MemberID      uuid.UUID
	BookedFrom    time.Time
	BookedUntil   time.Time
	HeldFrom      time.Time
	HeldUntil     time.Time
	State         string
	GarageID      *uuid.UUID
	AskedModelID  *uuid.UUID
	Exactly       bool
	KitID         *uuid.UUID
	Choice        *int
	Endangered    string
	Approval      string
	OfferUntil    *time.Time
	WalkIn        bool
	Version       int64 // of its reservation
}

func (p promise) period() lending.Period {
	return lending.Period{From: p.BookedFrom.UTC(), Until: p.BookedUntil.UTC()}
}

func (p promise) held() lending.Period {
	return lending.Period{From: p.HeldFrom.UTC(), Until: p.HeldUntil.UTC()}
}

func (p promise) is(reservation uuid.UUID, line int) bool {
	return p.ReservationID == reservation && p.Line == line
}

func overlaps(a, b lending.Period) bool { return a.From.Before(b.Until) && b.From.Before(a.Until) }

// promises reads what the tools are held for from some time on, by time; of a tool
// that should have been back before, from then on, since nobody could collect what
// was promised meanwhile and it stands in the way of a longer loan all the same.
// Served by booking_ahead.
func promises(b *postgres.Batch, tools []uuid.UUID, from time.Time) *postgres.Rows[promise] {
	return postgres.Query[promise](b, `
		select b.reservation_id, b.line, b.tool_id, r.member_id, lower(b.period) as booked_from, upper(b.period) as booked_until, lower(b.held) as held_from,
			upper(b.held) as held_until, b.state, b.garage_id, b.asked_model_id, b.exactly, b.kit_id, b.choice, coalesce(b.endangered, '') as endangered,
			r.approval, r.offer_until, r.walk_in, r.version
		from unnest($2::uuid[]) as w(tool_id)
		cross join (select min(lower(k.held)) as begins from unnest($2::uuid[]) as u(tool_id) join booking k on k.club_id = $1 and k.tool_id = u.tool_id
			where k.state not in ('cancelled', 'lost') and k.state = 'reserved' and k.held_until >= $3) promised
		cross join lateral (select least($3::timestamptz, promised.begins, min(upper(k.held))) as begins from booking k where k.club_id = $1 and k.tool_id = w.tool_id and k.state = 'out') since
		join booking b on b.club_id = $1 and b.tool_id = w.tool_id
		join reservation r on r.club_id = b.club_id and r.id = b.reservation_id
		where b.state not in ('cancelled', 'lost') and b.held_until >= since.begins
		order by lower(b.held), b.reservation_id, b.line`, b.Club, tools, from)
}

// kept is a time as the database keeps it.
func kept(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// clock tells a moment by the clock that hangs where i lives.
func (i *item) clock(t time.Time) string {
	return t.In(i.zone).Format("Mon 2 Jan 2006 15:04") + " (" + i.zone.String() + ")"
}
