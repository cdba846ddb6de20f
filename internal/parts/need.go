package parts

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/google/uuid"

	"pinwright/internal/calc/choice"
	"pinwright/internal/postgres"
	"pinwright/internal/reading"
	"pinwright/internal/repair"
)

// Need is one thing that a repair needs, and how far it has come.
type Need struct {
	What     string
	SeriesID *uuid.UUID
	Step     *string
	Unit     string
	Needed   int
	Spares   int
	Ordered  int
	Arrived  int
	For      []string // positions of joints, or keys of steps
}

// Missing is how many are still to be ordered.
func (n Need) Missing() int { return max(0, n.Needed+n.Spares-n.Ordered) }

// Waits is how many are needed and not here.
func (n Need) Waits() int { return max(0, n.Needed-n.Arrived) }

// Needs is what a repair needs.
type Needs struct {
	List     []Need
	Orders   []Order // for the repair, newest first
	Warnings []reading.Remark
	Assumed  []reading.Remark
	// Undecided says that it is not decided what is done with some of the joints.
	Undecided bool
}

// Ordered reports whether all that its joints need was ordered, as far as it is decided
// what is done with them; what is used up besides does not count.
func (n Needs) Ordered() bool {
	pieces := 0
	for _, one := range n.List {
		if one.Unit == "" {
			pieces++
			if one.Ordered < one.Needed {
				return false
			}
		}
	}
	return pieces > 0 && !n.Undecided
}

// mostOfRepair bounds the orders for one repair.
const mostOfRepair = 200

// offered is one step of a series that a recommendation chose from, and who has it.
type offered struct {
	SeriesID uuid.UUID
	Series   string
	Step     string
	First    bool
	Supplier *string
}

// ForRepair are the orders for a repair, with what its needs are told from; filled when the batch
// was sent.
type ForRepair struct {
	orders  *postgres.Rows[Order]
	offered *postgres.Rows[offered]
	known   *postgres.Rows[struct {
		Code string
		ID   uuid.UUID
	}]
	Deliveries *Deliveries
}

// QueueForRepair gathers the orders for a repair. Served by parts_order_of_repair.
func QueueForRepair(b *postgres.Batch, name string) *ForRepair {
	id, number := repair.Named(name)
	const named = `(select r.id from repair r where r.club_id = $1 and (r.id = $2 or r.number = $3))`
	const series = `(select (convert_from(a.body, 'UTF8')::jsonb->>'pin_series_id')::uuid from repair r join recommendation a on a.club_id = r.club_id and a.id = r.recommendation_id
		where r.club_id = $1 and (r.id = $2 or r.number = $3))`
	const suppliers = `select u.id from pin_series p cross join lateral (select x.id from supplier x where x.club_id = p.club_id and x.code = p.supplier
			union select x.id from supplier x where x.club_id = p.club_id and x.name = p.supplier) u where p.club_id = $1 and p.id = ` + series + `
		union select x.supplier_id from parts_order x where x.club_id = $1 and x.repair_id = ` + named
	return &ForRepair{
		orders: postgres.Query[Order](b, selectOrders+` and o.repair_id = `+named+fmt.Sprintf(` order by o.id desc limit %d`, mostOfRepair), b.Club, id, number),
		offered: postgres.Query[offered](b, `select p.id as series_id, p.code as series, t.code as step, t.ordinal = 0 as first,
			(select u.code from supplier u where u.club_id = p.club_id and u.retired_at is null and u.code = p.supplier
				union all select u.code from supplier u where u.club_id = p.club_id and u.retired_at is null and u.name = p.supplier limit 1) as supplier
			from pin_series p join pin_step t on t.club_id = p.club_id and t.series_id = p.id where p.club_id = $1 and p.id = `+series+` order by t.ordinal`, b.Club, id, number),
		known: postgres.Query[struct {
			Code string
			ID   uuid.UUID
		}](b, `select u.code, u.id from (`+suppliers+`) c (id) cross join lateral (select * from supplier x where x.club_id = $1 and x.id = c.id offset 0) u`, b.Club, id, number),
		Deliveries: deliveries(b, suppliers, id, number),
	}
}

// Of tells what the repair w needs, with so many spare pins of each size.
func (f *ForRepair) Of(w *repair.Work, spares int) Needs {
	out := Needs{Orders: f.orders.Items}
	undecided := f.pins(w, spares, &out)
	if out.Undecided = len(undecided) > 0; out.Undecided {
		out.Warnings = append(out.Warnings, reading.Remark{Code: "not_decided", Params: map[string]any{"positions": undecided},
			Text: "What is done with " + strings.Join(undecided, ", ") + " is not decided, so nothing of it stands here: ask for a recommendation and give it to the repair."})
	}
	consumables(w, &out)
	for _, o := range f.orders.Items {
		for _, l := range o.Lines {
			for i := range out.List {
				if n := &out.List[i]; n.is(l) {
					n.Arrived += l.Arrived
					n.Ordered += l.Arrived + o.Missing(l)
				}
			}
		}
	}
	return out
}

// is reports whether a line of an order is of what n needs.
func (n Need) is(l Line) bool {
	if n.SeriesID != nil {
		return l.SeriesID != nil && *l.SeriesID == *n.SeriesID && *l.Step == *n.Step
	}
	return l.SeriesID == nil && strings.EqualFold(l.What, n.What) && l.Unit == n.Unit
}

