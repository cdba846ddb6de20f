package api

import (
	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

func toolModelOut(in *call, m tool.Model) ToolModel {
	out := ToolModel{Id: m.ID, Code: m.Code, Name: m.Name, Kind: ToolKind(m.Kind),
		Size: lengthOrNone(m.Size, in.caller.Units), GaugeClass: (*GaugeClass)(m.GaugeClass), GaugeSense: (*GaugeSense)(m.GaugeSense),
		Resolution: lengthOrNone(m.Resolution, in.caller.Units),
		RangeFrom:  lengthOrNone(m.RangeFrom, in.caller.Units), RangeTo: lengthOrNone(m.RangeTo, in.caller.Units),
		Caution: present(m.Caution), Entered: enteredOut(m.Entered), Version: m.Version}
	if m.ChargeMinor != nil {
		out.ChargePerUse = pointerTo(moneyOut(*m.ChargeMinor, in.caller.Currency))
	}
	return out
}

// toolModelIn is what would create m again.
func toolModelIn(in *call, m tool.Model) ToolModelIn {
	out := ToolModelIn{Code: m.Code, Name: m.Name, Kind: ToolKind(m.Kind),
		Size: m.Entered.Quantity("size"), GaugeClass: (*GaugeClass)(m.GaugeClass), GaugeSense: (*GaugeSense)(m.GaugeSense),
		Resolution: m.Entered.Quantity("resolution"), RangeFrom: m.Entered.Quantity("range_from"), RangeTo: m.Entered.Quantity("range_to"),
		Caution: &m.Caution}
	if m.ChargeMinor != nil {
		out.ChargePerUse = &MoneyIn{Minor: *m.ChargeMinor, Currency: &in.caller.Currency}
	}
	return out
}

// fillToolModel takes what body says into m.
func fillToolModel(in *call, m tool.Model, body ToolModelIn) (tool.Model, error) {
	m.Code, m.Name, m.Kind = body.Code, body.Name, tool.Kind(body.Kind)
	m.GaugeClass, m.GaugeSense = (*string)(body.GaugeClass), (*string)(body.GaugeSense)
	m.Entered = tool.Entered{}
	m.Size = m.Entered.Keep("size", body.Size)
	m.Resolution = m.Entered.Keep("resolution", body.Resolution)
	m.RangeFrom = m.Entered.Keep("range_from", body.RangeFrom)
	m.RangeTo = m.Entered.Keep("range_to", body.RangeTo)
	m.Caution = or(body.Caution, "")
	m.ChargeMinor = nil
	faults := m.Check()
	if c := body.ChargePerUse; c != nil {
		m.ChargeMinor = &c.Minor
		if or(c.Currency, in.caller.Currency) != in.caller.Currency {
			faults = append(faults, problem.Fault{Pointer: "/charge_per_use/currency", Detail: "this club reckons in " + in.caller.Currency + "; give the amount in that, or leave the currency out"})
		}
	}
	if len(faults) > 0 {
		return m, problem.Invalid(faults...)
	}
	return m, nil
}

// newToolModel is the model that body makes.
func newToolModel(in *call, body ToolModelIn) (tool.Model, error) {
	if body.Caution == nil {
		body.Caution = pointerTo(tool.Kind(body.Kind).UsualCaution())
	}
	return fillToolModel(in, tool.Model{ID: newID(), Version: 1}, body)
}

func lengthOrNone(l *length.Length, unit string) *Length {
	if l == nil {
		return nil
	}
	return pointerTo(lengthOut(*l, unit))
}

func enteredOut(e tool.Entered) *Entered {
	if len(e) == 0 {
		return nil
	}
	return pointerTo(Entered(e))
}

// ListToolModels implements the contract.
func (s *Server) ListToolModels(c echo.Context, _ InClub, params ListToolModelsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := tool.ListModels(b, tool.Kind(or(params.Kind, "")), p.key(0, ""), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(m tool.Model) []string { return []string{m.Code} })
			return in.listed(ToolModelPage{Items: each(items, func(m tool.Model) ToolModel { return toolModelOut(in, m) }), Next: next}, next), nil
		}
	})
}

// CreateToolModel implements the contract.
func (s *Server) CreateToolModel(c echo.Context, _ InClub, _ CreateToolModelParams) error {
	return s.write(c, func(_ *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ToolModelIn](in)
		return func(tx *postgres.Tx) (answer, error) {
			m, err := newToolModel(in, body)
			if err != nil {
				return answer{}, err
			}
			tool.AddModel(tx, in.caller.MemberID, m)
			return created(in.path("tool-models", m.ID.String()), toolModelOut(in, m)).versioned(m.Version, in.caller.Units), nil
		}
	})
}

// GetToolModel implements the contract.
func (s *Server) GetToolModel(c echo.Context, _ InClub, toolModel InToolModel, _ GetToolModelParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := tool.FindModel(b, postgres.ParseRef(toolModel))
		return func() (answer, error) {
			m, err := row.One()
			return ok(toolModelOut(in, m)).versioned(m.Version, in.caller.Units), err
		}
	})
}

// PatchToolModel implements the contract.
func (s *Server) PatchToolModel(c echo.Context, _ InClub, toolModel InToolModel, _ PatchToolModelParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := tool.LockModel(b, postgres.ParseRef(toolModel))
		return func(tx *postgres.Tx) (answer, error) {
			m, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.match(m.Version, toolModelOut(in, m)); err != nil {
				return answer{}, err
			}
			body, err := merged(s, in, "ToolModelIn", toolModelIn(in, m))
			if err != nil {
				return answer{}, err
			}
			if m, err = fillToolModel(in, m, body); err != nil {
				return answer{}, err
			}
			m = tool.UpdateModel(tx, in.caller.MemberID, m)
			return ok(toolModelOut(in, m)).versioned(m.Version, in.caller.Units), nil
		}
	})
}
