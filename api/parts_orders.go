package api

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/club"
	"pinwright/internal/parts"
	"pinwright/internal/pinseries"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/repair"
)

func partsOrderOut(in *call, o parts.Order, took *parts.Deliveries, today time.Time) (PartsOrder, error) {
	out := PartsOrder{Id: o.ID, SupplierId: o.SupplierID, Supplier: o.Supplier, RepairId: o.RepairID, Reference: present(o.Reference), Note: present(o.Note), State: PartsOrderState(o.State()),
		OrderedOn: openapi_types.Date{Time: o.OrderedOn}, ArrivedOn: dateOut(o.ArrivedOn), CancelledOn: dateOut(o.CancelledOn), MemberId: o.MemberID, RecordedAt: o.RecordedAt.UTC(),
		Summary: o.Summary(), Version: o.Version}
	out.Lines = each(o.Lines, func(l parts.Line) PartsLine {
		one := PartsLine{Line: int(l.Line), What: l.What, PinSeriesId: l.SeriesID, Step: l.Step, Quantity: l.Quantity, Unit: present(l.Unit), Arrived: l.Arrived, Missing: o.Missing(l)}
		if l.UnitPriceMinor != nil {
			one.UnitPrice = pointerTo(moneyOut(*l.UnitPriceMinor, in.caller.Currency))
		}
		return one
	})
	if total := o.TotalMinor(); total != nil {
		out.Total = pointerTo(moneyOut(*total, in.caller.Currency))
	}
	out.Arrivals = each(o.Arrivals, func(a parts.Arrival) PartsArrival {
		return PartsArrival{Id: a.ID, OccurredAt: a.OccurredAt.UTC(), ArrivedOn: openapi_types.Date{Time: a.ArrivedOn}, Note: present(a.Note), MemberId: a.MemberID, RecordedAt: a.RecordedAt.UTC(),
			VoidAt: a.VoidAt, Lines: each(a.Lines, func(r parts.Received) PartsArrivalLine {
				return PartsArrivalLine{Line: int(r.Line), Quantity: r.Quantity}
			})}
	})
	if o.State() != parts.Open {
		return out, nil
	}
	expected, err := took.Expect(o.SupplierID, &o, today)
	if err == nil {
		out.Expected = pointerTo(deliveryOut(expected))
	}
	return out, err
}

// ListPartsOrders implements the contract.
func (s *Server) ListPartsOrders(c echo.Context, _ InClub, params ListPartsOrdersParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		f := parts.Filter{State: string(or(params.State, ""))}
		missing := func() error { return nil }
		if params.Supplier != nil {
			f.Supplier = pointerTo(postgres.ParseRef(*params.Supplier))
			named, _ := parts.FindSupplier(b, *f.Supplier)
			missing = func() error {
				_, err := named.OneOf("?supplier", *params.Supplier, func(s parts.Supplier) string { return s.Code })
				return err
			}
		}
		if params.Repair != nil {
			f.Repair = params.Repair
			named, before := repair.FindBrief(b, *params.Repair), missing
			missing = func() error {
				_, err := named.OneOf("?repair", *params.Repair, func(r repair.Brief) string { return r.ID.String() })
				return together(before(), err)
			}
		}
		rows, took := parts.ListOrders(b, f, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			if err := missing(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(o parts.Order) []string { return []string{o.ID.String()} })
			out, err := eachOr(items, func(o parts.Order) (PartsOrder, error) { return partsOrderOut(in, o, took, in.today()) })
			return in.listed(PartsOrderPage{Items: out, Next: next}, next), err
		}
	})
}