// pins adds what the recommendation's choices need, and returns the positions for which
// nothing is chosen.
func (f *ForRepair) pins(w *repair.Work, spares int, out *Needs) (undecided []string) {
	pin := func(series uuid.UUID, step, position string) {
		i := slices.IndexFunc(out.List, func(n Need) bool { return n.Step != nil && *n.Step == step && *n.SeriesID == series })
		if i < 0 {
			name := step
			for _, o := range f.offered.Items {
				if o.Step == step && o.SeriesID == series {
					name = step + " of " + o.Series
				}
			}
			out.List = append(out.List, Need{What: "Pin " + name, SeriesID: &series, Step: &step, Spares: spares})
			i = len(out.List) - 1
		}
		out.List[i].Needed++
		out.List[i].For = append(out.List[i].For, position)
	}
	other := func(what, position string, n int) {
		out.List = append(out.List, Need{What: what + " for " + position, Needed: n, For: []string{position}})
	}
	for _, j := range w.Joints {
		c := w.Chosen[j.JointID]
		switch kind := choice.Kind(c.Option); kind {
		case "":
			undecided = append(undecided, j.Position)
		case choice.BushBack:
			other("Bush", j.Position, runningBores(w, j.JointID))
			if first := f.first(c.SeriesID); first != "" {
				pin(c.SeriesID, first, j.Position)
			}
		case choice.ReplacePart:
			other("New part", j.Position, 1)
		default:
			if c.Step != "" {
				pin(c.SeriesID, c.Step, j.Position)
			}
			if kind == choice.CutSmallerAndLook {
				out.Warnings = append(out.Warnings, reading.Remark{Code: "may_need_larger", Params: map[string]any{"position": j.Position},
					Text: j.Position + " is cut and looked at first: wait with its pin, since it may have to be a larger one."})
			}
		}
	}
	if spares > 0 && slices.ContainsFunc(out.List, func(n Need) bool { return n.Spares > 0 }) {
		out.Assumed = append(out.Assumed, reading.Remark{Code: "assumed_spares", Params: map[string]any{"each_size": spares},
			Text: fmt.Sprintf("Spare pins of each size were counted in, %d each: one that goes in askew is scrap (common practice, no published source).", spares)})
	}
	return undecided
}

// first is the standard step of a series.
func (f *ForRepair) first(series uuid.UUID) string {
	for _, o := range f.offered.Items {
		if o.First && o.SeriesID == series {
			return o.Step
		}
	}
	return ""
}

// runningBores is how many a joint has: each gets a bush.
func runningBores(w *repair.Work, joint uuid.UUID) int {
	seen := map[string]bool{}
	for _, m := range w.Measured {
		if m.JointID == joint && m.Shape == "bore" && m.Duty == "running" {
			seen[m.Code] = true
		}
	}
	return max(1, len(seen))
}

// consumables adds what the steps use up that are not left out.
func consumables(w *repair.Work, out *Needs) {
	type key struct{ name, unit string }
	sum, uses := map[key]float64{}, map[key][]string{}
	var order []key
	for _, s := range w.Steps {
		if s.State == repair.LeftOut {
			continue
		}
		of := w.Of(s)
		for _, c := range of.Consumables {
			k := key{c.Name, c.Unit}
			if _, known := sum[k]; !known {
				order = append(order, k)
			}
			sum[k] += c.Quantity * float64(of.Rounds())
			if !slices.Contains(uses[k], s.Key) {
				uses[k] = append(uses[k], s.Key)
			}
		}
	}
	for _, k := range order {
		out.List = append(out.List, Need{What: k.name, Unit: k.unit, Needed: int(math.Ceil(sum[k] - 1e-9)), For: uses[k]})
	}
}

// Ask is the body of an order of what is missing.
type Ask struct {
	Supplier *string // nil: nobody knows who has it
	Lines    []Need
}

// ToOrder is what is missing, apart by who has it; what nobody is known to have comes last.
func (f *ForRepair) ToOrder(n Needs) []Ask {
	var out []Ask
	add := func(supplier *string, one Need) {
		i := slices.IndexFunc(out, func(a Ask) bool { return cmp.Compare(said(a.Supplier), said(supplier)) == 0 })
		if i < 0 {
			out = append(out, Ask{Supplier: supplier})
			i = len(out) - 1
		}
		out[i].Lines = append(out[i].Lines, one)
	}
	for _, one := range n.List {
		if one.Missing() > 0 {
			add(f.has(one), one)
		}
	}
	slices.SortStableFunc(out, func(a, b Ask) int {
		switch {
		case (a.Supplier == nil) == (b.Supplier == nil):
			return 0
		case a.Supplier == nil:
			return 1
		}
		return -1
	})
	return out
}

func said(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

// has is who something was ordered from for this repair before, else who offers its
// series.
func (f *ForRepair) has(n Need) *string {
	for _, o := range f.orders.Items {
		if slices.ContainsFunc(o.Lines, n.is) {
			return &o.Supplier
		}
	}
	if n.SeriesID == nil {
		return nil
	}
	for _, o := range f.offered.Items {
		if o.SeriesID == *n.SeriesID {
			return o.Supplier
		}
	}
	return nil
}

// SupplierID is the id of a supplier by its code, of those that the repair deals with.
func (f *ForRepair) SupplierID(code string) (uuid.UUID, bool) {
	for _, s := range f.known.Items {
		if s.Code == code {
			return s.ID, true
		}
	}
	return uuid.Nil, false
}
