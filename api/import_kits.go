package api

import (
	"strings"

	"github.com/google/uuid"

	"pinwright/internal/imports"
	"pinwright/internal/kit"
	"pinwright/internal/postgres"
)

func (r *importing) queueKits(b *postgres.Batch) func() error {
	known := kit.FindAll(b, r.keys("code"))
	var asked []kit.Asked
	for _, body := range r.bodies {
		parts, _ := body.Thing["parts"].([]any)
		for _, part := range parts {
			one, _ := part.(map[string]any)
			number, _ := one["tool"].(string)
			model, _ := one["tool_model"].(string)
			asked = append(asked, kit.Asked{Tool: number, Model: model})
		}
	}
	wish := kit.Want(b, asked)
	return func() error { return r.judgeKits(known, wish) }
}

func (r *importing) judgeKits(found kit.Kits, wish *kit.Wish) error {
	known := indexOf(found.Items(), func(k kit.Kit) uuid.UUID { return k.ID }, func(k kit.Kit) string { return k.Code }).byName
	seen := map[string]int{}
	var fresh []kit.Kit
	for i := range r.bodies {
		body, err := decodeRow[KitIn](r, i, "KitIn", false)
		if err != nil {
			return err
		}
		if r.outcomes[i].name = body.Code; !r.sound(i) || !r.once(i, seen, "/code", body.Code) {
			continue
		}
		parts, faults := wish.Of(kitPartsAsked(body.Parts), partPointer)
		if r.refuse(i, false, faults...); !r.sound(i) {
			continue
		}
		k := kit.Kit{ID: newID(), Code: body.Code, Name: body.Name, Note: or(body.Note, ""), Parts: parts}
		if was := known[k.Code]; was != nil {
			r.onRecord(i, was.ID, says("/name", &body.Name, was.Name), says("/note", body.Note, was.Note),
				saying{pointer: "/parts", given: true, same: k.Same(*was), record: strings.Join(was.Contents(), " | ")})
			continue
		}
		r.create(i, k.ID)
		r.makes(i, imports.AKit, k.ID)
		fresh = append(fresh, k)
	}
	if len(fresh) > 0 {
		kit.AddAll(r.tx, r.in.caller.MemberID, fresh).RunAgainOn("kit_code")
	}
	return nil
}