// linesAsked makes the lines of an order, with the series that they name.
func linesAsked(in *call, asked []PartsLineIn, series []pinseries.Series) ([]parts.Line, []problem.Fault) {
	var faults []problem.Fault
	fault := func(i int, field, format string, args ...any) {
		faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/lines/%d/%s", i, field), Detail: fmt.Sprintf(format, args...)})
	}
	out := make([]parts.Line, len(asked))
	for i, l := range asked {
		one := parts.Line{Line: int16(i), What: or(l.What, ""), Quantity: l.Quantity, Unit: or(l.Unit, "")}
		switch {
		case l.PinSeries == nil && l.Step != nil:
			fault(i, "pin_series", "is needed with a step: the series that has it")
		case l.PinSeries == nil && l.What == nil:
			fault(i, "what", "say what is ordered: a pin by pin_series and step, or anything else by what")
		case l.PinSeries != nil:
			named := seriesOf(series, postgres.ParseRef(*l.PinSeries))
			if named == nil {
				fault(i, "pin_series", "there is no “%s” in this club; check the spelling, or GET pin-series", *l.PinSeries)
				break
			}
			step := named.Step(or(l.Step, ""))
			if step == nil {
				codes := each(named.Steps, func(s pinseries.Step) string { return s.Code })
				fault(i, "step", "must be one of series %s: %s", named.Code, strings.Join(codes, ", "))
				break
			}
			one.SeriesID, one.Step, one.UnitPriceMinor = &named.ID, &step.Code, step.PriceMinor
			if one.What == "" {
				one.What = "Pin " + step.Code + " of " + named.Code
			}
		}
		if m := l.UnitPrice; m != nil {
			one.UnitPriceMinor = &m.Minor
			if or(m.Currency, in.caller.Currency) != in.caller.Currency {
				fault(i, "unit_price/currency", "must be the club's currency, %s; convert the price, or leave currency out", in.caller.Currency)
			}
		}
		out[i] = one
	}
	return out, faults
}

func seriesOf(all []pinseries.Series, ref postgres.Ref) *pinseries.Series {
	for i, s := range all {
		if ref.ID != nil && s.ID == *ref.ID || ref.ID == nil && s.Code == ref.Name {
			return &all[i]
		}
	}
	return nil
}

// CreatePartsOrder implements the contract.
func (s *Server) CreatePartsOrder(c echo.Context, _ InClub, _ CreatePartsOrderParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[PartsOrderIn](in)
		suppliers, took := parts.FindSupplier(b, postgres.ParseRef(body.Supplier))
		var refs []postgres.Ref
		for _, l := range body.Lines {
			if l.PinSeries != nil {
				refs = append(refs, postgres.ParseRef(*l.PinSeries))
			}
		}
		series := pinseries.FindAll(b, refs)
		var repairs *postgres.Rows[repair.Brief]
		if body.Repair != nil {
			repairs = repair.FindBrief(b, *body.Repair)
		}
		home := club.HomeZone(b, in.bearer.Holder(), in.bearer.Key())
		return func(tx *postgres.Tx) (answer, error) {
			from, err := suppliers.OneOf("/supplier", body.Supplier, func(s parts.Supplier) string { return s.Code })
			lines, faults := linesAsked(in, body.Lines, series.Items)
			var of *repair.Brief
			var noRepair error
			if repairs != nil {
				r, err := repairs.OneOf("/repair", *body.Repair, func(r repair.Brief) string { return r.ID.String() })
				of, noRepair = &r, err
			}
			if err := together(err, noRepair, orInvalid(nil, faults)); err != nil {
				return answer{}, err
			}
			if of != nil && of.State != repair.Open {
				return answer{}, problem.New(problem.NotAllowedNow, "Repair R%d is %s, so nothing more is ordered for it. Leave repair out, or name one that is under way.", of.Number, of.State)
			}
			o := parts.Order{ID: newID(), SupplierID: from.ID, Supplier: from.Code, Reference: or(body.Reference, ""), Note: or(body.Note, ""), OrderedOn: parts.Day(tx.Now.In(zoneOf(of, home.Items))),
				MemberID: in.caller.MemberID, RecordedAt: tx.Now.UTC().Truncate(time.Microsecond), Lines: lines, Version: 1}
			if of != nil {
				o.RepairID = &of.ID
			}
			if body.OrderedOn != nil {
				o.OrderedOn = body.OrderedOn.Time
			}
			if faults := o.Check(tx.Now); len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			if from.RetiredAt != nil {
				return answer{}, problem.New(problem.NotAllowedNow, "Nothing more is ordered of %s: it is retired. PATCH it with retired: false, or choose another supplier.", from.Code)
			}
			parts.Add(tx, o)
			out, err := partsOrderOut(in, o, took, in.today())
			if err != nil {
				return answer{}, err
			}
			return in.whole(created(in.path("parts-orders", o.ID.String()), out), o.Version)
		}
	})
}

