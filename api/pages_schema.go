package api

import (
	"fmt"
	"slices"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"
)

// schemaView is a named schema.
type schemaView struct {
	Name, About, Bounds string
	Type                typeView
	Fields              []fieldView
	Open                bool // takes further fields
}

// fieldView is a field of a schema, a parameter or a header. A field of an
// unnamed object inside has its path as its name: calibration.lapsed.
type fieldView struct {
	Name, In, About, Bounds string
	Type                    typeView
	Required                bool
}

// typeView is a type in words, with the schemas it names as links.
type typeView []typePart

type typePart struct{ Text, Schema string }

func viewSchema(name string, s *openapi3.Schema) schemaView {
	ref := &openapi3.SchemaRef{Value: s}
	v := schemaView{Name: name, About: s.Description, Type: viewType(ref), Bounds: bounds(ref), Fields: viewFields("", s)}
	v.Open = s.AdditionalProperties.Has != nil && *s.AdditionalProperties.Has
	return v
}

func viewFields(prefix string, s *openapi3.Schema) []fieldView {
	var out []fieldView
	// Needed fields first: they are what somebody must fill in.
	names := sortedNames(s.Properties)
	slices.SortStableFunc(names, func(a, b string) int {
		return order(slices.Contains(s.Required, b)) - order(slices.Contains(s.Required, a))
	})
	for _, name := range names {
		ref := s.Properties[name]
		f := fieldView{Name: prefix + name, Type: viewType(ref), Required: slices.Contains(s.Required, name), Bounds: bounds(ref)}
		if ref.Ref == "" && ref.Value != nil { // a named schema tells of itself where its link leads
			f.About = ref.Value.Description
		}
		out = append(out, f)
		inner, path := ref, prefix+name+"."
		if isList(inner) {
			inner, path = inner.Value.Items, prefix+name+"[]."
		}
		if inner.Ref == "" && inner.Value != nil {
			out = append(out, viewFields(path, inner.Value)...)
		}
	}
	return out
}

func order(needed bool) int {
	if needed {
		return 1
	}
	return 0
}

func isList(ref *openapi3.SchemaRef) bool {
	return ref.Ref == "" && ref.Value != nil && ref.Value.Type.Is("array") && ref.Value.Items != nil
}

func refName(ref string) string { return ref[strings.LastIndex(ref, "/")+1:] }

func viewType(ref *openapi3.SchemaRef) typeView {
	switch {
	case ref == nil || ref.Value == nil:
		return nil
	case ref.Ref != "":
		return typeView{{Text: refName(ref.Ref), Schema: refName(ref.Ref)}}
	case isList(ref):
		return append(typeView{{Text: "list of "}}, viewType(ref.Value.Items)...)
	}
	s := ref.Value
	for _, choice := range [][]*openapi3.SchemaRef{s.OneOf, s.AnyOf, s.AllOf} {
		if len(choice) == 0 {
			continue
		}
		var out typeView
		for i, one := range choice {
			if i > 0 {
				out = append(out, typePart{Text: " or "})
			}
			out = append(out, viewType(one)...)
		}
		return out
	}
	switch {
	case s.Type.Is("object") && s.AdditionalProperties.Schema != nil:
		return append(typeView{{Text: "object of "}}, viewType(s.AdditionalProperties.Schema)...)
	case s.Type == nil:
		return typeView{{Text: "anything"}}
	case s.Type.Is("string") && s.Format != "":
		return typeView{{Text: s.Format}}
	case s.Type.Is("string"):
		return typeView{{Text: "text"}}
	case s.Type.Is("object") && len(s.Properties) > 0:
		return typeView{{Text: "object with " + words(sortedNames(s.Properties), "and")}}
	}
	return typeView{{Text: strings.Join(s.Type.Slice(), " or ")}}
}

// What the bundler sets for whatever goes out, for programs only: said of every
// field it would tell people nothing.
const (
	roomFor = 1 << 14
	anyText = `^[^\x00]*$`
)

// bounds says what a value must keep to, in words.
func bounds(ref *openapi3.SchemaRef) string {
	if ref == nil || ref.Value == nil || ref.Ref != "" {
		return ""
	}
	s := ref.Value
	var parts []string
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	if len(s.Enum) > 0 {
		list := make([]string, len(s.Enum))
		for i, e := range s.Enum {
			list[i] = fmt.Sprint(e)
		}
		add("one of %s", strings.Join(list, ", "))
	}
	span := func(least uint64, most *uint64, what string) {
		switch {
		case most != nil && *most == roomFor:
		case most != nil && least == *most:
			add("%d %s", least, what)
		case most != nil:
			add("%d to %s %s", least, thousands(*most), what)
		case least > 0:
			add("at least %d %s", least, what)
		}
	}
	span(s.MinLength, s.MaxLength, "characters")
	span(s.MinItems, s.MaxItems, "items")
	switch {
	case s.Max != nil && (*s.Max == 1<<31-1 || *s.Max == 1<<53-1): // what the format holds
	case s.Min != nil && s.Max != nil:
		add("%s to %s", number(*s.Min), number(*s.Max))
	case s.Min != nil:
		add("at least %s", number(*s.Min))
	case s.Max != nil:
		add("at most %s", number(*s.Max))
	}
	if s.Pattern != "" && s.Pattern != anyText {
		add("pattern %s", s.Pattern)
	}
	if s.Default != nil {
		add("default %v", s.Default)
	}
	if s.Example != nil && !s.Type.Is("object") {
		add("for example %v", s.Example)
	}
	if isList(ref) {
		if inner := bounds(s.Items); inner != "" {
			add("each %s", inner)
		}
	}
	return strings.Join(parts, "; ")
}

func number(x float64) string {
	if x == float64(int64(x)) {
		if x < 0 {
			return "-" + thousands(uint64(-x))
		}
		return thousands(uint64(x))
	}
	return fmt.Sprint(x)
}
