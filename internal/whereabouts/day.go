package whereabouts

import (
	"cmp"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// most is how many rows of each kind a day is told with; a garage with more has
// a list to read that nobody reads.
const most = 300

// GarageDay is a day of a garage and what the database holds of it.
type GarageDay struct {
	ID       uuid.UUID
	Code     string
	Name     string
	TimeZone string
	Day      time.Time // as a date at midnight UTC
	BeginsAt time.Time
	EndsAt   time.Time
}

// ToInspect is a tool in the house that has to be looked at.
type ToInspect struct {
	ToolID           uuid.UUID
	ToolNumber       string
	ModelCode        string
	ModelName        string
	Caution          string
	State            string
	Condition        string
	Note             string
	InspectionDueOn  *time.Time
	CalibrationDueOn *time.Time
}

// Reasons say why it has to be, at day.
func (t ToInspect) Reasons(day time.Time) []string {
	var out []string
	if t.State == "quarantine" {
		out = append(out, "quarantine")
	}
	if t.InspectionDueOn != nil && !t.InspectionDueOn.After(day) {
		out = append(out, "inspection_due")
	}
	if t.CalibrationDueOn != nil && !t.CalibrationDueOn.After(day) {
		out = append(out, "calibration_due")
	}
	return out
}

// Queued is a day under way: its rows are there once the batch was sent.
type Queued struct {
	garage                                     *postgres.Rows[GarageDay]
	going, loans, backToday, offers, approvals *postgres.Rows[Line]
	inspect                                    *postgres.Rows[ToInspect]
	now                                        time.Time
}

// ofDay is the garage ($2, $3) and its day ($4, or the one of now, $5).
const ofDay = `with d as (
	select id, code, name, time_zone, day, day_begins(time_zone, day) as begins_at, day_begins(time_zone, day + 1) as ends_at
	from (select *, coalesce($4::date, ($5::timestamptz at time zone time_zone)::date) as day from garage where club_id = $1 and (id = $2 or code = $3)) g) `

const here = ` and g.id = (select id from d)`

// QueueDay asks what a garage's day is: the one with that date, or the one that it
// is there now.
//
// Served by booking_begins (what goes out), loan_open (what is out),
// booking_ends (what comes back), reservation_offered, reservation_awaiting, and
// tool_in_garage with tool_at_place (what is in the house).
func QueueDay(b *postgres.Batch, garage postgres.Ref, day *time.Time, now time.Time) *Queued {
	args := []any{b.Club, garage.ID, garage.Name, day, now, most + 1}
	lines := func(sql string) *postgres.Rows[Line] { return postgres.Query[Line](b, ofDay+sql+` limit $6`, args...) }
	return &Queued{
		now:    now,
		garage: postgres.Query[GarageDay](b, ofDay+`select id, code, name, time_zone, day, begins_at, ends_at from d`, args[:5]...),
		going: lines(promisedLines + here + ` and r.offer_until is null
			and b.begins_at >= (select begins_at from d) and b.begins_at < (select ends_at from d)`),
		loans: lines(openLoans + ` and (g.id = (select id from d) or a.garage_id = (select id from d))`),
		backToday: lines(promisedLines + here + ` and r.offer_until is null
			and b.ends_at >= (select begins_at from d) and b.ends_at < (select ends_at from d)`),
		offers:    lines(linesOfReservations + here + ` and r.offer_until > $5`),
		approvals: lines(linesOfReservations + here + ` and r.approval = 'awaited' and r.offer_until is null`),
		inspect: postgres.Query[ToInspect](b, ofDay+`
			select t.id as tool_id, t.number as tool_number, m.code as model_code, m.name as model_name, m.caution, t.state, t.condition, t.note, t.inspection_due_on, c.due_on as calibration_due_on
			from tool t
			cross join lateral (select code, name, caution from tool_model where club_id = t.club_id and id = t.model_id limit 1) m
			left join lateral (select c.due_on from calibration c where c.club_id = t.club_id and c.tool_id = t.id order by c.calibrated_on desc, c.id desc limit 1) c on true
			where t.club_id = $1 and (t.place_garage_id = (select id from d) or t.place_garage_id is null and t.garage_id = (select id from d))
			and t.state in ('in_service', 'quarantine') and not exists (select from loan l where l.club_id = t.club_id and l.tool_id = t.id and l.ended is null)
			and (t.state = 'quarantine' or t.inspection_due_on <= (select day from d) or c.due_on <= (select day from d))
			order by t.number limit $6`, args...),
	}
}

// Day is a day of a garage. Each tool that is out stands in one of Back, Late
// and Out.
type Day struct {
	Garage    GarageDay
	Zone      *time.Location
	IsToday   bool
	GoingOut  []Line // promised lines that begin on the day
	Back      []Line // due on the day, and not late already
	Late      []Line // out, and due before now
	Out       []Line // the rest of what is out
	ToInspect []ToInspect
	Offers    []Line
	Approvals []Line
	CutOff    bool // something was left out, since there is too much of it
}

// Result is the day that was asked for; problem.Absent without the garage.
func (q *Queued) Result() (Day, error) {
	g, err := q.garage.One()
	if err != nil {
		return Day{}, err
	}
	d := Day{Garage: g}
	if d.Zone, err = time.LoadLocation(g.TimeZone); err != nil {
		return Day{}, err
	}
	d.IsToday = !q.now.Before(g.BeginsAt) && q.now.Before(g.EndsAt)
	cut := func(rows *postgres.Rows[Line]) []Line {
		d.CutOff = d.CutOff || len(rows.Items) > most
		return slices.Clone(rows.Items[:min(len(rows.Items), most)])
	}
	d.GoingOut = by(begins, cut(q.going))
	d.Back = cut(q.backToday)
	for _, l := range cut(q.loans) {
		switch {
		case l.IsLate(q.now):
			d.Late = append(d.Late, l)
		case !l.EndsAt.Before(g.BeginsAt) && l.EndsAt.Before(g.EndsAt):
			d.Back = append(d.Back, l)
		default:
			d.Out = append(d.Out, l)
		}
	}
	d.Back, d.Late, d.Out = by(ends, d.Back), by(ends, d.Late), by(ends, d.Out)
	d.Offers = by(func(l Line) time.Time { return *l.OfferUntil }, cut(q.offers))
	d.Approvals = by(begins, cut(q.approvals))
	d.CutOff = d.CutOff || len(q.inspect.Items) > most
	d.ToInspect = slices.Clone(q.inspect.Items[:min(len(q.inspect.Items), most)])
	slices.SortFunc(d.ToInspect, func(a, b ToInspect) int { return cmp.Compare(a.ToolNumber, b.ToolNumber) })
	return d, nil
}
