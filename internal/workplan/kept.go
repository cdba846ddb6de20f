package workplan

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/opening"
	"pinwright/internal/parts"
	"pinwright/internal/postgres"
	"pinwright/internal/repair"
)

// Plans are plans that are looked up; they are there once the batch was sent.
type Plans struct{ rows *postgres.Rows[planRow] }

type planRow struct {
	ID       uuid.UUID
	RepairID uuid.UUID
	Number   int
	MadeAt   time.Time
	MemberID uuid.UUID
	Content  []byte
}

const selectPlans = `select p.id, p.repair_id, p.number, p.made_at, p.member_id, p.content from workplan p where p.club_id = $1 and p.repair_id = `

// ofRepair is the id of a repair that is named by $2 and $3.
const ofRepair = `(select r.id from repair r where r.club_id = $1 and (r.id = $2 or r.number = $3))`

// Newest looks up the newest plan of a repair. Served by workplan_number.
func Newest(b *postgres.Batch, name string) Plans {
	id, number := repair.Named(name)
	return Plans{postgres.Query[planRow](b, selectPlans+ofRepair+` order by p.number desc limit 1`, b.Club, id, number)}
}

// Find looks up a repair's plan by its id or number, or its newest.
func Find(b *postgres.Batch, name, plan string) Plans {
	if plan == "newest" {
		return Newest(b, name)
	}
	id, number := repair.Named(name)
	ref := postgres.ParseRef(plan)
	nth, err := strconv.Atoi(ref.Name)
	if err != nil || nth > math.MaxInt32 || nth < 0 {
		nth = 0 // of none
	}
	return Plans{postgres.Query[planRow](b, selectPlans+ofRepair+` and (p.id = $4 or p.number = $5)`, b.Club, id, number, ref.ID, nth)}
}

// List lists the plans of a repair, newest first, with numbers below before.
func List(b *postgres.Batch, name string, before, limit int) Plans {
	id, number := repair.Named(name)
	return Plans{postgres.Query[planRow](b, selectPlans+ofRepair+` and p.number < $4 order by p.number desc limit $5`, b.Club, id, number, before, limit)}
}

// Items are the plans that were found.
func (p Plans) Items() ([]Plan, error) {
	out := make([]Plan, len(p.rows.Items))
	for i, r := range p.rows.Items {
		out[i] = Plan{ID: r.ID, RepairID: r.RepairID, Number: r.Number, MadeAt: r.MadeAt.UTC(), MemberID: r.MemberID}
		if err := json.Unmarshal(r.Content, &out[i].Content); err != nil {
			return nil, fmt.Errorf("workplan: read plan %d: %w", r.Number, err)
		}
	}
	return out, nil
}

// One is the only plan that was found; without one it is problem.Absent.
func (p Plans) One() (Plan, error) {
	all, err := p.Items()
	if err != nil {
		return Plan{}, err
	}
	return (&postgres.Rows[Plan]{Items: all}).One()
}

// Add keeps a plan.
func Add(tx *postgres.Tx, p Plan, version int64) error {
	content, err := json.Marshal(p.Content)
	if err != nil {
		return fmt.Errorf("workplan: write plan %d: %w", p.Number, err)
	}
	tx.Queue(`insert into workplan (club_id, id, repair_id, number, made_at, member_id, content) values ($1, $2, $3, $4, $5, $6, $7)`,
		tx.Club, p.ID, p.RepairID, p.Number, p.MadeAt, p.MemberID, content)
	journal.Append(tx, journal.Event{Type: "repair.planned", Subject: p.RepairID, Version: version, Audience: journal.ForClub, Actor: p.MemberID}, p)
	return nil
}

// Booked is a line that was reserved for a plan of a repair, as it is now.
type Booked struct {
	ReservationID uuid.UUID
	Line          int
	Model         string // of the tool that is promised
	ToolNumber    string
	State         string
	BeginsAt      time.Time
	EndsAt        time.Time
	EndangeredAt  *time.Time
}

// FindBooked looks up what was reserved for a repair by its plans and is still
// reserved or out. Served by workplan_number, workplan_reservation_of_plan and
// booking_pkey.
func FindBooked(b *postgres.Batch, name string) *postgres.Rows[Booked] {
	id, number := repair.Named(name)
	return postgres.Query[Booked](b, `
		select k.reservation_id, k.line, (select m.code from tool_model m where m.club_id = t.club_id and m.id = t.model_id) as model, t.number as tool_number, k.state, lower(k.period) as begins_at, upper(k.period) as ends_at, k.endangered_at
		from workplan p
		cross join lateral (select x.club_id, x.reservation_id from workplan_reservation x where x.club_id = p.club_id and x.workplan_id = p.id offset 0) x
		join booking k on k.club_id = x.club_id and k.reservation_id = x.reservation_id
		join tool t on t.club_id = k.club_id and t.id = k.tool_id
		where p.club_id = $1 and p.repair_id = `+ofRepair+` and k.state in ('reserved', 'out')
		order by begins_at, k.reservation_id, k.line`, b.Club, id, number)
}

