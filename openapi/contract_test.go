package openapi_test

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"

	"pinwright/internal/problem"
	"pinwright/openapi"
)

func load(t *testing.T) *openapi3.T {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// each calls f for every operation, in a stable order.
func each(t *testing.T, f func(t *testing.T, method, path string, op *openapi3.Operation)) {
	t.Helper()
	doc := load(t)
	n := 0
	for _, path := range slices.Sorted(maps.Keys(doc.Paths.Map())) {
		operations := doc.Paths.Value(path).Operations()
		for _, method := range slices.Sorted(maps.Keys(operations)) {
			n++
			t.Run(method+" "+path, func(t *testing.T) { f(t, method, path, operations[method]) })
		}
	}
	if n < 50 {
		t.Errorf("the contract has only %d operations", n)
	}
}

// The document is held to the OpenAPI specification 3.0.3 as the library reads
// it, examples and defaults included.
func TestContractIsValidOpenAPI(t *testing.T) {
	t.Parallel()
	doc := load(t)
	if doc.OpenAPI != "3.0.3" {
		t.Errorf("openapi: %s, want 3.0.3: the validator enforces less of 3.1 and is slower by far", doc.OpenAPI)
	}
	if err := doc.Validate(t.Context(), openapi3.EnableExamplesValidation(), openapi3.EnableSchemaDefaultsValidation(), openapi3.EnableSchemaPatternValidation()); err != nil {
		t.Error(err)
	}
}

var roleNames = []string{"member", "tool_keeper", "treasurer", "officer", "auditor"}

func TestEveryOperationSaysWhatTheServiceAndItsTestsNeed(t *testing.T) {
	t.Parallel()
	ids := map[string]string{}
	tags := map[string]bool{}
	for _, tag := range load(t).Tags {
		tags[tag.Name] = true
	}
	each(t, func(t *testing.T, method, path string, op *openapi3.Operation) {
		if !regexp.MustCompile(`^[a-z][A-Za-z0-9]+$`).MatchString(op.OperationID) {
			t.Errorf("operationId %q: clients are generated from it; use a verb and a noun", op.OperationID)
		}
		if ids[op.OperationID] != "" {
			t.Errorf("operationId %q is that of %s too", op.OperationID, ids[op.OperationID])
		}
		ids[op.OperationID] = method + " " + path
		if op.Summary == "" {
			t.Error("has no summary")
		}
		if len(op.Tags) != 1 || !tags[op.Tags[0]] {
			t.Errorf("tags %v: give it one of the tags declared in base.yaml", op.Tags)
		}
		if op.Extensions["x-problems"] == nil {
			t.Error("has no x-problems")
		}
		roles, _ := op.Extensions["x-roles"].([]any)
		public := op.Security != nil && len(*op.Security) == 0
		code := op.Extensions["x-code"]
		if ways := []bool{public, len(roles) > 0, code != nil}; !exactlyOne(ways) {
			t.Errorf("x-roles %v, x-code %v, public %v: an operation either names its roles, takes a code or is public", roles, code, public)
		}
		if code != nil && !slices.Contains([]any{"invitation", "pairing"}, code) {
			t.Errorf("x-code is %v, want invitation or pairing", code)
		}
		if secret := op.Extensions["x-secret"]; secret != nil && (!public || method != "GET" || secret != "calendar") {
			t.Errorf("x-secret is %v: only a calendar shows itself to whoever has its address, and does nothing else", secret)
		}
		if strings.Contains(path, "{club}") == public {
			t.Error("what is in a club asks for roles, and nothing else does")
		}
		for _, r := range roles {
			if !slices.Contains(roleNames, fmt.Sprint(r)) {
				t.Errorf("x-roles names %v, which is no role", r)
			}
		}
		if scope := op.Extensions["x-scope"]; len(roles) > 0 && !slices.Contains([]any{"read", "readings", "write"}, scope) {
			t.Errorf("x-scope is %v, want read, readings or write", scope)
		}
		repeat := op.Extensions["x-repeat"]
		switch {
		case public || method == "GET":
			if repeat != nil {
				t.Errorf("x-repeat %v on what changes nothing", repeat)
			}
		case !slices.Contains([]any{"key", "id", "none"}, repeat):
			t.Errorf("x-repeat is %v, want key, id or none: a write says how it is repeated safely", repeat)
		}
		if op.Extensions["x-if-match"] == true && method != "PATCH" || method == "PATCH" && op.Extensions["x-if-match"] != true {
			t.Error("x-if-match goes with PATCH and PATCH with x-if-match, or edits overwrite each other")
		}
		if method == "PATCH" && (op.RequestBody == nil || op.RequestBody.Value.Content["application/merge-patch+json"] == nil) {
			t.Error("PATCH takes application/merge-patch+json (RFC 7396)")
		}
		for _, p := range op.Parameters {
			if p.Value.Description == "" {
				t.Errorf("the parameter %s has no description", p.Value.Name)
			}
			if p.Value.In == openapi3.ParameterInPath && !strings.Contains(path, "{"+p.Value.Name+"}") {
				t.Errorf("the path has no {%s}", p.Value.Name)
			}
		}
	})
}

func exactlyOne(of []bool) bool {
	n := 0
	for _, is := range of {
		if is {
			n++
		}
	}
	return n == 1
}

// CI's linter asks for this too; here whoever adds a schema is told at once.
func TestEverySchemaIsExplained(t *testing.T) {
	t.Parallel()
	for name, s := range load(t).Components.Schemas {
		if s.Value.Description == "" {
			t.Errorf("%s has no description: say in a few words what it is", name)
		}
	}
}

// Whatever is not bounded by the contract is bounded by memory.
func TestEverythingThatComesInIsBounded(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, _, _ string, op *openapi3.Operation) {
		for _, p := range op.Parameters {
			bounded(t, p.Value.In+" "+p.Value.Name, p.Value.Schema, map[string]bool{})
		}
		if op.RequestBody == nil {
			return
		}
		for media, content := range op.RequestBody.Value.Content {
			if content.Schema.Value.Format == "binary" {
				if most, _ := op.Extensions["x-max-body"].(float64); most < 1 {
					t.Errorf("%s: say with x-max-body how many bytes are taken", media)
				}
				continue
			}
			bounded(t, media, content.Schema, map[string]bool{})
		}
	})
}

