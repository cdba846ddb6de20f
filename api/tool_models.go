package api

import (
	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

func toolModelOut(in *call, m tool.Model) ToolModel {
	unit := in.caller.Units
	return ToolModel{Id: m.ID, Code: m.Code, Name: m.Name, Kind: ToolKind(m.Kind),
		Size: lengthOrNone(m.Size, unit), Tolerance: cutToleranceOut(m, unit), GaugeClass: (*GaugeClass)(m.GaugeClass), GaugeSense: (*GaugeSense)(m.GaugeSense),
		Resolution: lengthOrNone(m.Resolution, unit), RangeFrom: lengthOrNone(m.RangeFrom, unit), RangeTo: lengthOrNone(m.RangeTo, unit),
		Build: reamerBuildOut(m.Build, unit), Puller: pullerOut(m.Puller, unit),
		ChargePerUse: in.optionalMoney(m.ChargeMinor), Value: in.optionalMoney(m.ValueMinor), Deposit: in.optionalMoney(m.DepositMinor),
		Parts: m.Parts, TurnaroundHours: m.TurnaroundHours, CertificateNeeded: m.CertificateNeeded, ApprovalNeeded: m.ApprovalNeeded,
		Caution: present(m.Caution), Entered: enteredOut(m.Entered), Version: m.Version}
}

// toolModelIn is what would create m again.
func toolModelIn(in *call, m tool.Model) ToolModelIn {
	return ToolModelIn{Code: m.Code, Name: m.Name, Kind: ToolKind(m.Kind),
		Size: m.Entered.Quantity("size"), Tolerance: cutToleranceAsGiven(m), GaugeClass: (*GaugeClass)(m.GaugeClass), GaugeSense: (*GaugeSense)(m.GaugeSense),
		Resolution: m.Entered.Quantity("resolution"), RangeFrom: m.Entered.Quantity("range_from"), RangeTo: m.Entered.Quantity("range_to"),
		Build: reamerBuildAsGiven(m.Build), Puller: pullerAsGiven(m.Puller),
		ChargePerUse: in.moneyAsGiven(m.ChargeMinor), Value: in.moneyAsGiven(m.ValueMinor), Deposit: in.moneyAsGiven(m.DepositMinor),
		Parts: &m.Parts, TurnaroundHours: m.TurnaroundHours, CertificateNeeded: &m.CertificateNeeded, ApprovalNeeded: &m.ApprovalNeeded, Caution: &m.Caution}
}

// fillToolModel takes what body says into m.
func fillToolModel(in *call, m tool.Model, body ToolModelIn) (tool.Model, error) {
	m.Code, m.Name, m.Kind = body.Code, body.Name, tool.Kind(body.Kind)
	m.GaugeClass, m.GaugeSense = (*string)(body.GaugeClass), (*string)(body.GaugeSense)
	m.Entered = tool.Entered{}
	m.Size = m.Entered.Keep("size", body.Size)
	m.ToleranceLower, m.ToleranceUpper = nil, nil
	if t := body.Tolerance; t != nil {
		m.ToleranceLower, m.ToleranceUpper = m.Entered.Keep("tolerance_lower", &t.Lower), m.Entered.Keep("tolerance_upper", &t.Upper)
	}
	m.Resolution = m.Entered.Keep("resolution", body.Resolution)
	m.RangeFrom = m.Entered.Keep("range_from", body.RangeFrom)
	m.RangeTo = m.Entered.Keep("range_to", body.RangeTo)
	m.Build, m.Puller = reamerBuildIn(body.Build), pullerIn(body.Puller)
	m.Caution = or(body.Caution, "")
	m.Parts, m.TurnaroundHours = or(body.Parts, 1), body.TurnaroundHours
	m.CertificateNeeded, m.ApprovalNeeded = or(body.CertificateNeeded, false), or(body.ApprovalNeeded, false)
	faults := m.Check()
	for _, amount := range []struct {
		pointer string
		given   *MoneyIn
		minor   **int64
	}{{"/charge_per_use", body.ChargePerUse, &m.ChargeMinor}, {"/value", body.Value, &m.ValueMinor}, {"/deposit", body.Deposit, &m.DepositMinor}} {
		minor, more := in.minorOf(amount.pointer, amount.given)
		*amount.minor, faults = minor, append(faults, more...)
	}
	return m, orInvalid(nil, faults)
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
