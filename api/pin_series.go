package api

import (
	"fmt"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/pinseries"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func pinSeriesOut(s pinseries.Series, in *call) PinSeries {
	unit := in.caller.Units
	out := PinSeries{Id: s.ID, Code: s.Code, Name: s.Name, Supplier: present(s.Supplier), Version: s.Version}
	if len(s.DeliveryDays) > 0 {
		out.DeliveryDays = pointerTo(each(s.DeliveryDays, func(d int32) int { return int(d) }))
	}
	out.Steps = each(s.Steps, func(step pinseries.Step) PinStep {
		p := PinStep{Code: step.Code, Pin: lengthOut(length.Length(step.PinNM), unit),
			PinToleranceLower: optionalLength(&step.ToleranceLowerNM, unit), PinToleranceUpper: optionalLength(&step.ToleranceUpperNM, unit),
			Reamer: optionalLength(step.ReamerNM, unit), HeldReamer: optionalLength(step.HeldReamerNM, unit), HeldSurface: (*PinStepHeldSurface)(step.HeldSurface),
			HeldPartMin: optionalLength(step.HeldPartMinNM, unit), HeldPartMax: optionalLength(step.HeldPartMaxNM, unit)}
		if step.PriceMinor != nil {
			p.Price = pointerTo(moneyOut(*step.PriceMinor, in.caller.Currency))
		}
		if step.LeadDays != nil {
			p.LeadDays = pointerTo(int(*step.LeadDays))
		}
		return p
	})
	return out
}

// pinSeriesIn makes a series of what was sent.
func pinSeriesIn(body PinSeriesIn, in *call) (pinseries.Series, error) {
	s := pinseries.Series{ID: newID(), Code: body.Code, Name: body.Name, Supplier: or(body.Supplier, ""), Version: 1,
		DeliveryDays: each(or(body.DeliveryDays, []int{}), func(d int) int32 { return int32(d) })} //nolint:gosec // bounded by the contract
	var faults []problem.Fault
	for i, step := range body.Steps {
		p := pinseries.Step{Code: step.Code, PinNM: int64(step.Pin.Length()), ReamerNM: nanometres(step.Reamer),
			ToleranceLowerNM: or(nanometres(step.PinToleranceLower), int64(pinseries.DefaultToleranceLower)),
			ToleranceUpperNM: or(nanometres(step.PinToleranceUpper), int64(pinseries.DefaultToleranceUpper)),
			HeldReamerNM:     nanometres(step.HeldReamer), HeldSurface: (*string)(step.HeldSurface),
			HeldPartMinNM: nanometres(step.HeldPartMin), HeldPartMaxNM: nanometres(step.HeldPartMax)}
		if step.LeadDays != nil {
			p.LeadDays = pointerTo(int32(*step.LeadDays)) //nolint:gosec // bounded by the contract
		}
		if step.Price != nil {
			p.PriceMinor = &step.Price.Minor
			if c := or(step.Price.Currency, in.caller.Currency); c != in.caller.Currency {
				faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/steps/%d/price/currency", i), Detail: "must be the club's currency, " + in.caller.Currency + "; convert the price, or leave currency out"})
			}
		}
		s.Steps = append(s.Steps, p)
	}
	if faults = append(s.Check(), faults...); len(faults) > 0 {
		return s, problem.Invalid(faults...)
	}
	return s, nil
}

// ListPinSeries implements the contract.
func (s *Server) ListPinSeries(c echo.Context, _ InClub, _ ListPinSeriesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := pinseries.List(b, p.key(0, ""), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(s pinseries.Series) []string { return []string{s.Code} })
			return in.listed(PinSeriesPage{Items: each(items, func(s pinseries.Series) PinSeries { return pinSeriesOut(s, in) }), Next: next}, next), nil
		}
	})
}

// CreatePinSeries implements the contract.
func (s *Server) CreatePinSeries(c echo.Context, _ InClub, _ CreatePinSeriesParams) error {
	return s.write(c, func(_ *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[PinSeriesIn](in)
		return func(tx *postgres.Tx) (answer, error) {
			made, err := pinSeriesIn(body, in)
			if err != nil {
				return answer{}, err
			}
			pinseries.Add(tx, in.caller.MemberID, made)
			return created(in.path("pin-series", made.ID.String()), pinSeriesOut(made, in)).versioned(made.Version, in.caller.Units), nil
		}
	})
}

// GetPinSeries implements the contract.
func (s *Server) GetPinSeries(c echo.Context, _ InClub, series InPinSeries, _ GetPinSeriesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := pinseries.Find(b, postgres.ParseRef(series))
		return func() (answer, error) {
			found, err := row.One()
			return ok(pinSeriesOut(found, in)).versioned(found.Version, in.caller.Units), err
		}
	})
}

// pinSeriesNamed looks up the series that a body names in pin_series, if it
// names one; none is nil.
func pinSeriesNamed(b *postgres.Batch, name *string) func() (*pinseries.Series, error) {
	if name == nil {
		return func() (*pinseries.Series, error) { return nil, nil }
	}
	row := pinseries.Find(b, postgres.ParseRef(*name))
	return func() (*pinseries.Series, error) {
		found, err := row.OneOf("/pin_series", *name, func(s pinseries.Series) string { return s.Code })
		return &found, err
	}
}
