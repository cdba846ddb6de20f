package api

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"

	"pinwright/internal/club"
	"pinwright/internal/imports"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/reading"
	"pinwright/internal/sheet"
)

// importing is one sheet on its way in, in one attempt of its write.
type importing struct {
	s  *Server
	in *call
	mapped
	again bool // another write was faster in the attempt before
	tx    *postgres.Tx

	assumed  []sheet.Assumption
	bodies   []imports.Body
	outcomes []outcome
	made     []imports.Made
}

// outcome is what becomes of a row.
type outcome struct {
	status reading.Status
	id     uuid.UUID
	name   string
	also   []string
	note   string
	faults []ImportFault
}

// queue looks up what the rows name, and returns what judges them and queues
// what they make.
func (r *importing) queue(b *postgres.Batch) func() error {
	r.begin()
	switch r.Kind {
	case imports.Members:
		return r.queueMembers(b)
	case imports.ToolModels:
		return r.queueToolModels(b)
	case imports.Tools:
		return r.queueTools(b)
	case imports.Kits:
		return r.queueKits(b)
	case imports.Vehicles:
		return r.queueVehicles(b)
	case imports.Joints:
		return r.queueJoints(b)
	default:
		return r.queueReadings(b)
	}
}

// begin makes the bodies, with what is wrong with their cells.
func (r *importing) begin() {
	r.bodies, r.assumed = r.Bodies(r.Sheet, r.in.caller.Currency)
	r.outcomes = make([]outcome, len(r.bodies))
	for i, body := range r.bodies {
		r.refuse(i, false, body.Faults...)
		r.refuse(i, true, body.OfModel...)
		if body.Beyond != "" {
			r.outcomes[i].faults = append(r.outcomes[i].faults, ImportFault{
				Detail: "has a cell right of the last column; put cells that contain the separator in quotes, or give the column a name"})
		}
	}
}

// names collects what the rows say in a field, for a look-up.
func (r *importing) names(field string) []postgres.Ref {
	return refsOf(r.texts(field), postgres.ParseRef)
}

// keys is names, where the field is the row's own name and never an id.
func (r *importing) keys(field string) []postgres.Ref {
	return refsOf(r.texts(field), func(text string) postgres.Ref { return postgres.Ref{Name: text} })
}

