package api

import (
	"fmt"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"sync"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/openapi"
)

// operation is one operation of the contract, as the service needs it.
type operation struct {
	ID      string
	Method  string
	Path    string // as in the contract: /v1/clubs/{club}/garages
	Roles   []string
	Secret  bool           // the address itself lets whoever has it see
	Code    access.Purpose // the kind of code that is taken in place of a token; empty for none
	Scope   string
	Repeat  string // key, id or none; empty for a read
	IfMatch bool
	Batch   string // the body's member whose rows are judged one by one
	MaxBody int64  // bytes of the body, where it may be larger than others
	// narrow, where set, returns the roles that this request needs of the
	// operation's; check reads a body further than the contract can.
	narrow func(c echo.Context) []string
	check  func(in *call) (any, error)
	// deprecated is what of it goes, by the query parameter or header; "" is the
	// operation itself.
	deprecated map[string]deprecation
	spec       *openapi3.Operation
	params     openapi3.Parameters // path's and operation's own
	columns    []string            // of a list as CSV
	forms      []string            // media types of an answer beside JSON
}

// contract is the parsed contract with its operations by route.
type contract struct {
	doc *openapi3.T
	// byRoute finds an operation by method and echo route, so that a request is
	// routed once.
	byRoute map[string]*operation
	byID    map[string]*operation
}

var inBraces = regexp.MustCompile(`\{([a-z_]+)\}`)

// document is the generated contract, read once for all servers of the process.
var document = sync.OnceValues(func() (*openapi3.T, error) { return openapi3.NewLoader().LoadFromData(openapi.YAML) })

func loadContract(doc *openapi3.T) (*contract, error) {
	c := &contract{doc: doc, byRoute: map[string]*operation{}, byID: map[string]*operation{}}
	for path, item := range doc.Paths.Map() {
		for method, spec := range item.Operations() {
			op := &operation{ID: spec.OperationID, Method: method, Path: path, spec: spec,
				params: append(slices.Clone(item.Parameters), spec.Parameters...)}
			op.Scope, _ = spec.Extensions["x-scope"].(string)
			if code, ok := spec.Extensions["x-code"].(string); ok {
				op.Code = access.Purpose(code)
			}
			op.Secret = spec.Extensions["x-secret"] != nil
			op.Repeat, _ = spec.Extensions["x-repeat"].(string)
			op.IfMatch, _ = spec.Extensions["x-if-match"].(bool)
			op.Batch, _ = spec.Extensions["x-batch"].(string)
			if most, ok := spec.Extensions["x-max-body"].(float64); ok {
				op.MaxBody = int64(most)
			}
			if roles, ok := spec.Extensions["x-roles"].([]any); ok {
				for _, r := range roles {
					op.Roles = append(op.Roles, r.(string))
				}
			}
			if list := spec.Responses.Status(http.StatusOK); list != nil {
				op.columns = columnsOf(list.Value.Content["text/csv"])
				op.forms = formsOf(list.Value.Content)
			}
			if err := op.readDeprecations(); err != nil {
				return nil, fmt.Errorf("contract: %s: %w", op.ID, err)
			}
			c.byRoute[method+" "+inBraces.ReplaceAllString(path, ":$1")] = op
			if method == http.MethodGet {
				c.byRoute[http.MethodHead+" "+inBraces.ReplaceAllString(path, ":$1")] = op
			}
			c.byID[op.ID] = op
		}
	}
	return c, nil
}

func init() {
	// The library's own uuid pattern refuses version 7, and its date formats take
	// the 31st of February.
	openapi3.DefineStringFormatValidator("uuid", openapi3.NewCallbackValidator(func(s string) error {
		if _, err := uuid.Parse(s); err != nil || len(s) != 36 {
			return fmt.Errorf("use a UUID such as 0192f0c1-2a3b-7c4d-8e5f-60718293a4b5")
		}
		return nil
	}))
	openapi3.DefineStringFormatValidator("uuidv7", openapi3.NewCallbackValidator(func(s string) error {
		if id, err := uuid.Parse(s); err != nil || len(s) != 36 || id.Version() != 7 || id.Variant() != uuid.RFC4122 {
			return fmt.Errorf("use a UUID of version 7 (RFC 9562); GET /v1/new-id makes one")
		}
		return nil
	}))
	openapi3.DefineStringFormatValidator("date-time", openapi3.NewCallbackValidator(func(s string) error {
		if t, err := time.Parse(time.RFC3339, s); err != nil || t.Year() < 1900 || t.Year() > 2200 {
			return fmt.Errorf("use a time with its offset (RFC 3339), such as 2026-05-01T18:30:00+02:00")
		}
		return nil
	}))
	openapi3.DefineStringFormatValidator("date", openapi3.NewCallbackValidator(func(s string) error {
		if t, err := time.Parse(time.DateOnly, s); err != nil || t.Year() < 1900 || t.Year() > 2200 {
			return fmt.Errorf("use a date such as 2026-05-01")
		}
		return nil
	}))
}

// formsOf are the media types of an answer that is JSON and something else by
// Accept, none where there is no choice or the other is CSV, which is made of the JSON.
func formsOf(content openapi3.Content) []string {
	if content[jsonType] == nil || content["text/csv"] != nil {
		return nil
	}
	var out []string
	for _, media := range slices.Sorted(maps.Keys(content)) {
		if media != jsonType {
			out = append(out, media+"; charset=utf-8")
		}
	}
	return out
}

// columnsOf lists the columns of an answer as CSV, none where there is no such
// answer.
func columnsOf(as *openapi3.MediaType) []string {
	if as == nil {
		return nil
	}
	var out []string
	columns, _ := as.Extensions["x-columns"].([]any)
	for _, name := range columns {
		out = append(out, name.(string))
	}
	return out
}

// mediaTypes lists what op takes as a body, in a stable order.
func (op *operation) mediaTypes() []string {
	if op.spec.RequestBody == nil {
		return nil
	}
	var list []string
	for m := range op.spec.RequestBody.Value.Content {
		list = append(list, m)
	}
	slices.Sort(list)
	return list
}

// allows reports whether the contract lets op be refused with the problem.
func (op *operation) allows(code string) bool {
	list, _ := op.spec.Extensions["x-problems"].([]any)
	return slices.ContainsFunc(list, func(v any) bool { return v == code })
}

// isPublic reports whether op asks nobody who they are.
func (op *operation) isPublic() bool { return op.Roles == nil && op.Code == "" }

// isRead reports whether op only looks.
func (op *operation) isRead() bool { return op.Method == "GET" || op.Method == "HEAD" }
