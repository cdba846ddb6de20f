package parts

import (
	"fmt"
	"math"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/leadtime"
	"pinwright/internal/postgres"
	"pinwright/internal/reading"
)

// mostOrders is how many of a supplier's newest orders are learned from.
const mostOrders = 200

// Deliveries are what the orders of some suppliers took; filled when the batch
// was sent.
type Deliveries struct {
	orders *postgres.Rows[delivered]
	stated *postgres.Rows[stated]
}

// delivered is how long one order took, or has been waited for.
type delivered struct {
	ID          uuid.UUID
	SupplierID  uuid.UUID
	OrderedOn   time.Time
	ArrivedOn   *time.Time
	CancelledOn *time.Time
}

// stated is what a supplier and the pin series that name it tell.
type stated struct {
	SupplierID   uuid.UUID
	StatedDays   *int
	LeadDays     *int
	DeliveryDays []int32
}

// deliveries gathers what the orders of the suppliers took that the sub-select yields, in
// which $1 is the club and args begin with $2. Served by parts_order_of_supplier.
func deliveries(b *postgres.Batch, suppliers string, args ...any) *Deliveries {
	all := append([]any{b.Club}, args...)
	return &Deliveries{
		orders: postgres.Query[delivered](b, fmt.Sprintf(`select o.id, o.supplier_id, o.ordered_on, o.arrived_on, o.cancelled_on from (%s) c (id)
			cross join lateral (select * from parts_order x where x.club_id = $1 and x.supplier_id = c.id order by x.id desc limit %d) o`, suppliers, mostOrders), all...),
		stated: postgres.Query[stated](b, selectStated+`from (`+suppliers+`) c (id) cross join lateral (select * from supplier x where x.club_id = $1 and x.id = c.id offset 0) s`, all...),
	}
}

// DeliveriesOf gathers what the orders of the suppliers took whose ids the sub-select
// yields, in which $1 is the club and args begin with $2: for packages that know which
// suppliers they mean by other tables.
func DeliveriesOf(b *postgres.Batch, suppliers string, args ...any) *Deliveries {
	return deliveries(b, suppliers, args...)
}

// selectStated is what a supplier s states, and the pin series that name it. Served by
// pin_series_of_supplier.
const selectStated = `select s.id as supplier_id, s.stated_days,
	(select max(t.lead_days) from ` + seriesOf + ` join pin_step t on t.club_id = p.club_id and t.series_id = p.id) as lead_days,
	(select coalesce(array_agg(d), '{}') from ` + seriesOf + `, unnest(p.delivery_days) d) as delivery_days `

// seriesOf are the pin series p that name the supplier s, one name at a time, so that
// the index is asked.
const seriesOf = `(values (s.code), (nullif(s.name, s.code))) n (name) cross join lateral (select * from pin_series x where x.club_id = s.club_id and x.supplier = n.name offset 0) p`

// DeliveriesOfNew is what is known of a supplier that is not kept yet.
func DeliveriesOfNew(b *postgres.Batch, s Supplier) *Deliveries {
	return &Deliveries{orders: &postgres.Rows[delivered]{},
		stated: postgres.Query[stated](b, selectStated+`from (select $1::uuid as club_id, $2::uuid as id, $3::text as code, $4::text as name, $5::integer as stated_days) s`, b.Club, s.ID, s.Code, s.Name, s.StatedDays)}
}

// Renamed gathers which pin series will name the supplier when it has that code and
// name; what is nil stays.
func (d *Deliveries) Renamed(b *postgres.Batch, ref postgres.Ref, code, name *string) *Deliveries {
	return &Deliveries{orders: d.orders,
		stated: postgres.Query[stated](b, selectStated+`from (select n.club_id, n.id, coalesce($4, n.code) as code, coalesce($5, n.name) as name, n.stated_days
			from supplier n where n.club_id = $1 and (n.id = $2 or n.code = $3)) s`, b.Club, ref.ID, ref.Name, code, name)}
}

// States takes that a supplier states so many days.
func (d *Deliveries) States(days *int) {
	for i := range d.stated.Items {
		d.stated.Items[i].StatedDays = days
	}
}

// Quantile is by how many days something is here with probability P, and which
// day that is where it was ordered.
type Quantile struct {
	P    float64
	Days int
	On   *time.Time
}