func (r *importing) texts(field string) []string {
	var out []string
	for _, body := range r.bodies {
		if text, ok := body.Thing[field].(string); ok {
			out = append(out, text)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func refsOf(texts []string, parse func(string) postgres.Ref) []postgres.Ref {
	out := make([]postgres.Ref, len(texts))
	for i, text := range texts {
		out[i] = parse(text)
	}
	return out
}

// refuse adds faults to a row; their pointers are of its body, or of its model's.
func (r *importing) refuse(i int, ofModel bool, faults ...problem.Fault) {
	for _, f := range faults {
		out := ImportFault{Column: present(r.Column(f.Pointer, ofModel)), Detail: f.Detail}
		if out.Column == nil && f.Pointer != "" {
			out.Detail = strings.ReplaceAll(f.Pointer[1:], "/", " ") + ": " + out.Detail
		}
		if len(f.Candidates) > 0 {
			out.Candidates = &f.Candidates
		}
		r.outcomes[i].faults = append(r.outcomes[i].faults, out)
	}
}

// refuseErr is refuse for what a lookup or a domain package found; it returns
// whatever is no problem of the row.
func (r *importing) refuseErr(i int, ofModel bool, err error) error {
	p, isProblem := problem.As(err)
	switch {
	case err == nil:
	case !isProblem:
		return err
	case len(p.Faults) > 0:
		r.refuse(i, ofModel, p.Faults...)
	default:
		r.refuse(i, ofModel, problem.Fault{Detail: p.Detail})
	}
	return nil
}

func (r *importing) sound(i int) bool { return len(r.outcomes[i].faults) == 0 }

// decodeRow holds a body of a row against the schema that a single POST is held
// to, and reads it. Cells that could not be read are told already.
func decodeRow[T any](r *importing, i int, schema string, ofModel bool) (T, error) {
	var out T
	object, told := r.bodies[i].Thing, r.bodies[i].Faults
	if ofModel {
		object, told = r.bodies[i].Model, r.bodies[i].OfModel
	}
	for _, f := range checkValue(r.s.contract.doc.Components.Schemas[schema], object) {
		if !slices.ContainsFunc(told, func(known problem.Fault) bool {
			return known.Pointer == f.Pointer || strings.HasPrefix(known.Pointer, f.Pointer+"/")
		}) {
			r.refuse(i, ofModel, f)
		}
	}
	if !r.sound(i) {
		return out, nil
	}
	text, err := json.Marshal(object)
	if err != nil {
		return out, err
	}
	return out, json.Unmarshal(text, &out)
}

// once reports whether a row is the first of its name; a further one is refused.
func (r *importing) once(i int, seen map[string]int, pointer, name string) bool {
	if first, twice := seen[name]; twice {
		r.refuse(i, false, problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("%q stands in row %d already; keep one of them", name, first)})
		return false
	}
	seen[name] = r.bodies[i].Row
	return true
}

// onRecord settles a row whose name is on record: with all that the row says it
// exists, with something else it is refused.
func (r *importing) onRecord(i int, id uuid.UUID, said ...saying) {
	for _, s := range said {
		if s.given && !s.same {
			r.refuse(i, s.ofModel, problem.Fault{Pointer: s.pointer, Detail: fmt.Sprintf("%s is on record with %s here; an import changes nothing that is there: make the sheet agree, leave the column out with ignore, or edit the record", r.outcomes[i].name, orNothing(s.record))})
		}
	}
	if r.sound(i) {
		r.outcomes[i].status, r.outcomes[i].id = reading.Exists, id
	}
}

func orNothing(record string) string {
	if record == "" {
		return "nothing"
	}
	return record
}

// saying is what a row says beside what is on record. Of people record shows no
// name: reports are kept, and nobody should have to be erased from them.
type saying struct {
	pointer     string
	given, same bool
	record      string
	ofModel     bool
}

func says(pointer string, given *string, record string) saying {
	s := saying{pointer: pointer, given: given != nil, same: or(given, "") == record}
	if record != "" {
		s.record = fmt.Sprintf("%q", record)
	}
	return s
}

// create notes that a row makes something.
func (r *importing) create(i int, id uuid.UUID) {
	r.outcomes[i].status, r.outcomes[i].id = reading.Created, id
}

// make notes what a row made, so that it can be taken back.
func (r *importing) makes(i int, thing imports.Thing, id uuid.UUID) {
	r.made = append(r.made, imports.Made{Thing: thing, ID: id, Row: r.bodies[i].Row})
}

// index finds what was looked up by the names that the rows use.
type index[T any] struct{ byID, byName map[string]*T }

func indexOf[T any](items []T, id func(T) uuid.UUID, name func(T) string) index[T] {
	x := index[T]{byID: map[string]*T{}, byName: map[string]*T{}}
	for i := range items {
		x.byID[id(items[i]).String()], x.byName[name(items[i])] = &items[i], &items[i]
	}
	return x
}

// find returns what ref names; nothing is a fault at pointer.
func (x index[T]) find(pointer, ref string) (*T, error) {
	found := x.byName[ref]
	if parsed := postgres.ParseRef(ref); parsed.ID != nil {
		found = x.byID[parsed.ID.String()]
	}
	if found == nil {
		return nil, problem.Invalid(problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("there is no “%s” in this club; check the spelling, or GET the list", ref)})
	}
	return found, nil
}

func garageIndex(rows *postgres.Rows[club.Garage]) index[club.Garage] {
	return indexOf(rows.Items, func(g club.Garage) uuid.UUID { return g.ID }, func(g club.Garage) string { return g.Code })
}

// placeOf is the garage that a row names at pointer, nil for none.
func (r *importing) placeOf(i int, known index[club.Garage], pointer string, name *string) (*uuid.UUID, error) {
	if name == nil {
		return nil, nil
	}
	g, err := known.find(pointer, *name)
	if g == nil {
		return nil, r.refuseErr(i, false, err)
	}
	return &g.ID, nil
}

func sameID(a, b *uuid.UUID) bool { return a == nil && b == nil || a != nil && b != nil && *a == *b }
