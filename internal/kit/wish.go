package kit

import (
	"fmt"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

// Asked is what somebody asks a part to be: a tool or any tool of a model, each by
// its id or the people's own name; empty where it is not said.
type Asked struct{ Tool, Model string }

// Wish is the parts that somebody asks for, with what is known of what they name.
type Wish struct {
	asked           []Asked
	ofTools, models *postgres.Rows[partRow]
}

// Want looks up what asked names.
func Want(b *postgres.Batch, asked []Asked) *Wish {
	var tools, models []postgres.Ref
	for _, a := range asked {
		if a.Tool != "" {
			tools = append(tools, postgres.ParseRef(a.Tool))
		}
		if a.Model != "" {
			models = append(models, postgres.ParseRef(a.Model))
		}
	}
	w := &Wish{asked: asked}
	w.ofTools, w.models = named(b, tools, models)
	return w
}

// Parts are the parts asked for. at makes the pointer of a fault of the part with
// that number.
func (w *Wish) Parts(at func(i int, field string) string) ([]Part, []problem.Fault) {
	return w.Of(w.asked, at)
}

// Of are the parts that some of what was looked up asks for.
func (w *Wish) Of(asked []Asked, at func(i int, field string) string) ([]Part, []problem.Fault) {
	tools, models := map[string]Part{}, map[string]Part{}
	for _, r := range w.ofTools.Items {
		tools[r.ToolID.String()], tools[r.ToolNumber] = r.part(), r.part()
	}
	for _, r := range w.models.Items {
		models[r.ModelID.String()], models[r.ModelCode] = r.part(), r.part()
	}
	var parts []Part
	var faults []problem.Fault
	seen := map[uuid.UUID]int{}
	for i, a := range asked {
		fault := func(field, format string, args ...any) {
			faults = append(faults, problem.Fault{Pointer: at(i, field), Detail: fmt.Sprintf(format, args...)})
		}
		p, toolKnown := tools[key(a.Tool)]
		anyOne, modelKnown := models[key(a.Model)]
		switch {
		case a.Tool != "" && !toolKnown:
			fault("tool", "there is no tool “%s” in this club; check the spelling, or GET tools", a.Tool)
			continue
		case a.Model != "" && !modelKnown:
			fault("tool_model", "there is no tool model “%s” in this club; check the spelling, or GET tool-models", a.Model)
			continue
		case (a.Tool == "") == (a.Model == ""):
			fault("", "names a tool, or a tool_model of which any tool will do; give one of the two")
			continue
		case a.Model != "":
			parts = append(parts, anyOne)
			continue
		}
		if first, twice := seen[*p.ToolID]; twice {
			fault("tool", "%s is part %d already; name another tool, or its tool_model for one more of them", p.ToolNumber, first)
		}
		if p.ToolState == tool.Retired {
			fault("tool", "%s is retired; name another tool", p.ToolNumber)
		}
		seen[*p.ToolID] = i
		parts = append(parts, p)
	}
	return parts, faults
}

// key is a name as Of knows what it names by: ids in their usual spelling.
func key(name string) string {
	if ref := postgres.ParseRef(name); ref.ID != nil {
		return ref.ID.String()
	}
	return name
}
