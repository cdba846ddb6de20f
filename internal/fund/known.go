package fund

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/cutting"
	"pinwright/internal/postgres"
	"pinwright/internal/tariff"
)

// Months is how far is looked, and Past how many months of the past are learned from.
const (
	Months = 24
	Past   = 24
)

// month is how long one is on average.
const month = 30.436875 * 24 * float64(time.Hour)

// mostJobs bounds how many loans and uses are learned from, far above what a club has in two years.
const mostJobs = 50_000

// Known is what the club knows; its rows are filled when the batch was sent.
type Known struct {
	today   time.Time
	put     *postgres.Rows[standing]
	tools   *postgres.Rows[toolRow]
	jobs    *postgres.Rows[job]
	booked  *postgres.Rows[booking]
	charged *postgres.Rows[brought]
	costs   *postgres.Rows[tariff.Costs] // by model
	lasting *cutting.Outlook
}

// standing is what the books say.
type standing struct{ PutBy, Bought int64 }

type toolRow struct {
	ID          uuid.UUID
	Number      string
	ModelID     uuid.UUID
	ModelCode   string
	Kind        string
	ValueMinor  *int64
	OfModel     bool // the value is its model's
	FlatMinor   *int64
	RenewedAt   *time.Time
	Sharpened   int   // since it was new
	Used        int64 // since it was renewed, as far as was recorded
	LoansUntold int   // loans since then of which no use was recorded
}

// job is a loan, or uses without one of one member on one day.
type job struct {
	ToolID   uuid.UUID
	MemberID uuid.UUID
	At       time.Time
	Until    *time.Time
	Uses     *int64 // none recorded: nil
	Loan     bool
}

type booking struct {
	ToolID uuid.UUID
	At     time.Time
}

// brought is what was booked for a tool's uses on a day.
type brought struct {
	ToolID   uuid.UUID
	BookedOn time.Time
	Minor    int64
}

// Queue asks for all that a forecast rests on, as of a day.
func Queue(b *postgres.Batch, now time.Time) *Known {
	k := ownRows(b, now)
	k.costs, k.lasting = tariff.EveryCost(b, k.today), cutting.QueueRemaining(b)
	return k
}

// ownRows asks for what this package reads itself.
func ownRows(b *postgres.Batch, now time.Time) *Known {
	today := now.UTC().Truncate(24 * time.Hour)
	since, until := today.AddDate(0, -Past, 0), today.AddDate(0, Months, 0)
	return &Known{
		today: today,
		put: postgres.Query[standing](b, `
			select coalesce(-sum(balance) filter (where kind = 'fund'), 0)::bigint as put_by, coalesce(sum(balance) filter (where kind = 'tool'), 0)::bigint as bought
			from account where club_id = $1 and kind in ('fund', 'tool')`, b.Club),
		// Served by tool_number, and tool_renewal_of_tool, tool_use_of_tool, loan_of_tool for each tool.
		tools: postgres.Query[toolRow](b, `
			select t.id, t.number, t.model_id, m.code as model_code, m.kind, coalesce(t.value_minor, m.value_minor) as value_minor, t.value_minor is null as of_model, m.charge_minor as flat_minor,
			       r.renewed_at,
			       (select count(*) from tool_renewal n where n.club_id = t.club_id and n.tool_id = t.id and n.voided_at is null and n.kind = 'sharpened' and n.done_at > coalesce(r.replaced_at, '-infinity'))::int as sharpened,
			       (select coalesce(sum(u.count), 0) from tool_use u where u.club_id = t.club_id and u.tool_id = t.id and u.voided_at is null and u.used_at > coalesce(r.renewed_at, '-infinity'))::bigint as used,
			       (select count(*) from loan l where l.club_id = t.club_id and l.tool_id = t.id and l.collected_at > coalesce(r.renewed_at, '-infinity') and l.ended is distinct from 'undone'
			          and not exists (select from tool_use u where u.club_id = l.club_id and u.loan_id = l.id and u.voided_at is null))::int as loans_untold
			from tool t
			join tool_model m on m.club_id = t.club_id and m.id = t.model_id
			cross join lateral (select max(n.done_at) as renewed_at, max(n.done_at) filter (where n.kind = 'replaced') as replaced_at
				from tool_renewal n where n.club_id = t.club_id and n.tool_id = t.id and n.voided_at is null) r
			where t.club_id = $1 and t.state in ('in_service', 'quarantine')
			order by t.number limit 5000`, b.Club),
		jobs: postgres.Query[job](b, `
			select l.tool_id, l.member_id, l.collected_at as at, l.ended_at as until, u.uses, true as loan
			from loan l
			left join lateral (select sum(u.count)::bigint as uses from tool_use u where u.club_id = l.club_id and u.loan_id = l.id and u.voided_at is null) u on true
			where l.club_id = $1 and l.collected_at >= $2 and l.ended is distinct from 'undone'
			union all
			select u.tool_id, u.member_id, min(u.used_at), max(u.used_at), sum(u.count)::bigint, false
			from tool_use u
			where u.club_id = $1 and u.used_at >= $2 and u.used_at <= $3 and u.loan_id is null and u.voided_at is null
			group by u.tool_id, u.member_id, date_trunc('day', u.used_at, 'UTC')
			limit $4`, b.Club, since, now, mostJobs),
		// Of lines that stand for one another until one is decided for, the first counts.
		booked: postgres.Query[booking](b, `
			select b.tool_id, lower(b.period) as at
			from booking b
			where b.club_id = $1 and b.state = 'reserved' and b.held_until > $2 and lower(b.period) < $3
			  and (b.choice is null or b.line = (select min(o.line) from booking o where o.club_id = b.club_id and o.reservation_id = b.reservation_id and o.choice = b.choice and o.state = 'reserved'))
			limit $4`, b.Club, now, until, mostJobs),
		charged: postgres.Query[brought](b, `
			select e.tool_id, e.booked_on, sum(e.minor)::bigint as minor
			from entry e
			where e.club_id = $1 and e.booked_on >= $2 and e.kind = 'charge' and e.reason = 'use' and e.tool_id is not null
			  and not exists (select from entry r where r.club_id = e.club_id and r.reverses = e.id)
			group by e.tool_id, e.booked_on`, b.Club, since),
	}
}
