package calendar

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/access"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// shown is the calendar behind an address, with what it is named after.
type shown struct {
	ID        uuid.UUID
	Shows     Subject
	Names     bool
	CreatedAt time.Time
	ClubName  string
	Subject   string // the tool's number and model, or the garage's name
}

// stretch is one line of a reservation as calendars show it, with the loan that
// came of it.
type stretch struct {
	ReservationID uuid.UUID
	Line          int
	State         string
	BookedFrom    time.Time
	BookedUntil   time.Time
	Tool          string // its number
	Model         string
	Caution       string
	Garage        string // where it is collected and brought back
	Address       string
	TimeZone      string
	Sequence      int64
	CreatedAt     time.Time
	ChangedAt     time.Time
	Approval      string
	OfferUntil    *time.Time
	DecideBy      *time.Time
	Endangered    string
	CollectedAt   *time.Time
	LateAt        *time.Time
	Ended         string // how the loan ended; empty while it lasts, and where there is none
	EndedAt       *time.Time
	Who           string // borrows it; empty unless names are told
}

// dueDate is a day on which a tool is due for something.
type dueDate struct {
	Thing     uuid.UUID
	What      view
	On        time.Time
	Tool      string
	Model     string
	Garage    string
	Address   string
	ChangedAt time.Time
	Sequence  int64
}

// closure is days on which a garage is closed.
type closure struct {
	ID         uuid.UUID
	FirstDay   time.Time
	LastDay    time.Time
	Reason     string
	WholeClub  bool
	Garage     string
	Address    string
	RecordedAt time.Time
}

// Found is what stands behind an address, once its batch was sent.
type Found struct {
	calendar *postgres.Rows[shown]
	borrowed *postgres.Rows[stretch]
	promised *postgres.Rows[stretch]
	counter  *postgres.Rows[stretch]
	due      *postgres.Rows[dueDate]
	closures *postgres.Rows[closure]
}

// Look looks up the calendar whose address has that hash, with all it shows in
// the window of now: one batch, in which those queries find nothing that are of another
// kind of calendar.
func Look(b *postgres.Batch, hash []byte, now time.Time) *Found {
	w := WindowAt(now)
	return &Found{
		calendar: postgres.Query[shown](b, standing+`
			select k.id, k.shows, k.names, k.created_at, c.name as club_name, coalesce(m.name || ', tool ' || t.number, g.name, '') as subject
			from k join club c on c.club_id = $1
			left join tool t on t.club_id = $1 and t.id = k.tool_id left join tool_model m on m.club_id = $1 and m.id = t.model_id
			left join garage g on g.club_id = $1 and g.id = k.garage_id`, b.Club, hash, now),
		borrowed: queryStretches(b, borrowedLines, hash, OfMember, now),
		promised: queryStretches(b, promisedLines, hash, OfTool, now),
		counter:  queryStretches(b, counterLines, hash, OfGarage, now),
		due: postgres.Query[dueDate](b, standing+`
			select d.thing, d.what, d.due_on as "on", t.number as tool, m.name as model, g.name as garage, g.address, d.changed_at, d.sequence
			from k join tool t on t.club_id = $1 and t.id = k.tool_id
			join tool_model m on m.club_id = $1 and m.id = t.model_id
			join garage g on g.club_id = $1 and g.id = t.garage_id
			cross join lateral (
				(select c.id as thing, 'calibration due' as what, c.due_on, c.recorded_at as changed_at, 0::bigint as sequence
				 from calibration c where c.club_id = $1 and c.tool_id = t.id order by c.calibrated_on desc, c.id desc limit 1)
				union all
				-- Nothing tells when the day was set; the tool's version tells that it was.
				select t.id, 'inspection due', t.inspection_due_on, k.created_at, t.version - 1 where t.inspection_due_on is not null) d
			where t.state <> 'retired' and d.due_on >= $4 and d.due_on < $5`, b.Club, hash, now, w.From, w.Until),
		closures: postgres.Query[closure](b, standing+`
			select x.id, x.first_day, x.last_day, x.reason, x.garage_id is null as whole_club, g.name as garage, g.address, x.recorded_at
			from k join garage g on g.club_id = $1 and g.id = k.garage_id
			join closure x on x.club_id = $1 and x.withdrawn_at is null and x.last_day >= $4 and x.first_day < $5 and (x.garage_id is null or x.garage_id = g.id)
			order by x.last_day limit $6`, b.Club, hash, now, w.From, w.Until, Most),
	}
}

