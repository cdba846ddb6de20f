package api

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"sync"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/labstack/echo/v4"
)

// historySchema is the JSON Schema (2020-12) of a vehicle's history, made of the
// contract's own, so that the two cannot differ.
var historySchema = sync.OnceValues(func() ([]byte, error) {
	doc, err := document()
	if err != nil {
		return nil, err
	}
	return jsonSchemaOf(doc, "HistoryDocument", "A vehicle's whole history, version 1", "/v1/schemas/history/1")
})

// notInJSONSchema are members of an OpenAPI 3.0 schema that JSON Schema lacks, or
// says in another way.
var notInJSONSchema = []string{"example", "nullable", "discriminator", "xml", "externalDocs"}

// componentsPath is where the contract keeps its schemas.
const componentsPath = "#/components/schemas/"

// jsonSchemaOf is a component of the contract with all that it rests on. The
// components that it is used for are written in what OpenAPI 3.0 and JSON Schema 2020-12
// have in common, but for `nullable`, which none of them has.
func jsonSchemaOf(doc *openapi3.T, name, title, id string) ([]byte, error) {
	defs := map[string]any{}
	var add func(name string) error
	var walk func(v any) error
	walk = func(v any) error {
		switch v := v.(type) {
		case []any:
			for _, one := range v {
				if err := walk(one); err != nil {
					return err
				}
			}
		case map[string]any:
			maps.DeleteFunc(v, func(k string, _ any) bool { return strings.HasPrefix(k, "x-") || slices.Contains(notInJSONSchema, k) })
			if ref, is := v["$ref"].(string); is {
				part := strings.TrimPrefix(ref, componentsPath)
				v["$ref"] = "#/$defs/" + part
				return add(part)
			}
			for _, one := range v {
				if err := walk(one); err != nil {
					return err
				}
			}
		}
		return nil
	}
	add = func(name string) error {
		if defs[name] != nil {
			return nil
		}
		text, err := json.Marshal(doc.Components.Schemas[name].Value)
		if err != nil {
			return err
		}
		var v map[string]any
		if err := json.Unmarshal(text, &v); err != nil {
			return err
		}
		defs[name] = v
		return walk(v)
	}
	if err := add(name); err != nil {
		return nil, err
	}
	return json.MarshalIndent(map[string]any{"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": id, "title": title, "$ref": "#/$defs/" + name, "$defs": defs}, "", "  ")
}

// GetHistorySchema implements the contract.
func (s *Server) GetHistorySchema(c echo.Context) error {
	return s.calculate(c, func(*call) (answer, error) {
		text, err := historySchema()
		return ok(text).with("Content-Type", "application/schema+json"), err
	})
}
