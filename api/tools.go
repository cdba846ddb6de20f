package api

import (
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/calc/length"
	"pinwright/internal/club"
	"pinwright/internal/loan"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

func toolOut(in *call, t tool.Tool) Tool {
	out := Tool{Id: t.ID, Number: t.Number, ModelId: t.ModelID, ModelCode: t.ModelCode, Kind: ToolKind(t.Kind), Size: lengthOrNone(t.Size, in.caller.Units),
		GarageId: t.GarageID, PresentGarageId: t.PresentGarageID(), State: ToolState(t.State), Note: present(t.Note), Condition: ToolCondition(t.Condition),
		Value: in.optionalMoney(t.ValueMinor), Deposit: in.optionalMoney(t.DepositMinor), Version: t.Version}
	if t.InspectionDueOn != nil {
		out.InspectionDueOn = &openapi_types.Date{Time: *t.InspectionDueOn}
	}
	if t.CalibrationDueOn != nil {
		out.CalibrationDueOn = &openapi_types.Date{Time: *t.CalibrationDueOn}
	}
	return out
}

// together joins what several lookups refused, so that all their faults are
// told at once. An error that is not about fields goes first and alone.
func together(errs ...error) error {
	var faults []problem.Fault
	for _, err := range errs {
		p, isProblem := problem.As(err)
		switch {
		case err == nil:
		case isProblem && p.Kind.Code == problem.InvalidRequest.Code:
			faults = append(faults, p.Faults...)
		default:
			return err
		}
	}
	if len(faults) == 0 {
		return nil
	}
	return problem.Invalid(faults...)
}

// says reports whether a merge patch names field, be it with null.
func (in *call) says(field string) bool {
	patch, _ := in.value.(map[string]any)
	_, named := patch[field]
	return named
}

// dayOf is the day given, nil for none.
func dayOf(d *openapi_types.Date) *time.Time {
	if d == nil {
		return nil
	}
	return &d.Time
}

// newTool is the tool that body makes, at the garage at; place is where it is
// while it is in the house, nil there.
func newTool(in *call, body ToolIn, at uuid.UUID, place *uuid.UUID) (tool.Tool, error) {
	t := tool.Tool{ID: newID(), Number: body.Number, GarageID: at, State: tool.State(or(body.State, ToolState(tool.InService))), Note: or(body.Note, ""),
		Condition: tool.Condition(or(body.Condition, ToolCondition(tool.Good))), PlaceGarageID: place, InspectionDueOn: dayOf(body.InspectionDueOn)}
	var ofValue, ofDeposit []problem.Fault
	t.ValueMinor, ofValue = in.minorOf("/value", body.Value)
	t.DepositMinor, ofDeposit = in.minorOf("/deposit", body.Deposit)
	return t, orInvalid(nil, append(ofValue, ofDeposit...))
}

// toolFilter reads what narrows a list of tools, but for what is looked up.
func (in *call) toolFilter(params ListToolsParams) tool.Filter {
	filter := tool.Filter{Kind: tool.Kind(or(params.Kind, "")), State: tool.State(or(params.State, ""))}
	var faults []problem.Fault
	fault := func(pointer, detail string) {
		faults = append(faults, problem.Fault{Pointer: pointer, Detail: detail})
	}
	size := func(pointer string, given *string) *length.Length {
		if given == nil {
			return nil
		}
		q, err := length.Parse(*given)
		if err != nil {
			faults = append(faults, faultOf(pointer, err))
			return nil
		}
		return pointerTo(q.Length())
	}
	filter.SizeFrom, filter.SizeUntil = size("?size_from", params.SizeFrom), size("?size_until", params.SizeUntil)
	if filter.SizeFrom != nil && filter.SizeUntil != nil && *filter.SizeFrom > *filter.SizeUntil {
		fault("?size_until", "must not be below size_from")
	}
	bore, within := size("?bore", params.Bore), size("?within", params.Within)
	switch {
	case params.Bore == nil && params.Within != nil:
		fault("?within", "goes with bore only; give bore, or leave it out")
	case within != nil && *within > mostWithin:
		fault("?within", "must be at most 1 mm; check the unit")
	case bore != nil:
		filter.Bore = &tool.Bore{Size: *bore, Within: or(within, usualWithin)}
	}
	switch {
	case params.FreeFrom == nil && params.FreeUntil == nil:
	case params.FreeFrom == nil:
		fault("?free_from", "is needed beside free_until: since when it is wanted")
	case params.FreeUntil == nil:
		fault("?free_until", "is needed beside free_from: until when it is wanted")
	case !params.FreeUntil.After(*params.FreeFrom):
		fault("?free_until", "must be later than free_from")
	default:
		filter.Free = &tool.Stretch{From: *params.FreeFrom, Until: *params.FreeUntil, Now: in.now}
	}
	if len(faults) > 0 {
		in.fault = problem.Invalid(faults...)
	}
	return filter
}

// How far from a wanted bore a reamer may cut and a gauge may be unless the
// caller says otherwise, a little over half the tolerance H7 of such bores (IT7 is
// 15 um over 6 to 10 mm and 18 um over 10 to 18 mm, ISO 286-1:2010, table 1), and at most.
const (
	usualWithin length.Length = 10_000
	mostWithin  length.Length = 1_000_000
)

// ListTools implements the contract.
func (s *Server) ListTools(c echo.Context, _ InClub, params ListToolsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		filter := in.toolFilter(params)
		var garages *postgres.Rows[club.Garage]
		if params.Garage != nil {
			filter.Garage = pointerTo(postgres.ParseRef(*params.Garage))
			garages = club.FindGarage(b, *filter.Garage)
		}
		var models *postgres.Rows[tool.Model]
		if params.Model != nil {
			filter.Model = pointerTo(postgres.ParseRef(*params.Model))
			models = tool.FindModel(b, *filter.Model)
		}
		rows := tool.List(b, filter, p.key(0, ""), p.limit+1)
		return func() (answer, error) {
			var noGarage, noModel error
			if garages != nil {
				_, noGarage = garages.OneOf("?garage", *params.Garage, func(g club.Garage) string { return g.Code })
			}
			if models != nil {
				_, noModel = models.OneOf("?model", *params.Model, func(m tool.Model) string { return m.Code })
			}
			if err := together(noGarage, noModel); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(t tool.Tool) []string { return []string{t.Number} })
			return in.listed(ToolPage{Items: each(items, func(t tool.Tool) Tool { return toolOut(in, t) }), Next: next}, next), nil
		}
	})
}