// GetPartsOrder implements the contract.
func (s *Server) GetPartsOrder(c echo.Context, _ InClub, order InPartsOrder, _ GetPartsOrderParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row, took := parts.FindOrder(b, order)
		return func() (answer, error) {
			o, err := row.One()
			if err != nil {
				return answer{}, err
			}
			out, err := partsOrderOut(in, o, took, in.today())
			if err != nil {
				return answer{}, err
			}
			return in.whole(ok(out), o.Version)
		}
	})
}

// CreatePartsArrival implements the contract.
func (s *Server) CreatePartsArrival(c echo.Context, _ InClub, order InPartsOrder, _ CreatePartsArrivalParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[PartsArrivalIn](in)
		id := idOr(body.Id)
		row, took := parts.LockOrder(b, order)
		owner := parts.FindArrivalsOrder(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			o, err := row.One()
			if err != nil {
				return answer{}, err
			}
			a := parts.Arrival{ID: id, Note: or(body.Note, ""), MemberID: in.caller.MemberID}
			if body.OccurredAt != nil {
				a.OccurredAt, a.ArrivedOn = body.OccurredAt.UTC().Truncate(time.Microsecond), parts.Day(*body.OccurredAt)
			}
			if body.Lines != nil {
				a.Lines = each(*body.Lines, func(l PartsArrivalLine) parts.Received {
					return parts.Received{Line: int16(l.Line), Quantity: l.Quantity} //nolint:gosec // bounded by the contract
				})
			}
			if kept, is := o.Find(id); is {
				if err := kept.Same(a); err != nil {
					return answer{}, err
				}
				out, err := partsOrderOut(in, o, took, in.today())
				return ok(out), err
			}
			if len(owner.Items) > 0 {
				return answer{}, problem.New(problem.IDUsed, "A parcel of another order has this id. Make a new id for a new parcel.")
			}
			if body.OccurredAt == nil {
				a.OccurredAt = tx.Now.UTC().Truncate(time.Microsecond)
				a.ArrivedOn = parts.Day(a.OccurredAt)
			}
			if o, err = parts.Receive(tx, o, a); err != nil {
				return answer{}, err
			}
			out, err := partsOrderOut(in, o, took, in.today())
			return answer{status: http.StatusCreated, body: out}, err
		}
	})
}

// VoidPartsArrival implements the contract.
func (s *Server) VoidPartsArrival(c echo.Context, _ InClub, arrival InPartsArrival, _ VoidPartsArrivalParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row, took := parts.LockOrderOfArrival(b, arrival)
		return func(tx *postgres.Tx) (answer, error) {
			o, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if a, is := o.Find(arrival); is {
				if err := in.mayVoidOf(a.MemberID); err != nil {
					return answer{}, err
				}
			}
			if o, err = parts.TakeBack(tx, in.caller.MemberID, arrival, o); err != nil {
				return answer{}, err
			}
			out, err := partsOrderOut(in, o, took, in.today())
			return ok(out), err
		}
	})
}

// CancelPartsOrder implements the contract.
func (s *Server) CancelPartsOrder(c echo.Context, _ InClub, order InPartsOrder, _ CancelPartsOrderParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row, took := parts.LockOrder(b, order)
		return func(tx *postgres.Tx) (answer, error) {
			o, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if o, err = parts.Cancel(tx, in.caller.MemberID, o); err != nil {
				return answer{}, err
			}
			out, err := partsOrderOut(in, o, took, in.today())
			return ok(out), err
		}
	})
}

// zoneOf is by which clock something is ordered where no day is given: that of the repair's garage,
// else of the caller's.
func zoneOf(of *repair.Brief, home []string) *time.Location {
	names := home
	if of != nil {
		names = []string{of.TimeZone}
	}
	for _, name := range names {
		if zone, err := time.LoadLocation(name); err == nil {
			return zone
		}
	}
	return time.UTC
}
