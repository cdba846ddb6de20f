package main

import (
	"os"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"
)

func TestMain(m *testing.M) {
	if err := os.Chdir(".."); err != nil { // where the command is run
		panic(err)
	}
	os.Exit(m.Run())
}

type object = map[string]any

// at follows names into the document; a test that looks for what is not there
// proves nothing, so that ends it.
func at(t *testing.T, doc object, path ...string) object {
	t.Helper()
	for _, name := range path {
		next, ok := doc[name].(object)
		if !ok {
			t.Fatalf("the contract has no %s", strings.Join(path, " "))
		}
		doc = next
	}
	return doc
}

func seeded(t *testing.T, change func(doc object)) []byte {
	t.Helper()
	var doc object
	if err := yaml.Unmarshal(read("openapi.yaml"), &doc); err != nil {
		t.Fatal(err)
	}
	change(doc)
	text, err := yaml.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

const garages = "/v1/clubs/{club}/garages"

// Each rule is proved to bite by a fault put into the contract of today.
func TestLintFindsSeededFaults(t *testing.T) {
	list := func(doc object, more ...string) object {
		return at(t, doc, append([]string{"paths", garages, "get"}, more...)...)
	}
	schema := func(doc object, more ...string) object {
		return at(t, doc, append([]string{"components", "schemas", "Garage"}, more...)...)
	}
	for _, tc := range []struct {
		name, rule string
		change     func(doc object)
	}{
		{"nothing", "", func(object) {}},
		{"a guarded operation without 401", "every-guarded-operation-says-401", func(doc object) { delete(list(doc, "responses"), "401") }},
		{"an operation for a code, without 401", "every-operation-for-a-code-says-401", func(doc object) {
			delete(at(t, doc, "paths", "/v1/clubs/{club}/invitations/accept", "post", "responses"), "401")
		}},
		{"without 429", "every-limited-operation-says-429", func(doc object) { delete(list(doc, "responses"), "429") }},
		{"without 500", "owasp-define-error-responses-500", func(doc object) { delete(list(doc, "responses"), "500") }},
		{"without 422", "every-operation-in-a-club-says-422", func(doc object) { delete(list(doc, "responses"), "422") }},
		{"an open operation with a body, without 422", "every-operation-with-a-body-says-422", func(doc object) {
			delete(at(t, doc, "paths", "/v1/calc/fit", "post", "responses"), "422")
		}},
		{"an answer that does not tell the limit", "every-limited-answer-tells-the-limit", func(doc object) { delete(list(doc, "responses", "200", "headers"), "RateLimit") }},
		{"an answer without headers", "every-limited-answer-has-headers", func(doc object) { delete(list(doc, "responses", "200"), "headers") }},
		{"429 without Retry-After", "owasp-rate-limit-retry-after", func(doc object) { delete(list(doc, "responses", "429", "headers"), "Retry-After") }},
		{"a secret in a query", "no-credentials-in-a-query", func(doc object) {
			list(doc)["parameters"] = append(list(doc)["parameters"].([]any), object{"name": "api_key", "in": "query", "description": "A key",
				"schema": object{"type": "string", "maxLength": 3, "pattern": "^a+$"}})
		}},
		{"a text without an end", "owasp-string-limit", func(doc object) { delete(schema(doc, "properties", "address"), "maxLength") }},
		{"a number without bounds", "owasp-integer-limit", func(doc object) { delete(schema(doc, "properties", "version"), "maximum") }},
		{"a list without an end", "owasp-array-limit", func(doc object) {
			delete(at(t, doc, "components", "schemas", "GaragePage", "properties", "items"), "maxItems")
		}},
		{"a schema without an example", "oas3-missing-example", func(doc object) { delete(schema(doc), "example") }},
		{"an example that is none", "oas3-valid-schema-example", func(doc object) { at(t, doc, "components", "schemas", "Garage", "example")["version"] = "first" }},
		{"a schema that nobody explains", "component-description", func(doc object) { delete(schema(doc), "description") }},
		{"an operation that nobody explains", "operation-description", func(doc object) { delete(list(doc), "description") }},
		{"two operations of one id", "operation-operationId-unique", func(doc object) { list(doc)["operationId"] = "createGarage" }},
		{"a reference to nothing", "", func(doc object) { delete(at(t, doc, "components", "schemas"), "Garage") }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			findings, err := lint(read("lint.yaml"), seeded(t, tc.change))
			if tc.name == "a reference to nothing" {
				if err == nil && len(findings) == 0 {
					t.Error("not found")
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			found := false
			for _, f := range findings {
				found = found || tc.rule != "" && strings.Contains(f, ": "+tc.rule+": ")
			}
			if found != (tc.rule != "") || tc.rule == "" && len(findings) > 0 {
				t.Errorf("want a finding of %q, have:\n%s", tc.rule, strings.Join(findings, "\n"))
			}
		})
	}
}

// Each change is made to the contract of today, which is then compared with itself
// unchanged.
func TestCompareTellsBreakingChangesFromAdditions(t *testing.T) {
	schema := func(doc object, name string, more ...string) object {
		return at(t, doc, append([]string{"components", "schemas", name}, more...)...)
	}
	for _, tc := range []struct {
		name, id string // of the check; empty: nothing breaks
		change   func(doc object)
	}{
		{"nothing", "", func(object) {}},
		{"a required request field is added", "new-required-request-property", func(doc object) {
			s := schema(doc, "GarageIn")
			s["required"] = append(s["required"].([]any), "colour")
			at(t, s, "properties")["colour"] = object{"type": "string", "maxLength": 9}
		}},
		{"a response field is removed", "response-required-property-removed", func(doc object) {
			s := schema(doc, "Garage")
			delete(at(t, s, "properties"), "opens")
			var kept []any
			for _, name := range s["required"].([]any) {
				if name != "opens" {
					kept = append(kept, name)
				}
			}
			s["required"] = kept
		}},
		{"an operation is removed", "api-removed-without-deprecation", func(doc object) { delete(at(t, doc, "paths", garages), "get") }},
		{"a request field takes less", "request-property-max-length-decreased", func(doc object) {
			schema(doc, "GarageIn", "properties", "time_zone")["maxLength"] = 10
		}},
		{"a field changes its type", "response-property-type-changed", func(doc object) {
			p := schema(doc, "Garage", "properties", "opens")
			clear(p)
			p["type"] = "boolean"
		}},
		{"a query parameter becomes required", "new-required-request-parameter", func(doc object) {
			op := at(t, doc, "paths", garages, "get")
			op["parameters"] = append(op["parameters"].([]any), object{"name": "near", "in": "query", "required": true, "schema": object{"type": "string"}})
		}},
		{"an answer of success is removed", "response-success-status-removed", func(doc object) {
			r := at(t, doc, "paths", garages, "get", "responses")
			r["206"] = r["200"]
			delete(r, "200")
		}},
		{"an optional request field is added", "", func(doc object) {
			schema(doc, "GarageIn", "properties")["colour"] = object{"type": "string", "maxLength": 9}
		}},
		{"a response field is added", "", func(doc object) {
			s := schema(doc, "Garage")
			s["required"] = append(s["required"].([]any), "colour")
			at(t, s, "properties")["colour"] = object{"type": "string", "maxLength": 9}
		}},
		{"an operation is added", "", func(doc object) {
			at(t, doc, "paths")["/v1/clubs/{club}/yards"] = at(t, doc, "paths", garages)
		}},
		{"an optional query parameter is added", "", func(doc object) {
			op := at(t, doc, "paths", garages, "get")
			op["parameters"] = append(op["parameters"].([]any), object{"name": "near", "in": "query", "schema": object{"type": "string"}})
		}},
		{"an operation is deprecated", "", func(doc object) { at(t, doc, "paths", garages, "get")["deprecated"] = true }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			breaking, _, err := compare(read("openapi.yaml"), seeded(t, tc.change))
			if err != nil {
				t.Fatal(err)
			}
			found := false
			for _, b := range breaking {
				found = found || tc.id != "" && strings.HasSuffix(b, "["+tc.id+"]")
			}
			if found != (tc.id != "") || tc.id == "" && len(breaking) > 0 {
				t.Errorf("want %q, have:\n%s", tc.id, strings.Join(breaking, "\n"))
			}
		})
	}
}
