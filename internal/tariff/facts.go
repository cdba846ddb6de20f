package tariff

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Facts are what a charge for one tool and member rests on, besides its uses: the
// editions that are valid when the loan starts, and how far the tool's life is charged.
type Facts struct {
	Line         int
	MemberID     uuid.UUID
	Member       string // by number
	Guest        bool
	Roles        []string
	ToolID       *uuid.UUID // nil: any of the model
	Tool         string     // by number
	ModelID      uuid.UUID
	Model        string // by code
	Kind         string
	FlatMinor    *int64 // of the model, for each loan
	WorthMinor   *int64 // of the model
	DepositMinor *int64
	Starts, Ends time.Time
	TimeZone     string // where it is brought back

	RuleID        *uuid.UUID
	RuleNumber    int64
	LateMinor     int64
	LateMostMinor *int64
	LateGraceDays int
	LeastMinor    int64
	Consumables   map[string]int64
	Exempt        []string

	CostID          *uuid.UUID
	CostNumber      int64
	CostMinor       *int64 // nil, as all the rest: what is usual
	Sharpenings     *int
	SharpeningMinor *int64
	ResidualMinor   *int64
	Life            *int64
	Unit            *string
	Defaults        []string

	BeforeUnits, BeforeCharged int64 // in this life, by older editions of the costs
	DoneUnits, DoneCharged     int64 // by the same
	LaterCharged               int64 // by newer ones
}

// factsOf tells the facts of each row of wanted: line, member_id, tool_id, model_id,
// garage_id, loan_id, starts, ends; no tool or garage for any of the model, no loan before
// it begins. A tool's life is told by the charges that stand of the loans between two
// replacements, but for the loan's own. Served by charge_rule_edition,
// tool_cost_edition, loan_charge_of_tool and tool_renewal_of_tool.
const factsOf = `
	select w.line, p.id as member_id, p.number as member, p.host_id is not null as guest, p.roles, w.tool_id, coalesce(t.number, '') as tool,
	       m.id as model_id, m.code as model, m.kind, m.charge_minor as flat_minor, m.value_minor as worth_minor, coalesce(t.deposit_minor, m.deposit_minor) as deposit_minor,
	       w.starts, w.ends, coalesce(g.time_zone, 'UTC') as time_zone,
	       r.id as rule_id, coalesce(r.number, 0) as rule_number, coalesce(r.late_minor, 0) as late_minor, r.late_most_minor, coalesce(r.late_grace_days, 0) as late_grace_days,
	       coalesce(r.least_minor, 0) as least_minor, coalesce(r.consumables, '{}') as consumables, coalesce(r.exempt, '{}') as exempt,
	       c.id as cost_id, coalesce(c.number, 0) as cost_number, c.cost_minor, c.sharpenings, c.sharpening_minor, c.residual_minor, c.life, c.unit, coalesce(c.defaults, '{}') as defaults,
	       coalesce(s.before_units, 0) as before_units, coalesce(s.before_charged, 0) as before_charged, coalesce(s.done_units, 0) as done_units,
	       coalesce(s.done_charged, 0) as done_charged, coalesce(s.later_charged, 0) as later_charged
	from wanted w
	cross join lateral (select x.id, x.number, x.host_id, x.roles from member x where x.club_id = $1 and x.id = w.member_id limit 1) p
	left join lateral (select x.number, x.deposit_minor from tool x where x.club_id = $1 and x.id = w.tool_id limit 1) t on true
	cross join lateral (select x.id, x.code, x.kind, x.charge_minor, x.value_minor, x.deposit_minor from tool_model x where x.club_id = $1 and x.id = w.model_id limit 1) m
	left join lateral (select x.time_zone from garage x where x.club_id = $1 and x.id = w.garage_id limit 1) g on true
	left join lateral (select e.id, e.number, e.late_minor, e.late_most_minor, e.late_grace_days, e.least_minor, e.consumables, e.exempt from charge_rule e
		where e.club_id = $1 and e.valid_from <= (w.starts at time zone 'UTC')::date order by e.number desc limit 1) r on true
	left join lateral (select e.id, e.number, e.cost_minor, e.sharpenings, e.sharpening_minor, e.residual_minor, e.life, e.unit, e.defaults from tool_cost e
		where e.club_id = $1 and e.model_id = m.id and e.valid_from <= (w.starts at time zone 'UTC')::date order by e.number desc limit 1) c on true
	left join lateral (
		select (sum(x.units) filter (where x.cost_number < coalesce(c.number, 0)))::bigint as before_units, (sum(x.wear_minor) filter (where x.cost_number < coalesce(c.number, 0)))::bigint as before_charged,
		       (sum(x.units) filter (where x.cost_number = coalesce(c.number, 0)))::bigint as done_units, (sum(x.wear_minor) filter (where x.cost_number = coalesce(c.number, 0)))::bigint as done_charged,
		       (sum(x.wear_minor) filter (where x.cost_number > coalesce(c.number, 0)))::bigint as later_charged
		from loan_charge x
		where x.club_id = $1 and x.tool_id = w.tool_id and x.loan_id is distinct from w.loan_id
		and x.lent_at >= coalesce((select max(n.done_at) from tool_renewal n where n.club_id = $1 and n.tool_id = w.tool_id and n.kind = 'replaced' and n.voided_at is null and n.done_at <= w.starts), '-infinity')
		and x.lent_at < coalesce((select min(n.done_at) from tool_renewal n where n.club_id = $1 and n.tool_id = w.tool_id and n.kind = 'replaced' and n.voided_at is null and n.done_at > w.starts), 'infinity')
		and not exists (select from loan_charge y where y.club_id = $1 and y.corrects = x.id)
		and not exists (select from loan_charge_entry k join entry v on v.club_id = k.club_id and v.reverses = k.entry_id where k.club_id = $1 and k.charge_id = x.id and k.reason = 'use')
	) s on true
	order by w.line`

