package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"slices"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/problem"
)

// checkRequest holds path, query and body of a request against the contract
// and returns all faults at once. Headers have checks of their own, in the
// order that the conventions state.
func (s *Server) checkRequest(c echo.Context, op *operation, body []byte) (any, error) {
	faults := s.checkParameters(c, op)
	value, err := checkBody(c.Request(), op, body, &faults)
	if err != nil {
		return nil, err
	}
	if len(faults) > 0 {
		return nil, problem.Invalid(faults...)
	}
	return value, nil
}

func (s *Server) checkParameters(c echo.Context, op *operation) []problem.Fault {
	var faults []problem.Fault
	path := map[string]string{}
	for _, name := range c.ParamNames() {
		path[name] = c.Param(name)
	}
	query := c.Request().URL.Query()
	in := &openapi3filter.RequestValidationInput{
		Request: c.Request(), PathParams: path, QueryParams: query,
		Options: &openapi3filter.Options{SkipSettingDefaults: true, MultiError: true},
	}
	known := map[string]bool{}
	for _, ref := range op.params {
		p := ref.Value
		at := "{" + p.Name + "}"
		if p.In == openapi3.ParameterInHeader {
			continue
		}
		if p.In == openapi3.ParameterInQuery {
			at, known[p.Name] = "?"+p.Name, true
			listed := p.Schema.Value.Type.Is("array")
			if once := !listed || p.Explode != nil && !*p.Explode; once && len(query[p.Name]) > 1 {
				detail := "stands several times; send it once"
				if listed {
					detail += ", its values separated by commas"
				}
				faults = append(faults, problem.Fault{Pointer: at, Detail: detail})
				continue
			}
			if slices.Contains(query[p.Name], "") {
				faults = append(faults, problem.Fault{Pointer: at, Detail: "is empty; give a value or leave it out"})
				continue
			}
			if slices.ContainsFunc(query[p.Name], func(v string) bool { return strings.ContainsRune(v, 0) }) {
				faults = append(faults, problem.Fault{Pointer: at, Detail: "contains a NUL character; remove it"})
				continue
			}
		}
		if !utf8.ValidString(path[p.Name]) || !utf8.ValidString(strings.Join(query[p.Name], "")) {
			faults = append(faults, problem.Fault{Pointer: at, Detail: "is not UTF-8; percent-encode the bytes of its UTF-8 form"})
			continue
		}
		if err := openapi3filter.ValidateParameter(c.Request().Context(), in, p); err != nil {
			faults = append(faults, parameterFaults(at, err)...)
		}
	}
	for name := range query {
		if !known[name] {
			faults = append(faults, problem.Fault{Pointer: "?" + name, Detail: "is not known here; the reference lists what is: " + strings.Join(sortedKeys(known), ", ")})
		}
	}
	sort.SliceStable(faults, func(i, j int) bool { return faults[i].Pointer < faults[j].Pointer })
	return faults
}

func sortedKeys(set map[string]bool) []string {
	list := make([]string, 0, len(set))
	for k := range set {
		list = append(list, k)
	}
	slices.Sort(list)
	return list
}

func parameterFaults(at string, err error) []problem.Fault {
	var schema *openapi3.SchemaError
	if errors.As(err, &schema) {
		return []problem.Fault{{Pointer: at, Detail: mend(schema)}}
	}
	var request *openapi3filter.RequestError
	if errors.As(err, &request) && request.Parameter != nil && request.Parameter.Schema != nil {
		t := request.Parameter.Schema.Value.Type
		switch {
		case errors.Is(err, openapi3filter.ErrInvalidRequired):
			return []problem.Fault{{Pointer: at, Detail: "is needed"}}
		case t.Is("integer"):
			return []problem.Fault{{Pointer: at, Detail: "use a whole number"}}
		case t.Is("boolean"):
			return []problem.Fault{{Pointer: at, Detail: "use true or false"}}
		}
	}
	return []problem.Fault{{Pointer: at, Detail: "does not fit the contract; the reference shows its form"}}
}

// checkBody parses and validates a body; with op.Batch only the envelope, since
// each row is judged by itself.
func checkBody(r *http.Request, op *operation, body []byte, faults *[]problem.Fault) (any, error) {
	if op.spec.RequestBody == nil {
		if len(bytes.TrimSpace(body)) > 0 {
			*faults = append(*faults, problem.Fault{Pointer: "", Detail: "this operation takes no body; leave it out"})
		}
		return nil, nil
	}
	spec := op.spec.RequestBody.Value
	if len(body) == 0 && !spec.Required {
		return map[string]any{}, nil
	}
	media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	content := spec.Content[media]
	if err != nil || content == nil {
		return nil, problem.New(problem.UnsupportedMediaType, "Send the body as Content-Type: %s.", strings.Join(op.mediaTypes(), " or "))
	}
	if media == csvType {
		return readSheet(body)
	}
	schema := content.Schema
	if schema.Value.Format == "binary" { // is what it is, not JSON
		return nil, nil
	}
	value, err := readStrictly(body)
	if err != nil {
		return nil, err
	}
	if op.Batch != "" {
		object, isObject := value.(map[string]any)
		_, isBatch := object[op.Batch]
		for _, one := range schema.Value.OneOf {
			_, takesRows := one.Value.Properties[op.Batch]
			if !isObject || takesRows == isBatch {
				schema = one
			}
		}
	}
	*faults = append(*faults, checkValue(schema, value)...)
	return value, nil
}

