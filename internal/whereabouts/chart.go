package whereabouts

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
)

// Bar is a stretch for which a tool is, was or will be somewhere, or cannot be
// lent.
type Bar struct {
	ToolID     uuid.UUID
	Kind       string // reserved, out (also what has come back) or unlendable
	BeginsAt   time.Time
	EndsAt     *time.Time // nil: it goes on
	DueAt      *time.Time // of what is or was out
	Who        string     // the member's number; empty for what is unlendable
	State      string     // quarantine, lost or retired, of what is unlendable
	Endangered bool
}

// Row is one tool of a wall chart.
type Row struct {
	ID     uuid.UUID
	Number string
	Name   string // of its model
	State  string
}

// ClosedDays are a stretch of days on which nothing is handed out, both
// inclusive, as dates at midnight UTC.
type ClosedDays struct{ FirstDay, LastDay time.Time }

// MostRows is how many tools a wall chart shows.
const MostRows = 120

// Chart is a club's next weeks; its rows are there once the batch was sent.
type Chart struct {
	rows     *postgres.Rows[Row]
	Bars     *postgres.Rows[Bar]
	closures *postgres.Rows[ClosedDays]
	weekdays *postgres.Rows[int16] // ISO weekdays on which the garage opens, where it says so
}

// Rows are the tools that are shown.
func (c *Chart) Rows() []Row { return c.rows.Items[:min(len(c.rows.Items), MostRows)] }

// IsCut reports whether there are more tools than are shown.
func (c *Chart) IsCut() bool { return len(c.rows.Items) > MostRows }

// barsOf selects what is promised and out of the tools s between $2 and $3.
func barsOf(tools string) string {
	return `
		select b.tool_id, 'reserved' as kind, b.begins_at, b.ends_at, null::timestamptz as due_at, w.number as who, '' as state, b.endangered is not null as endangered
		from ` + tools + `
		cross join lateral (select tool_id, reservation_id, begins_at, ends_at, endangered from booking
			where club_id = $1 and tool_id = s.id and state = 'reserved' and begins_at < $3 and ends_at > $2 order by begins_at limit 500) b
		cross join lateral (select member_id from reservation where club_id = $1 and id = b.reservation_id limit 1) r
		cross join lateral (select number from member where club_id = $1 and id = r.member_id limit 1) w
		union all
		select l.tool_id, 'out', l.collected_at, l.ended_at, b.ends_at, w.number, '', false
		from ` + tools + `
		cross join lateral (select tool_id, member_id, reservation_id, line, collected_at, ended_at from loan
			where club_id = $1 and tool_id = s.id and ended is distinct from 'undone' and collected_at < $3 and (ended is null or ended_at > $2) order by id desc limit 500) l
		cross join lateral (select ends_at from booking where club_id = $1 and reservation_id = l.reservation_id and line = l.line limit 1) b
		cross join lateral (select number from member where club_id = $1 and id = l.member_id limit 1) w`
}

// QueueChart asks what is promised and out between two moments, of the tools
// that live at a garage, or of all where it is nil. Served by tool_number or
// tool_in_garage, booking_next, loan_of_tool and closure_ahead.
func QueueChart(b *postgres.Batch, garage *postgres.Ref, from, until time.Time) *Chart {
	ref := postgres.Ref{}
	barArgs, rowArgs := []any{b.Club, from, until, MostRows}, []any{b.Club, MostRows + 1}
	tools := func(limit string, garage int) string {
		sql := `(select t.id, t.number, t.state, t.model_id from tool t where t.club_id = $1 and t.state in ('in_service', 'quarantine')`
		if garage > 0 {
			sql += fmt.Sprintf(` and t.garage_id = (select id from garage where club_id = $1 and (id = $%d or code = $%d))`, garage, garage+1)
		}
		return sql + ` order by t.number limit ` + limit + `) s`
	}
	ofBars, ofRows := tools("$4", 0), tools("$2", 0)
	if garage != nil {
		ref = *garage
		barArgs, rowArgs = append(barArgs, ref.ID, ref.Name), append(rowArgs, ref.ID, ref.Name)
		ofBars, ofRows = tools("$4", 5), tools("$2", 3)
	}
	return &Chart{
		rows: postgres.Query[Row](b, `select s.id, s.number, m.name, s.state from `+ofRows+`
			cross join lateral (select name from tool_model where club_id = $1 and id = s.model_id limit 1) m order by s.number`, rowArgs...),
		Bars: postgres.Query[Bar](b, barsOf(ofBars), barArgs...),
		closures: postgres.Query[ClosedDays](b, `
			select first_day, last_day from closure where club_id = $1 and withdrawn_at is null and last_day >= $4::date and first_day <= $5::date
			and (garage_id is null or garage_id = (select id from garage where club_id = $1 and (id = $2 or code = $3)))`,
			b.Club, ref.ID, ref.Name, from, until),
		weekdays: postgres.Values[int16](b, `
			select distinct weekday from garage_hours where club_id = $1 and garage_id = (select id from garage where club_id = $1 and (id = $2 or code = $3))`,
			b.Club, ref.ID, ref.Name),
	}
}

