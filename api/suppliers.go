package api

import (
	"time"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/parts"
	"pinwright/internal/postgres"
)

func deliveryOut(d parts.Delivery) Delivery {
	return Delivery{Deliveries: d.Deliveries, Open: d.Open, PriorDays: d.PriorDays, PriorWorth: d.PriorWorth, Summary: d.Summary(), Assumed: remarksOut(d.Assumed),
		Quantiles: each(d.Quantiles, func(q parts.Quantile) DeliveryQuantile {
			out := DeliveryQuantile{P: q.P, Days: q.Days}
			if q.On != nil {
				out.On = &openapi_types.Date{Time: *q.On}
			}
			return out
		})}
}

func supplierOut(s parts.Supplier, d *parts.Deliveries, today time.Time) (Supplier, error) {
	expected, err := d.Expect(s.ID, nil, today)
	return Supplier{Id: s.ID, Code: s.Code, Name: s.Name, Note: present(s.Note), StatedDays: s.StatedDays, RetiredAt: s.RetiredAt, Delivery: deliveryOut(expected), Version: s.Version}, err
}

// today is the day (UTC) on which the request came in.
func (in *call) today() time.Time { return parts.Day(in.now.UTC()) }

// ListSuppliers implements the contract.
func (s *Server) ListSuppliers(c echo.Context, _ InClub, params ListSuppliersParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows, took := parts.ListSuppliers(b, or(params.Retired, false), p.key(0, ""), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(s parts.Supplier) []string { return []string{s.Code} })
			out, err := eachOr(items, func(one parts.Supplier) (Supplier, error) { return supplierOut(one, took, in.today()) })
			return in.listed(SupplierPage{Items: out, Next: next}, next), err
		}
	})
}

// eachOr is each for a conversion that may fail; the first failure ends it.
func eachOr[A, B any](items []A, convert func(A) (B, error)) ([]B, error) {
	out := make([]B, len(items))
	for i, item := range items {
		var err error
		if out[i], err = convert(item); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// CreateSupplier implements the contract.
func (s *Server) CreateSupplier(c echo.Context, _ InClub, _ CreateSupplierParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[SupplierIn](in)
		one := parts.Supplier{ID: newID(), Code: body.Code, Name: body.Name, Note: or(body.Note, ""), StatedDays: body.StatedDays, Version: 1}
		took := parts.DeliveriesOfNew(b, one)
		return func(tx *postgres.Tx) (answer, error) {
			parts.AddSupplier(tx, in.caller.MemberID, one)
			out, err := supplierOut(one, took, in.today())
			if err != nil {
				return answer{}, err
			}
			return in.whole(created(in.path("suppliers", one.ID.String()), out), one.Version)
		}
	})
}

// GetSupplier implements the contract.
func (s *Server) GetSupplier(c echo.Context, _ InClub, name InSupplier, _ GetSupplierParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row, took := parts.FindSupplier(b, postgres.ParseRef(name))
		return func() (answer, error) {
			one, err := row.One()
			if err != nil {
				return answer{}, err
			}
			out, err := supplierOut(one, took, in.today())
			if err != nil {
				return answer{}, err
			}
			return in.whole(ok(out), one.Version)
		}
	})
}

// PatchSupplier implements the contract.
func (s *Server) PatchSupplier(c echo.Context, _ InClub, name InSupplier, _ PatchSupplierParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		change := decode[SupplierPatch](in)
		ref := postgres.ParseRef(name)
		row, took := parts.LockSupplier(b, ref)
		then := took.Renamed(b, ref, change.Code, change.Name)
		return func(tx *postgres.Tx) (answer, error) {
			one, err := row.One()
			if err != nil {
				return answer{}, err
			}
			was, err := supplierOut(one, took, in.today())
			if err != nil {
				return answer{}, err
			}
			if err := in.match(one.Version, was); err != nil {
				return answer{}, err
			}
			one.Code, one.Name = or(change.Code, one.Code), or(change.Name, one.Name)
			if in.says("note") {
				one.Note = or(change.Note, "")
			}
			if in.says("stated_days") {
				one.StatedDays = change.StatedDays
			}
			if change.Retired != nil {
				switch {
				case !*change.Retired:
					one.RetiredAt = nil
				case one.RetiredAt == nil:
					one.RetiredAt = pointerTo(tx.Now.UTC().Truncate(time.Microsecond))
				}
			}
			one = parts.ChangeSupplier(tx, in.caller.MemberID, one)
			then.States(one.StatedDays)
			out, err := supplierOut(one, then, in.today())
			if err != nil {
				return answer{}, err
			}
			return in.whole(ok(out), one.Version)
		}
	})
}
