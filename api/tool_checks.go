package api

import (
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
	"pinwright/internal/use"
)

func toolCheckOut(in *call, c use.Check) ToolCheck {
	unit := in.caller.Units
	return ToolCheck{Id: c.ID, ToolId: c.ToolID, ToolNumber: c.ToolNumber, Kind: CheckKind(c.Kind), Size: lengthOut(length.Length(c.SizeNm), unit), U: lengthOut(length.Length(c.UNm), unit),
		Nominal: optionalLength(c.NominalNm, unit), OverNominal: optionalLength(c.Over(), unit), Change: optionalLength(c.Change(), unit), Depth: optionalLength(c.DepthNm, unit),
		Material: (*CutMaterial)(c.Material), Lubricant: (*CutLubricant)(c.Lubricant), Guidance: (*Guidance)(c.Guidance), InstrumentId: c.InstrumentID, CheckedAt: c.CheckedAt.UTC(),
		MemberId: c.MemberID, RecordedAt: c.RecordedAt.UTC(), Note: present(c.Note), Void: toolVoidOut(c.Void), Summary: c.Summary(length.Unit(unit))}
}

// ListToolChecks implements the contract.
func (s *Server) ListToolChecks(c echo.Context, _ InClub, name InTool, _ ListToolChecksParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		at, id := in.pageTime(p)
		ref := postgres.ParseRef(name)
		tools := tool.Find(b, ref)
		rows := use.ListChecks(b, ref, at, id, p.limit+1)
		return func() (answer, error) {
			if _, err := tools.One(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(c use.Check) []string {
				return []string{c.CheckedAt.UTC().Format(time.RFC3339Nano), c.ID.String()}
			})
			return in.listed(ToolCheckPage{Items: each(items, func(c use.Check) ToolCheck { return toolCheckOut(in, c) }), Next: next}, next), nil
		}
	})
}

// CheckTool implements the contract.
func (s *Server) CheckTool(c echo.Context, _ InClub, name InTool, _ CheckToolParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ToolCheckIn](in)
		id := idOr(body.Id)
		order := use.LookUpCheck(b, in.now, postgres.ParseRef(name), id, body.CheckedAt, or(body.Instrument, ""))
		return func(tx *postgres.Tx) (answer, error) {
			made, already, err := order.Make(tx, in.recorder(), use.Check{ID: id, Kind: string(body.Kind), SizeNm: int64(body.Size.Length()), UNm: int64(body.U.Length()),
				Cut: cutIn(body.Depth, body.Material, body.Lubricant, body.Guidance), Note: or(body.Note, "")})
			if err != nil {
				return answer{}, err
			}
			if already {
				return ok(toolCheckOut(in, made)), nil
			}
			return answer{status: http.StatusCreated, body: toolCheckOut(in, made)}, nil
		}
	})
}

// VoidToolCheck implements the contract.
func (s *Server) VoidToolCheck(c echo.Context, _ InClub, name InTool, id InToolCheck, _ VoidToolCheckParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ToolVoidIn](in)
		row := use.LockCheck(b, postgres.ParseRef(name), id)
		return func(tx *postgres.Tx) (answer, error) {
			k, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.mayVoidWithin(k.MemberID, k.RecordedAt); err != nil {
				return answer{}, err
			}
			k, err = use.VoidCheck(tx, in.caller.MemberID, k, body.Reason)
			return ok(toolCheckOut(in, k)), err
		}
	})
}

func toolRenewalOut(n use.Renewal) ToolRenewal {
	return ToolRenewal{Id: n.ID, ToolId: n.ToolID, ToolNumber: n.ToolNumber, Kind: RenewalKind(n.Kind), DoneAt: n.DoneAt.UTC(), MemberId: n.MemberID, RecordedAt: n.RecordedAt.UTC(), Note: present(n.Note), Void: toolVoidOut(n.Void)}
}

// ListToolRenewals implements the contract.
func (s *Server) ListToolRenewals(c echo.Context, _ InClub, name InTool, _ ListToolRenewalsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		at, id := in.pageTime(p)
		ref := postgres.ParseRef(name)
		tools := tool.Find(b, ref)
		rows := use.ListRenewals(b, ref, at, id, p.limit+1)
		return func() (answer, error) {
			if _, err := tools.One(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(n use.Renewal) []string {
				return []string{n.DoneAt.UTC().Format(time.RFC3339Nano), n.ID.String()}
			})
			return in.listed(ToolRenewalPage{Items: each(items, toolRenewalOut), Next: next}, next), nil
		}
	})
}

// RenewTool implements the contract.
func (s *Server) RenewTool(c echo.Context, _ InClub, name InTool, _ RenewToolParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ToolRenewalIn](in)
		id := idOr(body.Id)
		tools := tool.Find(b, postgres.ParseRef(name))
		kept := use.FindRenewal(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			t, err := tools.One()
			if err != nil {
				return answer{}, err
			}
			n := use.Renewal{ID: id, ToolID: t.ID, ToolNumber: t.Number, Kind: string(body.Kind), MemberID: in.caller.MemberID, Note: or(body.Note, "")}
			if body.DoneAt != nil {
				n.DoneAt = body.DoneAt.UTC().Truncate(time.Microsecond)
			}
			if len(kept.Items) > 0 {
				return ok(toolRenewalOut(kept.Items[0])), kept.Items[0].Same(n)
			}
			n, err = use.Renew(tx, n)
			return answer{status: http.StatusCreated, body: toolRenewalOut(n)}, err
		}
	})
}

// VoidToolRenewal implements the contract.
func (s *Server) VoidToolRenewal(c echo.Context, _ InClub, name InTool, id InToolRenewal, _ VoidToolRenewalParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ToolVoidIn](in)
		row := use.LockRenewal(b, postgres.ParseRef(name), id)
		return func(tx *postgres.Tx) (answer, error) {
			n, err := row.One()
			if err != nil {
				return answer{}, err
			}
			n, err = use.VoidRenewal(tx, in.caller.MemberID, n, body.Reason)
			return ok(toolRenewalOut(n)), err
		}
	})
}