// Wish is one tool that somebody would borrow: a tool or a model, from when to when.
type Wish struct {
	Tool, Model  *postgres.Ref // one of them
	Starts, Ends time.Time
}

// Who is a member, by a query of their id by the club ($1) and args.
type Who struct {
	query string
	args  []any
}

// Named is the member of that id or number.
func Named(ref postgres.Ref) Who {
	return Who{`select id from member where club_id = $1 and (id = $2 or number = $3)`, []any{ref.ID, ref.Name}}
}

// Holding is the member whom holder, a query by the club ($1) and key ($2), gives.
func Holding(holder string, key []byte) Who { return Who{holder, []any{key}} }

// FactsOfWishes are the facts of each wish, by its place in the list; no row for a tool
// or model that is not there.
func FactsOfWishes(b *postgres.Batch, who Who, wishes []Wish) *postgres.Rows[Facts] {
	var lines []int32
	var tools, models []*uuid.UUID
	var numbers, codes []*string
	var starts, ends []time.Time
	split := func(r *postgres.Ref) (*uuid.UUID, *string) {
		if r == nil || r.ID != nil {
			if r == nil {
				return nil, nil
			}
			return r.ID, nil
		}
		return nil, &r.Name
	}
	for i, w := range wishes {
		tool, number := split(w.Tool)
		model, code := split(w.Model)
		lines, starts, ends = append(lines, int32(i)), append(starts, w.Starts), append(ends, w.Ends)
		tools, numbers, models, codes = append(tools, tool), append(numbers, number), append(models, model), append(codes, code)
	}
	args := append([]any{b.Club}, who.args...)
	n := len(args)
	args = append(args, lines, tools, numbers, models, codes, starts, ends)
	return postgres.Query[Facts](b, `
		with wanted as materialized (
			select u.line, (`+who.query+`) as member_id, t.id as tool_id, coalesce(m.id, t.model_id) as model_id,
			       t.garage_id, null::uuid as loan_id, u.starts, u.ends
			from unnest(`+fmt.Sprintf(`$%d::integer[], $%d::uuid[], $%d::text[], $%d::uuid[], $%d::text[], $%d::timestamptz[], $%d::timestamptz[]`, n+1, n+2, n+3, n+4, n+5, n+6, n+7)+`)
				as u(line, tool, number, model, code, starts, ends)
			left join lateral (select x.id, x.model_id, x.garage_id from tool x where x.club_id = $1 and x.id = u.tool
				union all select x.id, x.model_id, x.garage_id from tool x where x.club_id = $1 and x.number = u.number) t on true
			left join lateral (select x.id from tool_model x where x.club_id = $1 and x.id = u.model union all select x.id from tool_model x where x.club_id = $1 and x.code = u.code) m on true
		)`+factsOf, args...)
}

// FactsOfReservation are the facts of each line of a reservation that is not cancelled.
func FactsOfReservation(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Facts] {
	return postgres.Query[Facts](b, `
		with wanted as materialized (
			select b.line, r.member_id, b.tool_id, t.model_id, coalesce(b.garage_id, t.garage_id) as garage_id, null::uuid as loan_id, lower(b.period) as starts, upper(b.period) as ends
			from reservation r join booking b on b.club_id = r.club_id and b.reservation_id = r.id join tool t on t.club_id = b.club_id and t.id = b.tool_id
			where r.club_id = $1 and r.id = $2 and b.state <> 'cancelled'
		)`+factsOf, b.Club, id)
}

func factsOfLoan(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Facts] {
	return postgres.Query[Facts](b, `
		with wanted as materialized (
			select 0 as line, l.member_id, l.tool_id, t.model_id, coalesce(b.garage_id, t.garage_id) as garage_id, l.id as loan_id, l.collected_at as starts,
			       coalesce(upper(l.period_out), upper(b.period)) as ends -- a return makes the booking end when it happened
			from loan l join booking b on b.club_id = l.club_id and b.reservation_id = l.reservation_id and b.line = l.line
			join tool t on t.club_id = l.club_id and t.id = l.tool_id
			where l.club_id = $1 and l.id = $2
		)`+factsOf, b.Club, id)
}

// costs are the costs of f's edition, or what is usual.
func (f Facts) costs() Costs {
	if f.CostID == nil {
		return Usual(f.Kind, f.WorthMinor)
	}
	return Costs{ID: *f.CostID, Number: f.CostNumber, CostMinor: *f.CostMinor, Sharpenings: *f.Sharpenings, SharpeningMinor: *f.SharpeningMinor, ResidualMinor: *f.ResidualMinor,
		Life: *f.Life, Unit: *f.Unit, Defaults: f.Defaults}
}

// exempt says as what f's member pays for damage only; "" for who pays.
func (f Facts) exempt() string {
	role := map[string]string{"tool_keepers": "tool_keeper", "officers": "officer", "treasurers": "treasurer"}
	for _, who := range f.Exempt {
		if who == "guests" && f.Guest {
			return who
		}
		for _, has := range f.Roles {
			if who != "guests" && has == role[who] {
				return who
			}
		}
	}
	return ""
}
