package api_test

import (
	"bytes"
	"image"
	"image/jpeg"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/uuid"
)

// smallPhoto is a picture of one pixel.
var smallPhoto = func() string {
	var out bytes.Buffer
	if err := jpeg.Encode(&out, image.NewGray(image.Rect(0, 0, 1, 1)), nil); err != nil {
		panic(err)
	}
	return out.String()
}()

// texts are tried, in this order, for a string of the contract that gives no
// example: the first that fits its pattern, lengths and format is taken.
var texts = []string{"specimen", "9 mm", "08:00", "20:00", "EUR", "H7", "H7/g6", "2026-05-01", "2026-05-01T18:30:00+02:00"}

// exampleOf makes a value that the schema takes: what is required and nothing
// else, unless the schema asks for at least one of several. It fails the test
// where it does not know how, so that no operation is walked with less than a
// valid body.
func exampleOf(t testing.TB, schema *openapi3.SchemaRef) any {
	t.Helper()
	if schema.Value.Format == "binary" {
		return raw(smallPhoto)
	}
	out := guess(t, "", schema)
	if err := valid(schema, out); err != nil {
		t.Fatalf("cannot make an example of %s: %v\n(made %v; teach exampleOf, or give the schema an example)", schema.Ref, err, out)
	}
	return out
}

func valid(schema *openapi3.SchemaRef, value any) error {
	return schema.Value.VisitJSON(value, openapi3.VisitAsRequest(), openapi3.EnableFormatValidation())
}

// things are the tables that a field of another name refers to.
var things = map[string]string{"joints": "joint", "model": "tool_model", "template": "joint_template", "instrument": "tool"}

// guess makes a value of a field called name. A field that refers to something
// is given the club's own specimen, so that the rest of a body is looked at.
func guess(t testing.TB, name string, ref *openapi3.SchemaRef) any {
	t.Helper()
	s := ref.Value
	switch {
	case strings.HasSuffix(ref.Ref, "/Ref"):
		if table, ok := things[name]; ok {
			name = table
		}
		return "mine-" + name
	case len(s.OneOf) > 0:
		return guess(t, name, s.OneOf[0])
	case len(s.AnyOf) > 0:
		return guess(t, name, s.AnyOf[0])
	case s.Example != nil && !s.Type.Is("object"):
		return s.Example
	case len(s.Enum) > 0:
		return s.Enum[0]
	case s.Type.Is("object"):
		out := map[string]any{}
		fields := s.Required
		if shown, ok := s.Example.(map[string]any); ok { // its fields belong together
			fields = slices.Sorted(maps.Keys(shown))
		}
		for _, field := range fields {
			out[field] = guess(t, field, s.Properties[field])
		}
		for _, field := range slices.Sorted(maps.Keys(s.Properties)) {
			if uint64(len(out)) < s.MinProps {
				out[field] = guess(t, field, s.Properties[field])
			}
		}
		return out
	case s.Type.Is("array"):
		var out []any
		for range max(s.MinItems, 1) {
			out = append(out, guess(t, name, s.Items))
		}
		return out
	case s.Type.Is("boolean"):
		return true
	case s.Type.Is("number"), s.Type.Is("integer"):
		if s.Min != nil {
			return *s.Min
		}
		return 1.0
	case s.Format == "uuid", s.Format == "uuidv7":
		return newID()
	}
	for _, text := range texts {
		if valid(ref, text) == nil {
			return text
		}
	}
	t.Fatalf("no text in texts fits the pattern %q; add one, or give the schema an example", s.Pattern)
	return nil
}

// companions are the fields that a field makes sense with, where these are not
// the fields of the example.
var companions = map[string][]string{"instrument": {"joint", "value"}}

// chosen are the fields that a field of a decision makes sense with, where the body
// says as what something is decided.
var chosen = map[string]map[string]any{"entry": {"as": "entry"}, "tool": {"as": "deposit", "member": "17"}}

// place is where a body refers to something by its id.
type place struct {
	pointer string
	body    func(id string) any // a valid body with id at that place
}

// references lists every place of a body where an id or a name of something is
// taken, optional ones included.
func references(t testing.TB, schema *openapi3.SchemaRef) []place {
	t.Helper()
	var out []place
	var walk func(ref *openapi3.SchemaRef, at string, put func(value any) any)
	walk = func(ref *openapi3.SchemaRef, at string, put func(value any) any) {
		s := ref.Value
		if s.Extensions["x-sealed"] != nil { // held to its own hashes before anything of it is looked up
			return
		}
		if s.Type.Is("string") && s.Format != "uuidv7" && valid(ref, uuid.NewString()) == nil && named(ref, at) {
			out = append(out, place{at, func(id string) any { return put(id) }})
		}
		for _, branch := range append(slices.Clone(s.OneOf), s.AnyOf...) {
			walk(branch, at, put)
		}
		for _, name := range slices.Sorted(maps.Keys(s.Properties)) {
			walk(s.Properties[name], at+"/"+name, func(value any) any {
				object := map[string]any{}
				if as, ok := chosen[name]; ok && s.Properties["as"] != nil {
					maps.Copy(object, as)
				} else if beside, ok := companions[name]; ok && s.Properties[beside[0]] != nil {
					for _, field := range beside {
						object[field] = guess(t, field, s.Properties[field])
					}
				} else if whole, ok := guess(t, "", ref).(map[string]any); ok {
					maps.Copy(object, whole)
				}
				object[name] = value
				return put(object)
			})
		}
		if s.Items != nil {
			walk(s.Items, at+"/0", func(value any) any { return put([]any{value}) })
		}
	}
	walk(schema, "", func(value any) any { return value })
	return out
}

// named reports whether a string of the contract refers to something, not
// merely takes any text: it is a Ref or an Id, or spells their pattern out
// because it may also be null.
func named(ref *openapi3.SchemaRef, at string) bool {
	return strings.HasSuffix(ref.Ref, "/Ref") || strings.HasSuffix(ref.Ref, "/Id") || ref.Value.Format == "uuid" ||
		ref.Value.Pattern == refPattern
}

// refPattern is the pattern of the contract's Ref.
const refPattern = `^[^\x00-\x1f/]+$`

func TestExamplesAreMadeForEveryBodyOfTheContract(t *testing.T) {
	t.Parallel()
	found := 0
	for _, op := range everyOperation(t) {
		for _, media := range op.bodies() {
			exampleOf(t, media.Schema)
			for _, p := range references(t, media.Schema) {
				found++
				if err := valid(media.Schema, p.body(uuid.NewString())); err != nil {
					t.Errorf("%s: a body with an id at %s is not valid: %v", op.id, p.pointer, err)
				}
			}
		}
	}
	if found < 20 {
		t.Errorf("found only %d places that refer to something", found)
	}
}
