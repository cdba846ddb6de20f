package whereabouts

import (
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Episode is one thing that a tool went through.
type Episode struct {
	At           time.Time
	ID           uuid.UUID // of the loan, calibration, inspection or change
	What         string    // went_out, came_back, passed_on, lost, calibrated, inspected or changed
	MemberID     *uuid.UUID
	MemberNumber *string
	MemberName   *string
	ByNumber     *string // who recorded it
	ByName       *string
	GarageCode   *string // where it went out, came back or is since
	HomeCode     *string // where it lives since
	State        *string // since then
	Condition    *string // in which it was then
	DueOn        *time.Time
	Late         bool // of what came back: after it was due
	Note         string
	TimeZone     string // of the tool's garage
}

// Behind is a place in the history to continue behind; the zero value is the
// newest end.
type Behind struct {
	At   time.Time
	ID   uuid.UUID
	What string
}

// First is before everything.
var First = Behind{At: time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), ID: uuid.Max, What: "~"}

// ListHistory lists what a tool went through, newest first. A hand-out that was
// undone is left out, since the tool never left. Days without a time stand at noon UTC.
//
// Served by loan_of_tool, calibration_of_tool, inspection_of_tool and
// tool_change_of_tool; a tool has some hundreds of all of them in its life, which are
// put in order before the page is cut.
func ListHistory(b *postgres.Batch, tool postgres.Ref, behind Behind, limit int) *postgres.Rows[Episode] {
	return postgres.Query[Episode](b, `
		with t as materialized (select t.id, g.time_zone from tool t join garage g on g.club_id = t.club_id and g.id = t.garage_id where t.club_id = $1 and (t.id = $2 or t.number = $3)),
		l as materialized (
			select l.id, l.member_id, l.collected_at, l.condition_out, l.note_out, l.ended, l.ended_at, l.condition_in, l.note_in, b.ends_at,
			       o.kind as act, coalesce(o.garage_id, b.garage_id, home.garage_id) as from_garage, o.by_member as out_by, i.garage_id as to_garage, i.by_member as in_by
			from loan l
			cross join lateral (select garage_id from tool where club_id = l.club_id and id = l.tool_id limit 1) home
			cross join lateral (select ends_at, garage_id from booking where club_id = l.club_id and reservation_id = l.reservation_id and line = l.line limit 1) b
			cross join lateral (select kind, garage_id, by_member from counter_act where club_id = l.club_id and id = l.handout_id limit 1) o
			left join lateral (select garage_id, by_member from counter_act where club_id = l.club_id and id = l.return_id limit 1) i on true
			where l.club_id = $1 and l.tool_id = (select id from t) and l.ended is distinct from 'undone'),
		e as (
			select collected_at as at, id, case act when 'hand_over' then 'passed_on' else 'went_out' end as what, member_id, out_by as by_member, case act when 'hand_over' then null else from_garage end as garage_id, null::uuid as home_id,
			       null::text as state, condition_out as condition, null::date as due_on, false as late, note_out as note from l
			union all
			select ended_at, id, case ended when 'lost' then 'lost' else 'came_back' end, member_id, in_by, to_garage, null, null, condition_in, null, ended = 'returned' and ended_at > ends_at, note_in
			from l where ended in ('returned', 'lost')
			union all
			select calibrated_on::timestamp at time zone 'UTC' + interval '12 hours', id, 'calibrated', null, member_id, null, null, null, null, due_on, false, certificate
			from calibration where club_id = $1 and tool_id = (select id from t)
			union all
			select inspected_at, id, 'inspected', null, member_id, null, null, null, condition, next_due_on, false, ''
			from inspection where club_id = $1 and tool_id = (select id from t)
			union all
			select at, id, 'changed', null, null, place_garage_id, home_garage_id, state, condition, null, false, ''
			from tool_change where club_id = $1 and tool_id = (select id from t)),
		page as (select * from e where (at, id, what) < ($4, $5, $6) order by at desc, id desc, what desc limit $7)
		select e.at, e.id, e.what, e.member_id, w.number as member_number, w.name as member_name, y.number as by_number, y.name as by_name,
		       g.code as garage_code, o.code as home_code, e.state, e.condition, e.due_on, e.late, coalesce(e.note, '') as note, (select time_zone from t) as time_zone
		from page e
		left join lateral (select number, name from member where club_id = $1 and id = e.member_id limit 1) w on true
		left join lateral (select number, name from member where club_id = $1 and id = e.by_member limit 1) y on true
		left join lateral (select code from garage where club_id = $1 and id = e.garage_id limit 1) g on true
		left join lateral (select code from garage where club_id = $1 and id = e.home_id limit 1) o on true
		order by e.at desc, e.id desc, e.what desc`,
		b.Club, tool.ID, tool.Name, behind.At, behind.ID, behind.What, limit)
}

var states = map[string]string{"in_service": "in service again", "quarantine": "in quarantine", "lost": "lost", "retired": "retired"}

// Text tells of e in one sentence.
func (e Episode) Text() string {
	who := ""
	if e.MemberName != nil && e.MemberNumber != nil {
		who = *e.MemberName + " (" + *e.MemberNumber + ")"
	}
	at := ""
	if e.GarageCode != nil {
		at = " at " + *e.GarageCode
	}
	condition := ""
	if e.Condition != nil {
		condition = ", " + *e.Condition
	}
	switch e.What {
	case "went_out":
		return "Went out to " + who + at + condition + "."
	case "passed_on":
		return "Passed on to " + who + condition + "."
	case "came_back":
		late := ""
		if e.Late {
			late = ", late"
		}
		return "Came back from " + who + at + condition + late + "."
	case "lost":
		return "Lost while with " + who + "."
	case "calibrated":
		return "Calibrated; due again " + e.DueOn.Format("2 Jan 2006") + "."
	case "inspected":
		text := "Inspected" + condition
		if e.DueOn != nil {
			text += "; due again " + e.DueOn.Format("2 Jan 2006")
		}
		return text + "."
	}
	var parts []string
	if e.State != nil {
		parts = append(parts, states[*e.State])
	}
	if e.HomeCode != nil {
		parts = append(parts, "lives at "+*e.HomeCode+" now")
	}
	if e.GarageCode != nil && (e.HomeCode == nil || *e.HomeCode != *e.GarageCode) {
		parts = append(parts, "is at "+*e.GarageCode+" now")
	}
	if e.Condition != nil {
		parts = append(parts, "found "+*e.Condition)
	}
	text := strings.Join(parts, ", ")
	return strings.ToUpper(text[:1]) + text[1:] + "."
}
