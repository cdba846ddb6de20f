package api

import (
	"fmt"

	"github.com/labstack/echo/v4"

	"pinwright/internal/kit"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func kitOut(in *call, k kit.Kit) Kit {
	return Kit{Id: k.ID, Code: k.Code, Name: k.Name, Note: present(k.Note), Contents: k.Contents(), Pieces: k.Pieces(), Complete: k.Complete(), Summary: k.Summary(),
		RetiredAt: k.RetiredAt, Version: k.Version, Parts: each(k.Parts, func(p kit.Part) KitPart {
			out := KitPart{ToolId: p.ToolID, ModelId: p.ModelID, ModelCode: p.ModelCode, ModelName: p.ModelName, Kind: ToolKind(p.Kind), Size: lengthOrNone(p.Size, in.caller.Units),
				InService: p.InService, ToolsInService: p.Ready, Pieces: p.Pieces, Caution: present(p.Caution)}
			if p.ToolID != nil {
				out.ToolNumber, out.State = &p.ToolNumber, pointerTo(ToolState(p.ToolState))
			}
			return out
		})}
}

func kitPartsAsked(parts []KitPartIn) []kit.Asked {
	return each(parts, func(p KitPartIn) kit.Asked { return kit.Asked{Tool: or(p.Tool, ""), Model: or(p.ToolModel, "")} })
}

// partPointer is where a part stands in a body.
func partPointer(i int, field string) string {
	if field != "" {
		field = "/" + field
	}
	return fmt.Sprintf("/parts/%d%s", i, field)
}

// ListKits implements the contract.
func (s *Server) ListKits(c echo.Context, _ InClub, params ListKitsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := kit.List(b, or(params.Retired, false), p.key(0, ""), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items(), func(k kit.Kit) []string { return []string{k.Code} })
			return in.listed(KitPage{Items: each(items, func(k kit.Kit) Kit { return kitOut(in, k) }), Next: next}, next), nil
		}
	})
}

// CreateKit implements the contract.
func (s *Server) CreateKit(c echo.Context, _ InClub, _ CreateKitParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[KitIn](in)
		wish := kit.Want(b, kitPartsAsked(body.Parts))
		return func(tx *postgres.Tx) (answer, error) {
			parts, faults := wish.Parts(partPointer)
			if len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			k := kit.Add(tx, in.caller.MemberID, kit.Kit{ID: newID(), Code: body.Code, Name: body.Name, Note: or(body.Note, ""), Parts: parts})
			return created(in.path("kits", k.ID.String()), kitOut(in, k)).versioned(k.Version, in.caller.Units), nil
		}
	})
}

// GetKit implements the contract.
func (s *Server) GetKit(c echo.Context, _ InClub, name InKit, _ GetKitParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := kit.Find(b, postgres.ParseRef(name))
		return func() (answer, error) {
			k, err := row.One()
			return ok(kitOut(in, k)).versioned(k.Version, in.caller.Units), err
		}
	})
}

// PatchKit implements the contract.
func (s *Server) PatchKit(c echo.Context, _ InClub, name InKit, _ PatchKitParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		change := decode[KitPatch](in)
		row := kit.Lock(b, postgres.ParseRef(name))
		var wish *kit.Wish
		if change.Parts != nil {
			wish = kit.Want(b, kitPartsAsked(*change.Parts))
		}
		return func(tx *postgres.Tx) (answer, error) {
			was, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.match(was.Version, kitOut(in, was)); err != nil {
				return answer{}, err
			}
			k := was
			k.Code, k.Name = or(change.Code, was.Code), or(change.Name, was.Name)
			if in.says("note") {
				k.Note = or(change.Note, "")
			}
			if wish != nil {
				var faults []problem.Fault
				if k.Parts, faults = wish.Parts(partPointer); len(faults) > 0 {
					return answer{}, problem.Invalid(faults...)
				}
			}
			k = kit.Update(tx, in.caller.MemberID, was, k, "kit.changed")
			return ok(kitOut(in, k)).versioned(k.Version, in.caller.Units), nil
		}
	})
}

// RetireKit implements the contract.
func (s *Server) RetireKit(c echo.Context, _ InClub, name InKit, _ RetireKitParams) error {
	return s.offerKit(c, name, false)
}

// BringKitBack implements the contract.
func (s *Server) BringKitBack(c echo.Context, _ InClub, name InKit, _ BringKitBackParams) error {
	return s.offerKit(c, name, true)
}

// offerKit offers a kit again, or no more.
func (s *Server) offerKit(c echo.Context, name InKit, offered bool) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := kit.Lock(b, postgres.ParseRef(name))
		return func(tx *postgres.Tx) (answer, error) {
			was, err := row.One()
			if err != nil {
				return answer{}, err
			}
			k, err := was.Offered(offered, tx.Now)
			if err != nil {
				return answer{}, err
			}
			event := "kit.retired"
			if offered {
				event = "kit.brought_back"
			}
			return ok(kitOut(in, kit.Update(tx, in.caller.MemberID, was, k, event))), nil
		}
	})
}