// CreateTool implements the contract.
func (s *Server) CreateTool(c echo.Context, _ InClub, _ CreateToolParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ToolIn](in)
		models := tool.FindModel(b, postgres.ParseRef(body.Model))
		garages := club.FindGarage(b, postgres.ParseRef(body.Garage))
		place := garageAt(b, "/place", body.Place)
		return func(tx *postgres.Tx) (answer, error) {
			m, noModel := models.OneOf("/model", body.Model, func(m tool.Model) string { return m.Code })
			g, noGarage := garages.OneOf("/garage", body.Garage, func(g club.Garage) string { return g.Code })
			now, noPlace := place()
			t, wrong := newTool(in, body, g.ID, now)
			if err := together(noGarage, noModel, noPlace, wrong); err != nil {
				return answer{}, err
			}
			t = tool.Add(tx, in.caller.MemberID, t, m)
			return created(in.path("tools", t.ID.String()), toolOut(in, t)).versioned(t.Version, in.caller.Units), nil
		}
	})
}

// PatchTool implements the contract.
func (s *Server) PatchTool(c echo.Context, _ InClub, name InTool, _ PatchToolParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		change := decode[ToolPatch](in)
		var service *loan.Service
		if change.State != nil { // its later reservations go along
			service = loan.LockService(b, name)
		}
		row := tool.Lock(b, postgres.ParseRef(name))
		garage, place := garageAt(b, "/garage", change.Garage), garageAt(b, "/place", change.Place)
		return func(tx *postgres.Tx) (answer, error) {
			t, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.match(t.Version, toolOut(in, t)); err != nil {
				return answer{}, err
			}
			if t, err = placedAndWorth(in, t, change, garage, place); err != nil {
				return answer{}, err
			}
			at, err := garage()
			if err != nil {
				return answer{}, err
			}
			t.Number, t.State, t.GarageID = or(change.Number, t.Number), tool.State(or(change.State, ToolState(t.State))), or(at, t.GarageID)
			if in.says("note") {
				t.Note = or(change.Note, "")
			}
			if service != nil {
				if _, err := service.Now(in.ctx, tx, in.caller.MemberID, string(t.State)); err != nil {
					return answer{}, err
				}
			}
			t = tool.Update(tx, in.caller.MemberID, t)
			return ok(toolOut(in, t)).versioned(t.Version, in.caller.Units), nil
		}
	})
}

// placedAndWorth is t with what a merge patch says of where it is, what it is worth
// and when it is due. All that is wrong is told at once, of its home garage too.
func placedAndWorth(in *call, t tool.Tool, change ToolPatch, garage, place func() (*uuid.UUID, error)) (tool.Tool, error) {
	_, noGarage := garage()
	now, noPlace := place()
	value, ofValue := in.minorOf("/value", (*MoneyIn)(change.Value))
	deposit, ofDeposit := in.minorOf("/deposit", (*MoneyIn)(change.Deposit))
	if err := together(noGarage, noPlace, orInvalid(nil, append(ofValue, ofDeposit...))); err != nil {
		return t, err
	}
	if in.says("place") {
		t.PlaceGarageID = now
	}
	if in.says("value") {
		t.ValueMinor = value
	}
	if in.says("deposit") {
		t.DepositMinor = deposit
	}
	if in.says("inspection_due_on") {
		t.InspectionDueOn = dayOf(change.InspectionDueOn)
	}
	return t, nil
}