// rowsByThemselves are list items that the contract leaves open because the
// service judges each of them by a schema of its own, ReadingIn.
var rowsByThemselves = regexp.MustCompile(`/readings\[\]$`)

func bounded(t *testing.T, at string, ref *openapi3.SchemaRef, seen map[string]bool) {
	t.Helper()
	if ref.Ref != "" {
		if seen[ref.Ref] {
			return
		}
		seen[ref.Ref] = true
	}
	s := ref.Value
	if rowsByThemselves.MatchString(at) {
		return
	}
	if len(s.AllOf) > 0 || s.Not != nil {
		t.Errorf("%s: allOf and not cannot say at which field to mend; use oneOf or one object", at)
	}
	for _, branch := range append(slices.Clone(s.OneOf), s.AnyOf...) {
		bounded(t, at, branch, seen)
	}
	if len(s.OneOf)+len(s.AnyOf) > 0 {
		return
	}
	switch {
	case s.Type.Is("string"):
		if len(s.Enum) == 0 && s.MaxLength == nil && s.Format != "date" && s.Format != "date-time" {
			t.Errorf("%s: a text without maxLength, enum or date format", at)
		}
		// A NUL would be refused by the database with a 500.
		if len(s.Enum) == 0 && s.Pattern == "" && s.Format == "" && !strings.HasPrefix(at, "header ") {
			t.Errorf("%s: a text without pattern or format may hold anything; at least refuse NUL: pattern '^[^\\x00]*$'", at)
		}
	case s.Type.Is("integer"), s.Type.Is("number"):
		if len(s.Enum) == 0 && (s.Min == nil || s.Max == nil) && !strings.HasSuffix(ref.Ref, "/LengthIn") && !strings.HasSuffix(at, "!length/value") {
			t.Errorf("%s: a number without minimum and maximum", at)
		}
	case s.Type.Is("array"):
		if s.MaxItems == nil {
			t.Errorf("%s: a list without maxItems", at)
		}
		bounded(t, at+"[]", s.Items, seen)
	case s.Type.Is("object"):
		closed := s.AdditionalProperties.Has != nil && !*s.AdditionalProperties.Has
		if !closed {
			t.Errorf("%s: an object that takes any field: set additionalProperties: false, or a misspelt field is lost in silence", at)
		}
		isLength := slices.Equal(slices.Sorted(maps.Keys(s.Properties)), []string{"unit", "value"}) && strings.Contains(fmt.Sprint(s.Properties["unit"].Ref), "/Unit")
		for name, property := range s.Properties {
			if isLength { // walked and bounded by length.Quantity, with the exact decimal at hand
				name = "!length/" + name
			}
			bounded(t, at+"/"+name, property, seen)
		}
	case s.Type.Is("boolean"):
	default:
		t.Errorf("%s: has no type", at)
	}
	if s.Nullable && !strings.HasPrefix(at, "application/merge-patch+json") {
		t.Errorf("%s: null is for merge patches only; elsewhere a field is left out", at)
	}
}

