package reminder

// source is one kind of reminder with the query that finds what there is to
// tell: by the club ($1) and the time ($2) the columns member_id, subject, due_at,
// told_at, detail, tools, time_zone.
type source struct{ kind, query string }

// A member's row, and how long before something they want to be told, are at
// hand as k in each of them.
const (
	lead = `make_interval(hours => coalesce(k.hours_before, 24))`

	openLoans = `
		from loan l
		join booking b on b.club_id = l.club_id and b.reservation_id = l.reservation_id and b.line = l.line
		join tool t on t.club_id = l.club_id and t.id = l.tool_id
		join garage g on g.club_id = l.club_id and g.id = coalesce(b.garage_id, t.garage_id)
		left join contact k on k.club_id = l.club_id and k.member_id = l.member_id
		where l.club_id = $1 and l.ended is null`

	bookings = `
		join booking b on b.club_id = r.club_id and b.reservation_id = r.id
		join tool t on t.club_id = b.club_id and t.id = b.tool_id
		join garage g on g.club_id = b.club_id and g.id = coalesce(b.garage_id, t.garage_id)
		left join contact k on k.club_id = r.club_id and k.member_id = r.member_id`

	ofLines = `array_agg(b.tool_id order by b.line) as tools, (array_agg(g.time_zone order by b.line))[1] as time_zone`

	keepers = `join member m on m.club_id = t.club_id and 'tool_keeper' = any(m.roles) and m.disabled_at is null`
)

// window bounds how long after something happened it is still told, so that a
// service that stood still does not tell of last month.
const window = `interval '2 days'`

// ahead is how long before the day calibrations and inspections are told.
const ahead = `interval '14 days'`

