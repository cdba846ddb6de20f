package api

import (
	"fmt"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/parts"
	"pinwright/internal/postgres"
	"pinwright/internal/repair"
)

// GetRepairParts implements the contract.
func (s *Server) GetRepairParts(c echo.Context, _ InClub, name InRepair, params GetRepairPartsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := repair.Find(b, name)
		orders := parts.QueueForRepair(b, name)
		return func() (answer, error) {
			w, err := found.Work()
			if err != nil {
				return answer{}, err
			}
			out, err := repairPartsOut(in, w, orders, or(params.Spares, 1))
			return ok(out), err
		}
	})
}

func repairPartsOut(in *call, w *repair.Work, f *parts.ForRepair, spares int) (RepairParts, error) {
	needs := f.Of(w, spares)
	out := RepairParts{RepairId: w.ID, Number: w.Label(), Warnings: remarksOut(needs.Warnings), Assumed: remarksOut(needs.Assumed), DoNext: []Text{}, Waits: []PartsWait{}, Complete: len(needs.Warnings) == 0,
		Orders: each(needs.Orders, func(o parts.Order) Id { return o.ID })}
	var waits []string
	out.Needs = each(needs.List, func(n parts.Need) PartsNeed {
		if n.Waits() > 0 {
			out.Complete = false
			waits = append(waits, fmt.Sprintf("%d × %s", n.Waits(), n.What))
		}
		return PartsNeed{What: n.What, PinSeriesId: n.SeriesID, Step: n.Step, Unit: present(n.Unit), Needed: n.Needed, Spares: n.Spares, Ordered: n.Ordered, Arrived: n.Arrived, Missing: n.Missing(), For: n.For}
	})
	asks := f.ToOrder(needs)
	out.ToOrder = each(asks, func(a parts.Ask) PartsToOrder {
		return PartsToOrder{Supplier: a.Supplier, Repair: w.Label(), Lines: each(a.Lines, func(n parts.Need) PartsLineIn {
			line := PartsLineIn{What: &n.What, Quantity: n.Missing(), Unit: present(n.Unit)}
			if n.SeriesID != nil {
				line.PinSeries, line.Step = pointerTo(n.SeriesID.String()), n.Step
			}
			return line
		})}
	})
	for _, o := range needs.Orders {
		if o.State() != parts.Open {
			continue
		}
		d, err := f.Deliveries.Expect(o.SupplierID, &o, in.today())
		if err != nil {
			return out, err
		}
		out.Waits = append(out.Waits, PartsWait{Supplier: o.Supplier, Ordered: true, OrderId: &o.ID, Delivery: deliveryOut(d)})
	}
	for _, a := range asks {
		if a.Supplier == nil {
			out.DoNext = append(out.DoNext, Text{Code: "name_supplier", Text: "Nobody is known to have " + namesOf(a.Lines) + ": put a supplier into the order, or use what the garage has and leave it out."})
			continue
		}
		out.DoNext = append(out.DoNext, Text{Code: "order", Text: "Order " + namesOf(a.Lines) + " from " + *a.Supplier + ", and record it."})
		if id, known := f.SupplierID(*a.Supplier); known {
			d, err := f.Deliveries.Expect(id, nil, in.today())
			if err != nil {
				return out, err
			}
			out.Waits = append(out.Waits, PartsWait{Supplier: *a.Supplier, Delivery: deliveryOut(d)})
		}
	}
	switch {
	case len(waits) > 0:
		out.Summary = "Not here yet: " + strings.Join(waits, ", ") + "."
	case !out.Complete:
		out.Summary = "What it needs is not known yet."
	default:
		out.Summary = "All that it needs is here."
	}
	return out, nil
}

// namesOf tells what is to be ordered.
func namesOf(lines []parts.Need) string {
	return strings.Join(each(lines, func(n parts.Need) string {
		return strings.TrimSpace(fmt.Sprintf("%d %s %s", n.Missing(), n.Unit, n.What))
	}), ", ")
}