// IsClosed reports whether nothing is handed out on a day, given as its date at
// midnight UTC.
func (c *Chart) IsClosed(day time.Time) bool {
	for _, s := range c.closures.Items {
		if !day.Before(s.FirstDay) && !day.After(s.LastDay) {
			return true
		}
	}
	if len(c.weekdays.Items) == 0 {
		return false
	}
	iso := int16((int(day.Weekday())+6)%7 + 1)
	for _, open := range c.weekdays.Items {
		if open == iso {
			return false
		}
	}
	return true
}

// Life is what a timeline of one tool shows; its rows are there once the batch
// was sent.
type Life struct {
	Bars         *postgres.Rows[Bar]
	Calibrations *postgres.Rows[Calibrated] // newest first
}

// Calibrated is a calibration of a tool.
type Calibrated struct{ On, DueOn time.Time }

// QueueLife asks for what a tool went through and is promised between two
// moments. Served by booking_next, loan_of_tool, tool_change_of_tool and
// calibration_of_tool.
func QueueLife(b *postgres.Batch, tool postgres.Ref, from, until time.Time) *Life {
	return &Life{
		Bars: postgres.Query[Bar](b, barsOf(`(select id from tool where club_id = $1 and (id = $4 or number = $5)) s`)+`
			union all
			select c.tool_id, 'unlendable', c.at, c.until, null, '', c.state, false
			from (select tool_id, at, state, lead(at) over (order by at, id) as until from tool_change
			      where club_id = $1 and tool_id = (select id from tool where club_id = $1 and (id = $4 or number = $5)) and state is not null) c
			where c.state <> 'in_service' and c.at < $3 and (c.until is null or c.until > $2)`,
			b.Club, from, until, tool.ID, tool.Name),
		Calibrations: postgres.Query[Calibrated](b, `
			select calibrated_on as on, due_on from calibration
			where club_id = $1 and tool_id = (select id from tool where club_id = $1 and (id = $2 or number = $3)) and calibrated_on <= $4::date
			order by calibrated_on desc, id desc limit 30`, b.Club, tool.ID, tool.Name, until),
	}
}

// FindHomeZone returns the time zone of the garage of the member whom holder, a
// query by the club ($1) and who ($2), gives; no row for who has none.
func FindHomeZone(b *postgres.Batch, holder string, who []byte) *postgres.Rows[string] {
	return postgres.Values[string](b, `
		select g.time_zone from member m join garage g on g.club_id = m.club_id and g.id = m.garage_id
		where m.club_id = $1 and m.id = (`+holder+`)`, b.Club, who)
}

// Position is how many days of zone's clock lie between the beginning of the day
// zero, given as its date at midnight UTC, and t. A day counts one however many
// hours it has, so that days are equally wide where time is drawn.
func Position(t time.Time, zone *time.Location, zero time.Time) float64 {
	local := t.In(zone)
	date := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, time.UTC)
	begins, ends := club.DayBegins(zone, date), club.DayBegins(zone, date.AddDate(0, 0, 1))
	return date.Sub(zero).Hours()/24 + t.Sub(begins).Seconds()/ends.Sub(begins).Seconds()
}