// lendingSources are what members are told of, and who decides on reservations.
var lendingSources = []source{
	// A loan shorter than twice the member's hours is told of when half of it is over.
	{"due_soon", `
		select l.member_id, l.id as subject, b.ends_at as due_at, b.ends_at as told_at, '' as detail, array[l.tool_id] as tools, g.time_zone` + openLoans + `
		and b.ends_at > $2 and greatest(b.ends_at - ` + lead + `, l.collected_at + (b.ends_at - l.collected_at) / 2) <= $2`},
	// When it becomes late, and then every second day at the same time by the clock of the garage, five times in all; of several that
	// were missed the last one only.
	{"late", `
		select l.member_id, l.id as subject, n.moment as due_at, b.ends_at as told_at, '' as detail, array[l.tool_id] as tools, g.time_zone
		from loan l
		join booking b on b.club_id = l.club_id and b.reservation_id = l.reservation_id and b.line = l.line
		join tool t on t.club_id = l.club_id and t.id = l.tool_id
		join garage g on g.club_id = l.club_id and g.id = coalesce(b.garage_id, t.garage_id)
		cross join lateral (
			select max(x.moment) as moment from (
				select case i when 0 then b.ends_at else ((b.ends_at at time zone g.time_zone) + i * interval '2 days') at time zone g.time_zone end as moment from generate_series(0, 4) i
			) x where x.moment < $2
		) n
		where l.club_id = $1 and l.ended is null and b.ends_at < $2`},
	// Who reserved or changed it within that time knows.
	{"begins_soon", `
		select r.member_id, r.id as subject, b.begins_at as due_at, b.begins_at as told_at, '' as detail, ` + ofLines + `
		from reservation r` + bookings + `
		where r.club_id = $1 and b.club_id = $1 and b.state = 'reserved' and b.begins_at > $2 and b.begins_at <= $2::timestamptz + interval '168 hours' and b.begins_at - ` + lead + ` <= $2
		and r.cancelled_at is null and r.offer_until is null and r.approval in ('not_needed', 'given')
		and coalesce(r.changed_at, r.created_at) <= b.begins_at - ` + lead + `
		group by r.member_id, r.id, b.begins_at`},
	{"offer", `
		select r.member_id, r.id as subject, r.offer_until as due_at, min(b.begins_at) as told_at, '' as detail, ` + ofLines + `
		from reservation r` + bookings + `
		where r.club_id = $1 and r.offer_until > $2 and r.offer_until is not null and r.cancelled_at is null and b.state = 'reserved'
		group by r.member_id, r.id, r.offer_until`},
	{"endangered", `
		select r.member_id, r.id as subject, b.endangered_at as due_at, min(b.begins_at) as told_at, min(b.endangered) as detail, ` + ofLines + `
		from reservation r` + bookings + `
		where r.club_id = $1 and b.club_id = $1 and b.endangered is not null and b.state = 'reserved' and b.ends_at > $2 and r.cancelled_at is null
		group by r.member_id, r.id, b.endangered_at`},
	{"moved", `
		select r.member_id, r.id as subject, e.at as due_at, min(b.begins_at) as told_at, '' as detail, ` + ofLines + `
		from (select distinct subject, at from event where club_id = $1 and type = 'reservation.moved' and at > $2::timestamptz - ` + window + `) e
		join reservation r on r.club_id = $1 and r.id = e.subject` + bookings + `
		where b.state = 'reserved'
		group by r.member_id, r.id, e.at`},
	// Who decides on their own knows.
	{"approval", `
		select r.member_id, r.id as subject, r.approval_at as due_at, min(b.begins_at) as told_at, r.approval as detail, ` + ofLines + `
		from reservation r` + bookings + `
		where r.club_id = $1 and r.approval in ('given', 'declined') and r.approval_at > $2::timestamptz - ` + window + ` and r.approval_by is distinct from r.member_id
		group by r.member_id, r.id, r.approval_at, r.approval`},
	// To those who decide, again when it was changed, but never of their own.
	{"to_approve", `
		select m.id as member_id, r.id as subject, coalesce(r.changed_at, r.created_at) as due_at, min(b.begins_at) as told_at, '' as detail, ` + ofLines + `
		from reservation r` + bookings + `
		join member m on m.club_id = r.club_id and m.roles && '{tool_keeper,officer}' and m.disabled_at is null and m.id <> r.member_id
		where r.club_id = $1 and r.approval = 'awaited' and r.cancelled_at is null and r.offer_until is null and b.state = 'reserved' and b.begins_at > $2
		group by m.id, r.id, coalesce(r.changed_at, r.created_at)`},
	{"choice", `
		select r.member_id, r.id as subject, b.decide_by as due_at, min(b.begins_at) as told_at, '' as detail, ` + ofLines + `
		from reservation r` + bookings + `
		where r.club_id = $1 and b.club_id = $1 and b.choice is not null and b.state = 'reserved' and b.decide_by > $2
		and greatest(b.decide_by - ` + lead + `, r.created_at + (b.decide_by - r.created_at) / 2) <= $2
		group by r.member_id, r.id, b.decide_by`},
}

// toolSources are what tool keepers are told of. A day begins where the tool lives.
var toolSources = []source{
	{"calibration", `
		select m.id as member_id, t.id as subject, d.moment as due_at, d.moment as told_at, '' as detail, array[t.id] as tools, g.time_zone
		from tool t
		join garage g on g.club_id = t.club_id and g.id = t.garage_id
		cross join lateral (select c.due_on from calibration c where c.club_id = t.club_id and c.tool_id = t.id order by c.calibrated_on desc, c.id desc limit 1) newest
		cross join lateral (select day_begins(g.time_zone, newest.due_on) as moment) d
		` + keepers + `
		where t.club_id = $1 and t.state in ('in_service', 'quarantine') and d.moment - ` + ahead + ` <= $2 and d.moment > $2::timestamptz - ` + ahead},
	{"inspection", `
		select m.id as member_id, t.id as subject, d.moment as due_at, d.moment as told_at, '' as detail, array[t.id] as tools, g.time_zone
		from tool t
		join garage g on g.club_id = t.club_id and g.id = t.garage_id
		cross join lateral (select day_begins(g.time_zone, t.inspection_due_on) as moment) d
		` + keepers + `
		where t.club_id = $1 and t.state in ('in_service', 'quarantine') and d.moment - ` + ahead + ` <= $2 and d.moment > $2::timestamptz - ` + ahead},
}