// inTime is the order of FindBooked.
func inTime(a, b Booked) int {
	return cmp.Or(a.BeginsAt.Compare(b.BeginsAt), slices.Compare(a.ReservationID[:], b.ReservationID[:]), cmp.Compare(a.Line, b.Line))
}

// Link keeps that a reservation was made for a plan.
func Link(tx *postgres.Tx, plan, reservation uuid.UUID) {
	tx.Queue(`insert into workplan_reservation (club_id, workplan_id, reservation_id) values ($1, $2, $3)`, tx.Club, plan, reservation)
}

// model is a model of tools that steps may ask for.
type model struct {
	Code   string
	Kind   string
	SizeNm *int64
	Pieces int  // in service
	Pause  *int // hours, before it is lent again; nil: as the club has it
}

// supply is a step of the pin series of one of the repair's joints.
type supply struct {
	JointID      uuid.UUID
	Step         string
	ReamerNm     *int64
	LeadDays     *int
	DeliveryDays []int32
	SupplierID   *uuid.UUID // of whom the series is ordered, where the club keeps one
	Supplier     string
}

// Supplied is what the steps of a repair may borrow, and what its pins take to come; it is
// there once the batch was sent.
type Supplied struct {
	models *postgres.Rows[model]
	pins   *postgres.Rows[supply]
	took   *parts.Deliveries
}

// FindSupplied looks up the models that the steps of a repair's edition name, or of
// whose kinds they name some, and the pin series of its joints. Served by
// procedure_edition_number, repair_joint_pkey and pin_series_pkey.
func FindSupplied(b *postgres.Batch, name string) *Supplied {
	id, number := repair.Named(name)
	const seriesOf = `
		from repair_joint x
		cross join lateral (select j.id, coalesce(j.pin_series_id, (select t.pin_series_id from joint_template t where t.club_id = j.club_id and t.id = j.template_id)) as series
			from joint j where j.club_id = x.club_id and j.id = x.joint_id offset 0) j
		cross join lateral (select s.id, s.supplier, s.delivery_days from pin_series s where s.club_id = x.club_id and s.id = j.series offset 0) s `
	const supplierOf = `(select u.id, u.code from supplier u where u.club_id = x.club_id and u.code = s.supplier
			union all select u.id, u.code from supplier u where u.club_id = x.club_id and u.name = s.supplier limit 1)`
	return &Supplied{
		models: postgres.Query[model](b, `
			with asked as materialized (
				select distinct t->>'kind' as kind, t->>'tool_model' as code
				from repair r
				cross join lateral (select e.steps from procedure_edition e where e.club_id = r.club_id and e.procedure_id = r.procedure_id and e.edition = r.edition offset 0) e
				cross join lateral jsonb_array_elements(e.steps) s cross join lateral jsonb_array_elements(s->'tools') t
				where r.club_id = $1 and r.id = `+ofRepair+`
			)
			select m.code, m.kind, m.size_nm, (select count(*) from tool t where t.club_id = m.club_id and t.model_id = m.id and t.state = 'in_service') as pieces,
				m.turnaround_hours as pause
			from tool_model m where m.club_id = $1 and (m.kind in (select a.kind from asked a) or m.code in (select a.code from asked a)) order by m.code`, b.Club, id, number),
		pins: postgres.Query[supply](b, `
			select j.id as joint_id, p.code as step, p.reamer_nm, p.lead_days, s.delivery_days, u.id as supplier_id, coalesce(u.code, '') as supplier`+seriesOf+`
			cross join lateral (select * from pin_step p where p.club_id = x.club_id and p.series_id = s.id offset 0) p
			left join lateral `+supplierOf+` u on true
			where x.club_id = $1 and x.repair_id = `+ofRepair+` order by j.id, p.ordinal`, b.Club, id, number),
		took: parts.DeliveriesOf(b, `select distinct u.id`+seriesOf+`cross join lateral `+supplierOf+` u where x.club_id = $1 and x.repair_id = `+ofRepair, id, number),
	}
}

// Basis is what a plan is made from; it is there once the batch was sent.
type Basis struct {
	Work   *repair.Asked
	Before Plans
	booked *postgres.Rows[Booked]
	*Supplied
	orders *parts.ForRepair
	open   *opening.Table
}

// Lock looks up what a plan of a repair is made from, with the repair locked, so
// that its plans are made one after another.
func Lock(b *postgres.Batch, name string, now time.Time) *Basis {
	return &Basis{Work: repair.Lock(b, name), Before: Newest(b, name), booked: FindBooked(b, name), Supplied: FindSupplied(b, name), orders: parts.QueueForRepair(b, name), open: opening.Load(b, now)}
}

// Booked is what is reserved for the repair so far.
func (b *Basis) Booked() []Booked { return b.booked.Items }
