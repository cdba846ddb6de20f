package api

import (
	"fmt"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/club"
	"pinwright/internal/imports"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/sheet"
	"pinwright/internal/tool"
)

// toolLookups are what the rows of a sheet of tools name.
type toolLookups struct {
	tools   *postgres.Rows[tool.Tool]
	models  *postgres.Rows[tool.Model]
	garages *postgres.Rows[club.Garage]
}

func (r *importing) queueTools(b *postgres.Batch) func() error {
	found := toolLookups{tools: tool.FindAll(b, r.keys("number")), models: tool.FindModels(b, r.names("model"))}
	if r.Has("garage") {
		found.garages = club.FindGarages(b, slices.Concat(r.names("garage"), r.names("place")))
	} else {
		found.garages = club.ListGarages(b, "", 2)
	}
	return func() error { return r.judgeTools(found) }
}

// newModel is a tool model that the rows of a sheet make on the way.
type newModel struct {
	tool.Model
	row     int // the first that says what it is; -1: none does
	refused bool
	used    bool
}

func (r *importing) judgeTools(found toolLookups) error {
	r.begin() // anew, now that the currency is known in which prices are
	if !r.Has("garage") && len(found.garages.Items) == 1 {
		only := found.garages.Items[0].Code
		r.assumed = append(r.assumed, sheet.Assumption{Code: "assumed_only_garage", Text: "All tools live in " + only + ", the club's only garage."})
		for i := range r.bodies {
			r.bodies[i].Thing["garage"] = only
		}
	}
	models := indexOf(found.models.Items, func(m tool.Model) uuid.UUID { return m.ID }, func(m tool.Model) string { return m.Code })
	fresh, err := r.newModels(models)
	if err != nil {
		return err
	}
	known := indexOf(found.tools.Items, func(t tool.Tool) uuid.UUID { return t.ID }, func(t tool.Tool) string { return t.Number }).byName
	places, seen := garageIndex(found.garages), map[string]int{}
	var tools []tool.Tool
	var made []tool.Model
	for i := range r.bodies {
		body, err := decodeRow[ToolIn](r, i, "ToolIn", false)
		if err != nil {
			return err
		}
		if r.outcomes[i].name = body.Number; !r.sound(i) || !r.once(i, seen, "/number", body.Number) {
			continue
		}
		at, err := r.placeOf(i, places, "/garage", &body.Garage)
		if err != nil {
			return err
		}
		place, err := r.placeOf(i, places, "/place", body.Place)
		if err != nil {
			return err
		}
		m, err := r.modelOf(i, body.Model, models, fresh)
		if err != nil {
			return err
		}
		if !r.sound(i) {
			continue
		}
		if was := known[body.Number]; was != nil {
			r.onRecord(i, was.ID, says("/model", &m.Code, was.ModelCode), saying{pointer: "/garage", given: r.Has("garage"), same: *at == was.GarageID, record: "another garage"},
				says("/state", (*string)(body.State), string(was.State)), says("/note", body.Note, was.Note), says("/condition", (*string)(body.Condition), string(was.Condition)),
				saying{pointer: "/place", given: place != nil, same: place != nil && *place == was.PresentGarageID(), record: "another garage"},
				r.saysMoney("/value", body.Value, was.ValueMinor), r.saysMoney("/deposit", body.Deposit, was.DepositMinor),
				saysDay("/inspection_due_on", dayOf(body.InspectionDueOn), was.InspectionDueOn))
			continue
		}
		t, err := newTool(r.in, body, *at, place)
		if err := r.refuseErr(i, false, err); err != nil {
			return err
		}
		if !r.sound(i) {
			continue
		}
		t = t.Of(*m)
		if n := fresh[m.Code]; n != nil && n.ID == m.ID && !n.used {
			n.used = true
			r.outcomes[i].also = []string{m.Code}
			r.makes(i, imports.AToolModel, m.ID)
			made = append(made, *m)
		}
		r.create(i, t.ID)
		r.makes(i, imports.ATool, t.ID)
		tools = append(tools, t)
	}
	if len(made) > 0 {
		tool.AddModels(r.tx, r.in.caller.MemberID, made).RunAgainOn("tool_model_code")
	}
	if len(tools) > 0 {
		tool.AddAll(r.tx, r.in.caller.MemberID, tools).RunAgainOn("tool_number")
	}
	return nil
}

// newModels makes the models that no record has and whose kind some row says.
func (r *importing) newModels(known index[tool.Model]) (map[string]*newModel, error) {
	fresh := map[string]*newModel{}
	for i := range r.bodies {
		code, _ := r.bodies[i].Thing["model"].(string)
		if m, _ := known.find("", code); m != nil || r.bodies[i].Model["kind"] == nil || fresh[code] != nil || postgres.ParseRef(code).ID != nil {
			continue
		}
		r.bodies[i].Model["code"] = code
		if r.bodies[i].Model["name"] == nil {
			r.bodies[i].Model["name"] = code
		}
		fresh[code] = &newModel{row: i, refused: true}
		body, err := decodeRow[ToolModelIn](r, i, "ToolModelIn", true)
		if err != nil {
			return nil, err
		}
		if !r.sound(i) {
			continue
		}
		m, err := newToolModel(r.in, body)
		if err := r.refuseErr(i, true, err); err != nil {
			return nil, err
		}
		fresh[code].Model, fresh[code].refused = m, err != nil
	}
	return fresh, nil
}

// modelOf is the model that a row names: one on record or one that the sheet
// makes. What the row says of the model must agree with it.
func (r *importing) modelOf(i int, code string, known index[tool.Model], fresh map[string]*newModel) (*tool.Model, error) {
	m, _ := known.find("", code)
	if n := fresh[code]; m == nil && n != nil {
		if n.refused && n.row != i {
			r.refuse(i, false, problem.Fault{Pointer: "/model", Detail: fmt.Sprintf("its model is to mend in row %d", r.bodies[n.row].Row)})
		}
		if n.row == i {
			return &n.Model, nil
		}
		m = &n.Model
	}
	if m == nil {
		r.refuse(i, false, problem.Fault{Pointer: "/model", Detail: fmt.Sprintf("there is no tool model “%s” in this club; check the spelling, or give its kind, and what belongs to that kind (such as its size), in columns of their own, so that it is made", code)})
	}
	if !r.sound(i) || len(r.bodies[i].Model) == 0 {
		return m, nil
	}
	return m, r.agrees(i, *m)
}

// agrees holds what a row says of its model against the model.
func (r *importing) agrees(i int, m tool.Model) error {
	object := r.bodies[i].Model
	for field, value := range map[string]string{"code": m.Code, "name": m.Name, "kind": string(m.Kind)} {
		if object[field] == nil {
			object[field] = value // the schema wants them, and they agree
		}
	}
	if _, err := decodeRow[ToolModelIn](r, i, "ToolModelIn", true); err != nil || !r.sound(i) {
		return err
	}
	said, err := r.saidOfModel(object, true, m)
	for _, s := range said {
		if s.given && !s.same {
			r.refuse(i, true, problem.Fault{Pointer: s.pointer, Detail: fmt.Sprintf("the model %s has %s here, by the record or by an earlier row; make the rows agree, or leave the column out with ignore", m.Code, orNothing(s.record))})
		}
	}
	return err
}
