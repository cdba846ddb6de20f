package lending

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/problem"
)

// Wish is what a member asks for: all of its lines or none.
type Wish struct {
	Lines  []Line
	Common When   // for lines without a time of their own
	Garage string // where lines without a garage of their own are collected
	// NextFree, when not zero, asks instead for the next stretch of that length
	// from Now on in which everything is free together.
	NextFree       time.Duration
	Now            time.Time
	Purpose        string
	Recommendation *uuid.UUID
}

// Line asks for one tool by id or number, for any tool of a model by id or code,
// for all parts of a kit by id or code, or for several of which one is to be
// decided for.
type Line struct {
	Tool, Model, Kit string
	OneOf            []Line // each a Tool or a Model with a Bore, and nothing else
	// DecideBy is until when one of OneOf must be decided for; nil: until the line
	// begins.
	DecideBy *time.Time
	Garage   string // where it is collected; empty: at the tool's home garage
	Exactly  bool   // no equal will do in place of the tool
	Bore     *int64 // nm: of a model the tool is chosen whose size comes nearest
	When
}

// Bounds of what one request may ask for.
const (
	mostTools   = 60 // promised by one reservation
	mostChoices = 6  // to decide between in one line
)

// in returns when line i is wanted, and where that stands in the request.
func (w Wish) in(i int) (When, string) {
	if w.Lines[i].isGiven() {
		return w.Lines[i].When, fmt.Sprintf("/lines/%d", i)
	}
	return w.Common, ""
}

// collected returns where line i is collected, and where that stands in the
// request.
func (w Wish) collected(i int) (garage, at string) {
	if w.Lines[i].Garage != "" {
		return w.Lines[i].Garage, fmt.Sprintf("/lines/%d/garage", i)
	}
	return w.Garage, "/garage"
}

// garages are the names of all places of collection.
func (w Wish) garages() []string {
	var out []string
	for i := range w.Lines {
		if garage, _ := w.collected(i); garage != "" {
			out = append(out, garage)
		}
	}
	return out
}

// formFaults reports what is wrong with w that no lookup is needed for.
func (w Wish) formFaults() []problem.Fault {
	var faults []problem.Fault
	both := func(when When, at string) {
		if when.Period != nil && when.Days != nil {
			faults = append(faults, problem.Fault{Pointer: at + "/days", Detail: "give `period` or `days`, not both"})
		}
	}
	both(w.Common, "")
	if w.NextFree > 0 {
		if w.Common.isGiven() || slices.ContainsFunc(w.Lines, func(l Line) bool { return l.isGiven() }) {
			faults = append(faults, problem.Fault{Pointer: "/next_free_hours", Detail: "stands instead of periods and days; give one or the other"})
		}
		return append(faults, w.lineFaults()...)
	}
	for i, line := range w.Lines {
		at := fmt.Sprintf("/lines/%d", i)
		both(line.When, at)
		if !line.isGiven() && !w.Common.isGiven() {
			faults = append(faults, problem.Fault{Pointer: at + "/period", Detail: "give this line a `period` or `days`, or the request one for all lines"})
		}
	}
	return append(faults, w.lineFaults()...)
}

// namesBore reports whether a line wants what serves a bore best.
func (w Wish) namesBore() bool {
	return slices.ContainsFunc(w.Lines, func(l Line) bool {
		return l.Bore != nil || slices.ContainsFunc(l.OneOf, func(one Line) bool { return one.Bore != nil })
	})
}