// standing is the calendar k at an address ($2) that shows something still, at $3.
var standing = `
	with k as materialized (
		select k.id, k.shows, k.names, k.created_at, k.member_id, k.tool_id, k.garage_id
		from calendar k join member m on m.club_id = $1 and m.id = k.member_id
		where k.club_id = $1 and k.hash = $2 and k.revoked_at is null and ` + access.WorkingAt("$3") + `)`

// What has ended is shown for a while: the window's past. Three ways lead to a
// line: it is held in the window, it was given up and would have been, or its tool is
// out still, however long that is overdue. No line is found by two of them.
const (
	borrowedLines = `
	, newest as (
		select r.id from reservation r where r.club_id = $1 and r.member_id = (select member_id from k where shows = $4) order by r.id desc limit $9),
	had as (
		select distinct l.reservation_id, l.line from loan l join reservation r on r.club_id = $1 and r.id = l.reservation_id and r.member_id <> l.member_id
		where l.club_id = $1 and l.member_id = (select member_id from k where shows = $4) and l.ended is distinct from 'undone'),
	picked as (
		select b.reservation_id, b.line from newest n join booking b on b.club_id = $1 and b.reservation_id = n.id
		where b.state = 'out' or upper(b.period) > $5 and lower(b.period) < $6
		union all
		select b.reservation_id, b.line from had h join booking b on b.club_id = $1 and b.reservation_id = h.reservation_id and b.line = h.line
		where b.state = 'out' or upper(b.period) > $5 and lower(b.period) < $6)`

	promisedLines = `
	, picked as (
		select b.reservation_id, b.line from booking b
		where b.club_id = $1 and b.tool_id = (select tool_id from k where shows = $4) and b.state not in ('cancelled', 'lost') and b.held_until > $5 and lower(b.period) < $6
		union all
		select b.reservation_id, b.line from booking b
		where b.club_id = $1 and b.tool_id = (select tool_id from k where shows = $4) and b.state in ('cancelled', 'lost') and b.held_until > $5 and lower(b.period) < $6
		union all
		select b.reservation_id, b.line from loan l join booking b on b.club_id = $1 and b.reservation_id = l.reservation_id and b.line = l.line and b.held_until <= $5
		where l.club_id = $1 and l.tool_id = (select tool_id from k where shows = $4) and l.ended is null)`

	counterLines = `
	, here as (
		select t.id from tool t where t.club_id = $1 and t.garage_id = (select garage_id from k where shows = $4)),
	picked as (
		select b.reservation_id, b.line from here t join booking b on b.club_id = $1 and b.tool_id = t.id
		where b.garage_id is null and b.state not in ('cancelled', 'lost') and b.held_until > $5 and lower(b.period) < $6
		union all
		select b.reservation_id, b.line from here t join booking b on b.club_id = $1 and b.tool_id = t.id
		where b.garage_id is null and b.state in ('cancelled', 'lost') and b.held_until > $5 and lower(b.period) < $6
		union all
		select b.reservation_id, b.line from booking b
		where b.club_id = $1 and b.garage_id = (select garage_id from k where shows = $4) and b.held_until > $5 and lower(b.period) < $6
		union all
		select b.reservation_id, b.line from here t join loan l on l.club_id = $1 and l.tool_id = t.id and l.ended is null
		join booking b on b.club_id = $1 and b.reservation_id = l.reservation_id and b.line = l.line and b.garage_id is null and b.held_until <= $5)`
)