func TestProblemsOfTheCodeAndOfTheContractAreTheSame(t *testing.T) {
	t.Parallel()
	doc := load(t)
	types, _ := doc.Extensions["x-problem-types"].([]any)
	var got, want []string
	for _, entry := range types {
		one, _ := entry.(map[string]any)
		got = append(got, fmt.Sprint(one["type"], " ", one["status"], " ", one["title"]))
	}
	byCode := map[string]problem.Kind{}
	for _, k := range problem.Kinds() {
		want = append(want, fmt.Sprint("/problems/", k.Code, " ", k.Status, " ", k.Title))
		byCode[k.Code] = k
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("x-problem-types (-package problem +contract); run go generate ./openapi:\n%s", diff)
	}
	used := map[string]bool{"method-not-allowed": true, "not-acceptable": true} // of no operation: there is none at such an address
	for _, item := range doc.Paths.Map() {
		for _, op := range item.Operations() {
			list, _ := op.Extensions["x-problems"].([]any)
			for _, code := range list {
				k, known := byCode[fmt.Sprint(code)]
				if !known {
					t.Errorf("%s: x-problems names %v, which package problem does not have", op.OperationID, code)
				} else if op.Responses.Status(k.Status) == nil {
					t.Errorf("%s: may be refused with %v but has no response %d", op.OperationID, code, k.Status)
				}
				used[fmt.Sprint(code)] = true
			}
		}
	}
	for code := range byCode {
		if !used[code] {
			t.Errorf("no operation is ever refused with %q", code)
		}
	}
}

// An answer's optional parts may be left out, but what is required must be
// listed, or a client cannot rely on anything.
func TestEveryAnswerIsDescribed(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, method, _ string, op *openapi3.Operation) {
		good := 0
		for status, r := range op.Responses.Map() {
			if r.Value.Description == nil || *r.Value.Description == "" {
				t.Errorf("%s has no description", status)
			}
			if status[0] == '2' {
				good++
				if len(r.Value.Content) == 0 && status != "204" {
					t.Errorf("%s has no content", status)
				}
			}
			if content := r.Value.Content["application/json"]; content != nil && content.Schema.Value.Type.Is("object") && len(content.Schema.Value.Required) == 0 {
				t.Errorf("%s: nothing in the answer is required", status)
			}
			if status[0] == '4' && r.Value.Content["application/problem+json"] == nil {
				t.Errorf("%s is no problem document (RFC 9457)", status)
			}
		}
		if good == 0 {
			t.Error("has no answer of success")
		}
		if op.Extensions["x-repeat"] != nil && op.Extensions["x-roles"] != nil && method == "POST" && op.Responses.Status(401) == nil {
			t.Error("has no 401")
		}
	})
}
