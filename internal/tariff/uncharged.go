package tariff

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// ToCharge is a loan that ended and is to be charged, or to be charged otherwise.
type ToCharge struct {
	LoanID      uuid.UUID
	ToolID      uuid.UUID
	Tool        string // by number
	MemberID    uuid.UUID
	Member      string
	CollectedAt time.Time
	EndedAt     time.Time
	Ended       string
	Uses        int64
	Why         string  // not_charged, uses_changed or entry_reversed
	Minor       *int64  // what stands charged
	Currency    *string // of that
}

// ListToCharge lists the loans that ended since a time and before another, with ids below before's among those
// that ended then: not charged, or charged by other uses than are recorded now, or by entries
// of which one was reversed. Served by loan_ended; what was charged is found by
// loan_charge_of_its_loan.
func ListToCharge(b *postgres.Batch, since, ended time.Time, before uuid.UUID, limit int) *postgres.Rows[ToCharge] {
	return postgres.Query[ToCharge](b, `
		select l.id as loan_id, l.tool_id, (select t.number from tool t where t.club_id = l.club_id and t.id = l.tool_id) as tool,
		       l.member_id, (select p.number from member p where p.club_id = l.club_id and p.id = l.member_id) as member, l.collected_at, l.ended_at, l.ended, u.uses, w.why, x.minor, x.currency
		from loan l
		cross join lateral (
			select count(*) as uses, coalesce(jsonb_agg(jsonb_build_array(v.id, v.work, v.count) order by v.id), '[]') as told
			from tool_use v where v.club_id = l.club_id and v.loan_id = l.id and v.voided_at is null) u
		left join lateral (
			select c.id, c.currency::text as currency, c.flat_minor + c.wear_minor + c.consumables_minor + c.other_minor + c.late_minor + c.damage_minor as minor,
			       (select coalesce(jsonb_agg(jsonb_build_array(v.value -> 'id', v.value -> 'work', v.value -> 'count') order by (v.value ->> 'id')::uuid), '[]') from jsonb_array_elements(c.reckoned -> 'uses') v) as told,
			       exists (select from loan_charge_entry k join entry e on e.club_id = k.club_id and e.reverses = k.entry_id where k.club_id = c.club_id and k.charge_id = c.id) as reversed
			from loan_charge c
			where c.club_id = l.club_id and c.loan_id = l.id and not exists (select from loan_charge n where n.club_id = c.club_id and n.corrects = c.id)) x on true
		cross join lateral (select case when x.id is null then 'not_charged' when x.told <> u.told then 'uses_changed' when x.reversed then 'entry_reversed' end as why) w
		where l.club_id = $1 and l.ended <> 'undone' and l.ended_at >= $2 and (l.ended_at, l.id) < ($3, $4) and w.why is not null
		order by l.ended_at desc, l.id desc limit $5`, b.Club, since, ended, before, limit)
}
