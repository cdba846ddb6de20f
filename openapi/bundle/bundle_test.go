package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"
)

// bundled is the contract of the parts and one part more.
func bundled(t *testing.T, part string) (object, error) {
	t.Helper()
	dir := t.TempDir()
	names, err := filepath.Glob("../parts/*.yaml")
	if err != nil || len(names) == 0 {
		t.Fatalf("no parts: %v", err)
	}
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(name)), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "zz.yaml"), []byte(part), 0o600); err != nil {
		t.Fatal(err)
	}
	text, err := bundle(dir)
	if err != nil {
		return nil, err
	}
	var doc object
	if err := yaml.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	return doc, nil
}

// old is a part with an operation and a parameter, each with room for
// x-deprecated.
func old(operation, parameter string) string {
	return `
paths:
  /v1/clubs/{club}/old-garages:
    get:
      operationId: listOldGarages
      tags: [club]
      summary: Garages as they were listed before
      description: As it was.
      x-roles: everyone
      x-scope: read
      x-page: true
` + operation + `
      parameters:
        - name: near
          in: query
          description: Near to what
` + parameter + `
          schema: {type: string, maxLength: 9, pattern: '^a*$'}
      responses: {'200': {description: Garages, content: {application/json: {schema: {$ref: '#/components/schemas/GaragePage'}}}}}
`
}

func operationOf(t *testing.T, doc object) (op object, parameter object) {
	t.Helper()
	op = doc["paths"].(object)["/v1/clubs/{club}/old-garages"].(object)["get"].(object)
	for _, p := range op["parameters"].([]any) {
		if p.(object)["name"] == "near" {
			return op, p.(object)
		}
	}
	t.Fatal("the parameter is gone")
	return nil, nil
}

func TestWhatIsDeprecatedIsMarkedAndSaid(t *testing.T) {
	t.Parallel()
	doc, err := bundled(t, old("      x-deprecated: {since: 2026-05-01, sunset: '2027-05-01', instead: '/v1/clubs/{club}/garages'}", ""))
	if err != nil {
		t.Fatal(err)
	}
	op, parameter := operationOf(t, doc)
	if op["deprecated"] != true || parameter["deprecated"] != nil {
		t.Errorf("deprecated: operation %v, parameter %v", op["deprecated"], parameter["deprecated"])
	}
	about := op["description"].(string)
	for _, want := range []string{"As it was.", "Deprecated since 2026-05-01, gone from 2027-05-01; use /v1/clubs/{club}/garages instead.", "Every member of the club"} {
		if !strings.Contains(about, want) {
			t.Errorf("description %q lacks %q", about, want)
		}
	}
	for status, r := range op["responses"].(object) {
		headers := r.(object)["headers"].(object)
		for _, name := range []string{"Deprecation", "Sunset", "Link"} {
			if headers[name] == nil {
				t.Errorf("%s does not declare %s", status, name)
			}
		}
	}
	if x := op["x-deprecated"].(object); x["since"] != "2026-05-01" || x["sunset"] != "2027-05-01" {
		t.Errorf("x-deprecated is %v for the service", x)
	}
	if headers := doc["components"].(object)["headers"].(object); headers["Sunset"] == nil || headers["Deprecation"] == nil {
		t.Error("the headers are not described")
	}
}

func TestADeprecatedParameterIsMarkedAlone(t *testing.T) {
	t.Parallel()
	doc, err := bundled(t, old("", "          x-deprecated: {since: 2026-05-01}"))
	if err != nil {
		t.Fatal(err)
	}
	op, parameter := operationOf(t, doc)
	headers := op["responses"].(object)["200"].(object)["headers"].(object)
	if op["deprecated"] != nil || parameter["deprecated"] != true || headers["Deprecation"] == nil || headers["Sunset"] != nil {
		t.Errorf("operation %v, parameter %v, headers %v", op["deprecated"], parameter["deprecated"], headers)
	}
	if about := parameter["description"]; about != "Near to what\n\nDeprecated since 2026-05-01." {
		t.Errorf("described as %q", about)
	}
}

func TestWithoutAnythingDeprecatedNothingIsSaidOfIt(t *testing.T) {
	t.Parallel()
	doc, err := bundled(t, old("", ""))
	if err != nil {
		t.Fatal(err)
	}
	if headers := doc["components"].(object)["headers"].(object); headers["Sunset"] != nil || headers["Deprecation"] != nil {
		t.Error("headers that no answer has")
	}
}

func TestXDeprecatedThatMakesNoSenseIsRefused(t *testing.T) {
	t.Parallel()
	for x, want := range map[string]string{
		"true":                               "give since",
		"{}":                                 "since",
		"{since: soon}":                      "want a day",
		"{since: 2026-05-01, sunset: later}": "want a day",
		"{since: 2026-05-01, sunset: 2026-04-30}": "before since",
		"{since: 2026-05-01, insted: /v1}":        "insted is not known",
	} {
		if _, err := bundled(t, old("      x-deprecated: "+x, "")); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", x, err, want)
		}
	}
}

// What the bundler writes: each operation tells the limit, refuses too much, and
// bounds what goes out, without a word of it in the part.
func TestWhatFollowsIsWritten(t *testing.T) {
	t.Parallel()
	doc, err := bundled(t, old("", "")+`
components:
  schemas:
    Yard:
      type: object
      description: A yard
      properties:
        count: {type: integer}
        words: {type: array, items: {type: string}}
        on: {type: string, format: date}
    YardIn:
      type: object
      description: A yard to be added
      properties:
        label: {type: string}
  requestBodies: {}
`)
	if err != nil {
		t.Fatal(err)
	}
	op, _ := operationOf(t, doc)
	responses := op["responses"].(object)
	if responses["429"] == nil || responses["401"] == nil || responses["200"].(object)["headers"].(object)["RateLimit"] == nil {
		t.Errorf("responses %v", responses)
	}
	yard := doc["components"].(object)["schemas"].(object)["Yard"].(object)["properties"].(object)
	count, words, on := yard["count"].(object), yard["words"].(object), yard["on"].(object)
	if count["format"] != "int32" || count["maximum"] == nil || words["maxItems"] == nil || words["items"].(object)["maxLength"] == nil || on["maxLength"] != 10 {
		t.Errorf("not bounded: %v", yard)
	}
}