// checkValue holds a parsed value against a schema and returns all faults,
// sorted by their place.
func checkValue(schema *openapi3.SchemaRef, value any) []problem.Fault {
	var faults []problem.Fault
	if err := schema.Value.VisitJSON(value, openapi3.MultiErrors(), openapi3.VisitAsRequest(), openapi3.EnableFormatValidation()); err != nil {
		faults = flatten(err, nil)
	}
	walkLengths(schema, value, "", func(at string, raw any) {
		text, err := json.Marshal(raw)
		if err == nil {
			var q length.Quantity
			err = q.UnmarshalJSON(text)
		}
		if err != nil {
			faults = append(faults, problem.Fault{Pointer: at, Detail: err.Error()})
		}
	})
	sort.SliceStable(faults, func(i, j int) bool { return faults[i].Pointer < faults[j].Pointer })
	return slices.CompactFunc(faults, func(a, b problem.Fault) bool { return a.Pointer == b.Pointer })
}

// walkLengths calls found for every length in value, so that one out of range
// is told with its place.
func walkLengths(schema *openapi3.SchemaRef, value any, at string, found func(at string, raw any)) {
	if schema == nil || value == nil {
		return
	}
	if strings.HasSuffix(schema.Ref, "/LengthIn") {
		found(at, value)
		return
	}
	switch v := value.(type) {
	case map[string]any:
		for name, member := range v {
			walkLengths(schema.Value.Properties[name], member, at+"/"+escapePointer(name), found)
		}
	case []any:
		for i, item := range v {
			walkLengths(schema.Value.Items, item, fmt.Sprintf("%s/%d", at, i), found)
		}
	}
}

// flatten collects the faults of err. Of a oneOf only the outer error is told:
// which branch was meant cannot be known, but the schema says how to mend it.
func flatten(err error, faults []problem.Fault) []problem.Fault {
	switch e := err.(type) { //nolint:errorlint // the library's own tree of errors is walked, not a wrapped chain
	case openapi3.MultiError:
		for _, one := range e {
			faults = flatten(one, faults)
		}
		return faults
	case *openapi3.SchemaError:
		if e.SchemaField != "oneOf" && e.SchemaField != "anyOf" && e.Schema.Extensions["x-mend"] == nil {
			if inner, ok := e.Origin.(openapi3.MultiError); ok { //nolint:errorlint // see above
				return flatten(inner, faults)
			}
		}
		return append(faults, problem.Fault{Pointer: pointerOf(e), Detail: mend(e)})
	default:
		return append(faults, problem.Fault{Detail: "does not fit the contract; the reference shows its form"})
	}
}

func pointerOf(e *openapi3.SchemaError) string {
	var at strings.Builder
	for _, part := range e.JSONPointer() {
		at.WriteString("/" + escapePointer(part))
	}
	if e.SchemaField == "properties" {
		// An unknown field is reported at its object.
		if name, err := strconv.Unquote(strings.TrimSuffix(strings.TrimPrefix(e.Reason, "property "), " is unsupported")); err == nil && !strings.HasSuffix(at.String(), "/"+escapePointer(name)) {
			at.WriteString("/" + escapePointer(name))
		}
	}
	return at.String()
}

// mend says how to mend what e found. The library's own texts show schemas and
// values, so each is put anew.
func mend(e *openapi3.SchemaError) string {
	s := e.Schema
	if text, ok := s.Extensions["x-mend"].(string); ok && e.SchemaField != "required" && e.SchemaField != "properties" {
		return text
	}
	if e.Value == nil && e.SchemaField == "nullable" {
		return "null is not taken here; leave the field out"
	}
	switch e.SchemaField {
	case "required":
		return "is needed"
	case "properties":
		if s.AdditionalProperties.Has == nil || !*s.AdditionalProperties.Has {
			names := make([]string, 0, len(s.Properties))
			for n := range s.Properties {
				names = append(names, n)
			}
			slices.Sort(names)
			return "is not known here; known are " + strings.Join(names, ", ")
		}
	case "type":
		if len(s.Required) > 0 { // an object: say what it needs
			return "must be " + article(s.Type) + " with " + strings.Join(s.Required, ", ")
		}
		return "must be " + article(s.Type)
	case "enum":
		var list []string
		for _, v := range s.Enum {
			list = append(list, fmt.Sprint(v))
		}
		return "use one of: " + strings.Join(list, ", ")
	case "minLength":
		return fmt.Sprintf("must have at least %d characters", s.MinLength)
	case "maxLength":
		return fmt.Sprintf("must have at most %d characters", *s.MaxLength)
	case "minItems":
		return fmt.Sprintf("must have at least %d items", s.MinItems)
	case "maxItems":
		return fmt.Sprintf("must have at most %d items", *s.MaxItems)
	case "uniqueItems":
		return "must not hold the same item twice"
	case "minProperties":
		return "must hold at least one field to change"
	case "minimum", "exclusiveMinimum":
		return fmt.Sprintf("must be at least %v", *s.Min)
	case "maximum", "exclusiveMaximum":
		return fmt.Sprintf("must be at most %v", *s.Max)
	case "format":
		if e.Origin != nil && (s.Format == "uuid" || s.Format == "uuidv7" || s.Format == "date" || s.Format == "date-time") {
			var inner = e.Origin
			for errors.Unwrap(inner) != nil {
				inner = errors.Unwrap(inner)
			}
			return inner.Error()
		}
	case "pattern":
		return "has characters or a form that is not taken here; the pattern is " + s.Pattern
	}
	if s.Description != "" {
		return "does not fit: " + s.Description
	}
	return "does not fit the contract; the reference shows its form"
}

func article(t *openapi3.Types) string {
	switch {
	case t.Is("object"):
		return "an object"
	case t.Is("array"):
		return "a list"
	case t.Is("integer"):
		return "a whole number"
	case t.Is("number"):
		return "a number"
	case t.Is("boolean"):
		return "true or false"
	}
	return "a text"
}
