package reports

import (
	"cmp"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Moved is what one tool and one member have of use and money: each use, loan and amount
// counts in one of them.
type Moved struct {
	ToolID   uuid.UUID
	Tool     string
	ModelID  uuid.UUID
	Model    string
	GarageID *uuid.UUID
	Garage   string
	Lent     bool // it is in the club still
	MemberID *uuid.UUID
	Member   string
	Uses     int64
	Holes    int64
	Loans    int64
	LastUse  *time.Time // in all, until the end
	Wear     int64      // charged for use
	Damage   int64
	Other    int64 // consumables, lateness and the rest
	Spent    int64 // on the tool: purchases
	EarnedTo int64 // all of it, from the beginning until the end
	SpentTo  int64
}

// Movings lists what tools and members have of use and money in p's days, and for each tool a row
// of no member, that it stands in the list though nothing moved. Days are those of UTC.
func Movings(b *postgres.Batch, p Period) *postgres.Rows[Moved] {
	return postgres.Query[Moved](b, `
		with `+span+`, days as (select begins, ends, begins::timestamp at time zone 'UTC' as opens, (ends + 1)::timestamp at time zone 'UTC' as closes from span),
		used as (
			select u.tool_id, u.member_id, count(*) filter (where u.used_at >= days.opens) as uses, coalesce(sum(u.count) filter (where u.used_at >= days.opens and u.work = 'holes'), 0) as holes, max(u.used_at) as last_use
			from days join tool_use u on u.club_id = $1 and u.voided_at is null and u.used_at < days.closes group by 1, 2),
		lent as (
			select l.tool_id, l.member_id, count(*) as loans
			from days join loan l on l.club_id = $1 and l.ended is distinct from 'undone' and l.collected_at < days.closes and (l.ended_at is null or l.ended_at >= days.opens) group by 1, 2),
		paid as (
			select e.tool_id, e.member_id,
			       sum(-p.minor) filter (where a.kind in ('fund', 'charges') and r.reason = 'use' and e.booked_on >= days.begins) as wear,
			       sum(-p.minor) filter (where a.kind in ('fund', 'charges') and r.reason = 'damage' and e.booked_on >= days.begins) as damage,
			       sum(-p.minor) filter (where a.kind in ('fund', 'charges') and r.reason not in ('use', 'damage') and e.booked_on >= days.begins) as other,
			       sum(p.minor) filter (where a.kind = 'tool' and e.booked_on >= days.begins) as spent,
			       sum(-p.minor) filter (where a.kind in ('fund', 'charges')) as earned_to,
			       sum(p.minor) filter (where a.kind = 'tool') as spent_to
			from days
			join entry e on e.club_id = $1 and e.tool_id is not null and e.booked_on <= days.ends
			left join entry o on o.club_id = e.club_id and o.id = e.reverses
			cross join lateral (select coalesce(o.reason, e.reason) as reason) as r
			join posting p on p.club_id = e.club_id and p.entry_id = e.id
			join account a on a.club_id = p.club_id and a.id = p.account_id
			group by 1, 2),
		begun as (
			select a.tool_id, null::uuid as member_id, sum(p.minor) as spent_to
			from days
			join entry e on e.club_id = $1 and e.booked_on <= days.ends
			join posting p on p.club_id = e.club_id and p.entry_id = e.id
			join account a on a.club_id = p.club_id and a.id = p.account_id and a.kind = 'tool'
			left join entry o on o.club_id = e.club_id and o.id = e.reverses
			where coalesce(o.kind, e.kind) = 'opening' group by 1),
		pairs as (
			select tool_id, member_id from used union select tool_id, member_id from lent union select tool_id, member_id from paid union select id, null from tool where club_id = $1)
		select t.id as tool_id, t.number as tool, m.id as model_id, m.code as model, t.garage_id, coalesce((select g.code from garage g where g.club_id = $1 and g.id = t.garage_id), '') as garage,
		       t.state not in ('lost', 'retired') as lent, x.member_id, coalesce((select n.number from member n where n.club_id = $1 and n.id = x.member_id), '') as member,
		       coalesce(used.uses, 0)::bigint as uses, coalesce(used.holes, 0)::bigint as holes, coalesce(lent.loans, 0)::bigint as loans, used.last_use,
		       coalesce(paid.wear, 0)::bigint as wear, coalesce(paid.damage, 0)::bigint as damage, coalesce(paid.other, 0)::bigint as other, coalesce(paid.spent, 0)::bigint as spent,
		       coalesce(paid.earned_to, 0)::bigint as earned_to, (coalesce(paid.spent_to, 0) + coalesce(begun.spent_to, 0))::bigint as spent_to
		from pairs x
		join tool t on t.club_id = $1 and t.id = x.tool_id
		join tool_model m on m.club_id = $1 and m.id = t.model_id
		left join used on used.tool_id = x.tool_id and used.member_id is not distinct from x.member_id
		left join lent on lent.tool_id = x.tool_id and lent.member_id is not distinct from x.member_id
		left join paid on paid.tool_id = x.tool_id and paid.member_id is not distinct from x.member_id
		left join begun on begun.tool_id = x.tool_id and x.member_id is null`,
		append([]any{b.Club}, p.args()...)...)
}

// By is what wear is told of.
type By string

// What wear is told of.
const (
	ByTool   By = "tool"
	ByModel  By = "tool_model"
	ByMember By = "member"
	ByGarage By = "garage"
)

// Only narrows a list of tools.
type Only string

// The narrowings.
const (
	Idle   Only = "idle"   // neither used nor lent in the time
	Losing Only = "losing" // more was spent on it than it earned, from the beginning on
)

// Worn is what one of them wore and earned.
type Worn struct {
	ID    *uuid.UUID // nil: of nobody, or of no garage
	Name  string
	First Moved // of a tool: it
	Moved
}

// Earned is what was charged for it.
func (w Worn) Earned() int64 { return w.Wear + w.Damage + w.Other }

// Idle reports whether it was neither used nor lent.
func (w Worn) Idle() bool { return w.Uses == 0 && w.Loans == 0 }

// Losing reports whether more was spent on it than it earned.
func (w Worn) Losing() bool { return w.SpentTo > w.EarnedTo }

// Each is amount for each of n, rounded to the unit, halves away from nothing; nothing for n = 0.
func Each(amount, n int64) *int64 {
	if n == 0 {
		return nil
	}
	sign := int64(1)
	if amount < 0 {
		sign = -1
	}
	each := sign * ((sign*amount*2 + n) / (2 * n))
	return &each
}

// Wear adds rows up by what is asked for, most worn first.
func Wear(rows []Moved, by By, only Only) []Worn {
	found := map[uuid.UUID]*Worn{}
	for _, r := range rows {
		id, name := &r.ToolID, r.Tool
		switch by {
		case ByModel:
			id, name = &r.ModelID, r.Model
		case ByMember:
			id, name = r.MemberID, r.Member
		case ByGarage:
			id, name = r.GarageID, r.Garage
		}
		key := uuid.Nil
		if id != nil {
			key = *id
		}
		w := found[key]
		if w == nil {
			w = &Worn{ID: id, Name: name, First: r}
			found[key] = w
		}
		w.Uses, w.Holes, w.Loans = w.Uses+r.Uses, w.Holes+r.Holes, w.Loans+r.Loans
		w.Wear, w.Damage, w.Other, w.Spent = w.Wear+r.Wear, w.Damage+r.Damage, w.Other+r.Other, w.Spent+r.Spent
		w.EarnedTo, w.SpentTo = w.EarnedTo+r.EarnedTo, w.SpentTo+r.SpentTo
		if r.LastUse != nil && (w.LastUse == nil || r.LastUse.After(*w.LastUse)) {
			w.LastUse = r.LastUse
		}
	}
	var out []Worn
	for _, w := range found {
		nothing := w.Idle() && w.Earned() == 0 && w.Spent == 0
		switch {
		case only == Idle && (!w.Idle() || !w.First.Lent), only == Losing && !w.Losing(), by == ByMember && nothing:
			continue
		}
		out = append(out, *w)
	}
	slices.SortFunc(out, func(a, b Worn) int {
		return cmp.Or(-cmp.Compare(a.Wear, b.Wear), -cmp.Compare(a.SpentTo-a.EarnedTo, b.SpentTo-b.EarnedTo), cmp.Compare(a.Name, b.Name))
	})
	return out
}