// Delivery is how long a supplier takes, and on what that rests.
type Delivery struct {
	Quantiles  []Quantile
	Deliveries int // that came
	Open       int // that are waited for, or were cancelled
	PriorDays  int
	PriorWorth float64
	Assumed    []reading.Remark
}

// Served are the probabilities of a Delivery's quantiles.
func Served() []float64 { return []float64{0.5, 0.8, 0.95} }

// Summary tells a delivery in a sentence.
func (d Delivery) Summary() string {
	at := func(i int) string {
		if on := d.Quantiles[i].On; on != nil {
			return on.Format(time.DateOnly)
		}
		if d.Quantiles[i].Days == 1 {
			return "1 day"
		}
		return fmt.Sprintf("%d days", d.Quantiles[i].Days)
	}
	rests := "on no delivery yet: on what was stated or is usual"
	switch d.Deliveries {
	case 0:
	case 1:
		rests = "on 1 delivery"
	default:
		rests = fmt.Sprintf("on %d deliveries", d.Deliveries)
	}
	by := "within"
	if d.Quantiles[0].On != nil {
		by = "by"
	}
	return fmt.Sprintf("As likely as not here %s %s, 4 in 5 %s %s, 19 in 20 %s %s; this rests %s.", by, at(0), by, at(1), by, at(2), rests)
}

// Expect tells how long the next delivery of a supplier takes; of an order of its
// that is open, in which it stands as it is now, when the rest is here.
func (d *Deliveries) Expect(supplier uuid.UUID, open *Order, today time.Time) (Delivery, error) {
	var out Delivery
	var h leadtime.History
	var said *int
	for _, s := range d.stated.Items {
		if s.SupplierID != supplier {
			continue
		}
		said = s.StatedDays
		if said == nil && s.LeadDays != nil {
			said = s.LeadDays
			out.assume("stated_by_series", map[string]any{"days": *said}, "The supplier states nothing, so the longest time that their pin series state was taken: %d days.", *said)
		}
		for _, days := range s.DeliveryDays {
			h.Delivered = append(h.Delivered, int(days))
		}
	}
	count := func(o delivered) {
		end := today
		switch {
		case o.ArrivedOn != nil:
			h.Delivered = append(h.Delivered, days(o.OrderedOn, *o.ArrivedOn))
			return
		case o.CancelledOn != nil:
			end = *o.CancelledOn
		}
		h.Open = append(h.Open, days(o.OrderedOn, end))
	}
	for _, o := range d.orders.Items {
		if o.SupplierID == supplier && (open == nil || o.ID != open.ID) {
			count(o)
		}
	}
	waited := 0
	if open != nil {
		count(delivered{OrderedOn: open.OrderedOn})
		waited = days(open.OrderedOn, today)
	}
	prior := leadtime.DefaultPrior(said)
	if said == nil {
		out.assume("assumed_delivery_time", map[string]any{"days": prior.Centre}, "Nobody states how long this supplier takes, so a week was taken, and not much sure of (common practice, no published source).")
	}
	out.assume("assumed_delivery_spread", nil, "Before any delivery they were taken to scatter by a factor of about 1.6 each way (common practice, no published source).")
	law, err := leadtime.Learn(prior, h)
	if err != nil {
		return out, err
	}
	out.Deliveries, out.Open, out.PriorDays, out.PriorWorth = len(h.Delivered), len(h.Open), int(math.Round(prior.Centre)), prior.Worth
	for _, p := range Served() {
		q := Quantile{P: p}
		if open == nil {
			q.Days, err = law.Quantile(p)
		} else if q.Days, err = law.QuantileOfOpen(p, waited); err == nil {
			on := open.OrderedOn.AddDate(0, 0, q.Days)
			q.On = &on
		}
		if err != nil {
			return out, err
		}
		out.Quantiles = append(out.Quantiles, q)
	}
	return out, nil
}

func (d *Delivery) assume(code string, params map[string]any, format string, args ...any) {
	d.Assumed = append(d.Assumed, reading.Remark{Code: code, Params: params, Text: fmt.Sprintf(format, args...)})
}

// days is how many whole days lie between two dates, within what a delivery may take.
func days(from, until time.Time) int {
	return min(leadtime.Longest, max(0, int(math.Round(until.Sub(from).Hours()/24))))
}

// Day is the date of a time as its own offset has it, at midnight UTC.
func Day(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
}