// queryStretches queries the picked lines with all that is told of them: of the
// nearest to today, the most that a calendar shows. What belongs to a line is looked
// up line by line, or whole tables would be joined. A member's calendar tells of
// that member's own loan of a line, since a tool may be passed on.
func queryStretches(b *postgres.Batch, picked string, hash []byte, of Subject, now time.Time) *postgres.Rows[stretch] {
	w := WindowAt(now)
	args := []any{b.Club, hash, now, of, w.From, w.Until, w.Today, Most}
	holder, collected := `true`, `told.collected_at`
	if of == OfMember {
		args = append(args, MostRead)
		holder, collected = `l.member_id = k.member_id`, `l.collected_at`
	}
	return postgres.Query[stretch](b, standing+picked+`,
	nearest as (
		select b.* from picked p cross join lateral (
			select b.reservation_id, b.line, b.tool_id, b.period, b.state, b.garage_id, b.decide_by, coalesce(b.endangered, '') as endangered, b.endangered_at,
			       r.member_id, r.version, r.created_at, r.approval, r.offer_until, greatest(r.created_at, r.changed_at, r.cancelled_at) as changed_at
			from booking b join reservation r on r.club_id = $1 and r.id = b.reservation_id
			where b.club_id = $1 and b.reservation_id = p.reservation_id and b.line = p.line offset 0) b
		where b.state <> 'cancelled' or b.changed_at >= $5
		order by abs(extract(epoch from lower(b.period) - $7)), b.reservation_id, b.line limit $8)
		select b.reservation_id, b.line, b.state, lower(b.period) as booked_from, upper(b.period) as booked_until,
		       t.tool, t.model, t.caution, t.garage, t.address, t.time_zone,
		       b.version - 1 + coalesce(told.versions, 0) as sequence, b.created_at, greatest(b.changed_at, b.endangered_at, told.changed_at) as changed_at,
		       b.approval, b.offer_until, b.decide_by, b.endangered,
		       `+collected+`, l.late_at, coalesce(l.ended, '') as ended, l.ended_at,
		       case when k.names and k.shows <> 'member' then
		            (select w.name || ' (' || w.number || ')' from member w where w.club_id = $1 and w.id = coalesce(l.member_id, b.member_id)) else '' end as who
		from k cross join nearest b
		cross join lateral (
			select t.number as tool, m.name as model, m.caution, g.name as garage, g.address, g.time_zone
			from tool t join tool_model m on m.club_id = $1 and m.id = t.model_id join garage g on g.club_id = $1 and g.id = coalesce(b.garage_id, t.garage_id)
			where t.club_id = $1 and t.id = b.tool_id offset 0) t
		left join lateral (
			select l.member_id, l.collected_at, l.late_at, l.ended, l.ended_at from loan l
			where l.club_id = $1 and l.reservation_id = b.reservation_id and l.line = b.line and l.ended is distinct from 'undone' and `+holder+`
			order by l.recorded_at desc, l.id desc limit 1) l on true
		cross join lateral (
			select sum(l.version)::bigint as versions, max(greatest(l.recorded_at, l.late_at, l.ended_at, o.undone_at, i.recorded_at, i.undone_at)) as changed_at,
			       min(l.collected_at) filter (where l.ended is distinct from 'undone') as collected_at
			from loan l
			join counter_act o on o.club_id = $1 and o.id = l.handout_id
			left join counter_act i on i.club_id = $1 and i.id = l.return_id
			where l.club_id = $1 and l.reservation_id = b.reservation_id and l.line = b.line) told
		where k.shows = $4`, args...)
}

// ErrNone is the one answer for an address that shows nothing, whatever it never
// was, was once, or is of.
var ErrNone = problem.New(problem.NotFound, "There is no calendar at this address, or none any more. Whoever made it can make a new one: POST …/calendars.")

// Feed is the calendar that was found.
func (f *Found) Feed() (Feed, error) {
	if len(f.calendar.Items) != 1 {
		return Feed{}, ErrNone
	}
	k := f.calendar.Items[0]
	var events []Event
	for _, s := range f.borrowed.Items {
		events = append(events, s.borrowed())
	}
	for _, s := range f.promised.Items {
		events = append(events, s.promised())
	}
	for _, s := range f.counter.Items {
		events = append(events, s.overTheCounter()...)
	}
	for _, d := range f.due.Items {
		events = append(events, d.event())
	}
	for _, c := range f.closures.Items {
		events = append(events, c.event())
	}
	return k.feed(inOrder(events)), nil
}
