package api

import (
	openapi_types "github.com/oapi-codegen/runtime/types"

	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

func toolOut(in *call, t tool.Tool) Tool {
	out := Tool{Id: t.ID, Number: t.Number, ModelId: t.ModelID, ModelCode: t.ModelCode, Kind: ToolKind(t.Kind), Size: lengthOrNone(t.Size, in.caller.Units),
		GarageId: t.GarageID, State: ToolState(t.State), Note: present(t.Note), Version: t.Version}
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

// ListTools implements the contract.
func (s *Server) ListTools(c echo.Context, _ InClub, params ListToolsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		filter := tool.Filter{Kind: tool.Kind(or(params.Kind, "")), State: tool.State(or(params.State, ""))}
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
		return func(tx *postgres.Tx) (answer, error) {
			m, noModel := models.OneOf("/model", body.Model, func(m tool.Model) string { return m.Code })
			g, noGarage := garages.OneOf("/garage", body.Garage, func(g club.Garage) string { return g.Code })
			if err := together(noGarage, noModel); err != nil {
				return answer{}, err
			}
			t := tool.Add(tx, in.caller.MemberID, tool.Tool{ID: newID(), Number: body.Number, GarageID: g.ID,
				State: tool.State(or(body.State, ToolState(tool.InService))), Note: or(body.Note, "")}, m)
			return created(in.path("tools", t.ID.String()), toolOut(in, t)).versioned(t.Version, in.caller.Units), nil
		}
	})
}

// GetTool implements the contract.
func (s *Server) GetTool(c echo.Context, _ InClub, name InTool, _ GetToolParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := tool.Find(b, postgres.ParseRef(name))
		return func() (answer, error) {
			t, err := row.One()
			return ok(toolOut(in, t)).versioned(t.Version, in.caller.Units), err
		}
	})
}

// PatchTool implements the contract.
func (s *Server) PatchTool(c echo.Context, _ InClub, name InTool, _ PatchToolParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		change := decode[ToolPatch](in)
		row := tool.Lock(b, postgres.ParseRef(name))
		garage := garageNamed(b, change.Garage)
		return func(tx *postgres.Tx) (answer, error) {
			t, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.match(t.Version, toolOut(in, t)); err != nil {
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
			t = tool.Update(tx, in.caller.MemberID, t)
			return ok(toolOut(in, t)).versioned(t.Version, in.caller.Units), nil
		}
	})
}