// lineFaults reports lines that do not name one thing.
func (w Wish) lineFaults() []problem.Fault {
	var faults []problem.Fault
	add := func(at, detail string) { faults = append(faults, problem.Fault{Pointer: at, Detail: detail}) }
	for i, line := range w.Lines {
		at := fmt.Sprintf("/lines/%d", i)
		switch n := line.names(); {
		case n == 0:
			add(at, "name a `tool`, a `tool_model` of which any will do, a `kit`, or `one_of` several")
		case n > 1 && line.Tool != "" && line.Model != "":
			add(at+"/tool_model", "name a `tool` or a `tool_model`, not both; use two lines for two tools")
		case n > 1:
			add(at, "name one of `tool`, `tool_model`, `kit` and `one_of`; use a line for each thing")
		}
		if line.Bore != nil && line.Model == "" {
			add(at+"/bore", "goes with a `tool_model`, of which it chooses the tool")
		}
		if line.DecideBy != nil && len(line.OneOf) == 0 {
			add(at+"/decide_by", "goes with `one_of`, of which one is decided for by then")
		}
		if len(line.OneOf) == 1 || len(line.OneOf) > mostChoices {
			add(at+"/one_of", fmt.Sprintf("name from 2 to %d to decide between", mostChoices))
		}
		for k, one := range line.OneOf {
			at := fmt.Sprintf("%s/one_of/%d", at, k)
			if (one.Tool == "") == (one.Model == "") {
				add(at, "name a `tool` or a `tool_model`")
			}
			if one.Bore != nil && one.Model == "" {
				add(at+"/bore", "goes with a `tool_model`, of which it chooses the tool")
			}
		}
	}
	return faults
}

// names is how many ways of naming something l uses.
func (l Line) names() int {
	n := 0
	for _, used := range []bool{l.Tool != "", l.Model != "", l.Kit != "", l.OneOf != nil} {
		if used {
			n++
		}
	}
	return n
}

// part is one tool that a line asks for: a line of a kit or with a choice has
// several.
type part struct {
	line    int    // of the wish
	at      string // where it is named in the request
	name    string // as the member wrote it, or as the kit has it
	tool    string // an id or a number
	model   string // an id or a code
	bore    *int64
	exactly bool
	kit     *uuid.UUID
	choice  *int
}

// parts are all tools that w asks for, in the order in which they become lines of
// a reservation. kits gives the parts of a kit by its name; faults are kits that
// there are not.
func (w Wish) parts(kits func(name string) []kitPart) ([]part, []problem.Fault) {
	var out []part
	var faults []problem.Fault
	for i, line := range w.Lines {
		at := fmt.Sprintf("/lines/%d", i)
		switch {
		case line.Kit != "":
			found := kits(line.Kit)
			switch {
			case found == nil:
				faults = append(faults, problem.Fault{Pointer: at + "/kit", Detail: fmt.Sprintf("there is no kit “%s” in this club, or it is no longer lent; check the spelling, or GET kits", line.Kit)})
			case found[0].empty():
				faults = append(faults, problem.Fault{Pointer: at + "/kit", Detail: fmt.Sprintf("the kit “%s” has no parts; a tool keeper adds them", line.Kit)})
				found = nil
			}
			for _, k := range found {
				p := part{line: i, at: at + "/kit", exactly: line.Exactly, kit: &k.KitID}
				if k.ToolID != nil {
					p.tool = k.ToolID.String()
				} else {
					p.model = k.ModelID.String()
				}
				p.name = k.Label
				out = append(out, p)
			}
		case len(line.OneOf) > 0:
			number := i
			for k, one := range line.OneOf {
				p := part{line: i, name: cmp.Or(one.Tool, one.Model), tool: one.Tool, model: one.Model, bore: one.Bore, exactly: line.Exactly, choice: &number}
				p.at = fmt.Sprintf("%s/one_of/%d/%s", at, k, p.field())
				out = append(out, p)
			}
		case line.Tool != "" || line.Model != "":
			p := part{line: i, name: cmp.Or(line.Tool, line.Model), tool: line.Tool, model: line.Model, bore: line.Bore, exactly: line.Exactly}
			p.at = at + "/" + p.field()
			out = append(out, p)
		}
	}
	if len(out) > mostTools {
		faults = append(faults, problem.Fault{Pointer: "/lines", Detail: fmt.Sprintf("come to %d tools, and one reservation has %d at most; make several", len(out), mostTools)})
	}
	return out, faults
}

// field is the contract's name of what p is named by.
func (p part) field() string {
	if p.tool != "" {
		return "tool"
	}
	return "tool_model"
}
