package api

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/getkin/kin-openapi/openapi3"

	"pinwright/internal/access"
	"pinwright/internal/problem"
)

// referenceView is the contract as the page /reference shows it.
type referenceView struct {
	Intro   string
	Limits  []limitView
	Tags    []tagView
	Schemas []schemaView
}

type limitView struct{ Name, Value string }

type tagView struct {
	Name, About string
	Operations  []operationView
}

type operationView struct {
	ID, Method, Path, Summary, About string
	Who, Scope, Repeat               string
	Notes                            []string
	Parameters                       []fieldView
	Requests, Answers                []bodyView
	Problems                         []problem.Kind
}

// bodyView is a body that is sent or answered.
type bodyView struct {
	Status, About string
	Media         []string
	Type          typeView
	Headers       []fieldView
	Columns       []string // of CSV
}

// sorted lists the operations by path, then in the order look, make, edit, remove.
func (c *contract) sorted() []*operation {
	list := make([]*operation, 0, len(c.byID))
	for _, op := range c.byID {
		list = append(list, op)
	}
	order := []string{"GET", "POST", "PUT", "PATCH", "DELETE"}
	slices.SortFunc(list, func(a, b *operation) int {
		return cmp.Or(strings.Compare(a.Path, b.Path), slices.Index(order, a.Method)-slices.Index(order, b.Method))
	})
	return list
}

func (s *Server) referenceView() referenceView {
	v := referenceView{Intro: s.contract.doc.Info.Description, Limits: s.limitViews()}
	operations := s.contract.sorted()
	roles := len(s.contract.doc.Components.Schemas["Role"].Value.Enum)
	for _, tag := range s.contract.doc.Tags {
		t := tagView{Name: tag.Name, About: tag.Description}
		for _, op := range operations {
			if slices.Contains(op.spec.Tags, tag.Name) {
				t.Operations = append(t.Operations, viewOperation(op, roles))
			}
		}
		v.Tags = append(v.Tags, t)
	}
	schemas := s.contract.doc.Components.Schemas
	for _, name := range sortedNames(schemas) {
		v.Schemas = append(v.Schemas, viewSchema(name, schemas[name].Value))
	}
	return v
}

func (s *Server) limitViews() []limitView {
	limits := []limitView{
		{"Body of a request", fmt.Sprintf("%s bytes; more is answered 413", thousands(uint64(max(0, s.limits.Body))))},
		{"Time of a request", s.limits.Request.Round(time.Second).String() + "; what takes longer is answered 503 and leaves nothing behind"},
	}
	if s.quota != nil {
		limits = append(limits, limitView{"Rate", fmt.Sprintf("%s requests at once and %d a second of one token, or of one address without a token and for the calculators; more is answered 429 with Retry-After. RateLimit in every answer tells what is left (draft-ietf-httpapi-ratelimit-headers)", thousands(uint64(max(0, s.limits.Burst))), s.limits.Rate)})
	}
	if s.limits.Queue > 0 {
		limits = append(limits, limitView{"Overload", fmt.Sprintf("%s requests wait for the database, each at most %s; more are answered 503 with Retry-After and leave nothing behind", thousands(uint64(s.limits.Queue)), s.wait)})
	}
	for _, op := range s.contract.sorted() {
		if op.MaxBody > 0 {
			limits = append(limits, limitView{"Body of " + op.Method + " " + op.Path,
				fmt.Sprintf("%s bytes, which have %s more to come in", thousands(uint64(op.MaxBody)), s.limits.Upload.Round(time.Second))})
		}
		if op.Batch == "" {
			continue
		}
		for _, media := range op.spec.RequestBody.Value.Content {
			for _, one := range append(slices.Clone(media.Schema.Value.OneOf), media.Schema) {
				if rows := one.Value.Properties[op.Batch]; rows != nil && rows.Value.MaxItems != nil {
					limits = append(limits, limitView{"Batch of " + op.Method + " " + op.Path, fmt.Sprintf("%s rows", thousands(*rows.Value.MaxItems))})
				}
			}
		}
	}
	if p := s.contract.doc.Components.Parameters["limit"]; p != nil {
		schema := p.Value.Schema.Value
		limits = append(limits, limitView{"Page of a list", fmt.Sprintf("%v items unless limit asks for up to %v", schema.Default, *schema.Max)})
	}
	return limits
}

func thousands(n uint64) string {
	text := fmt.Sprint(n)
	for i := len(text) - 3; i > 0; i -= 3 {
		text = text[:i] + "," + text[i:]
	}
	return text
}

func sortedNames[T any](set map[string]T) []string {
	names := make([]string, 0, len(set))
	for name := range set {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// repeats says how each kind of write is safe to send again.
var repeats = map[string]string{
	"key":  "Send an Idempotency-Key: the same key and request again is answered as the first time and acts once.",
	"id":   "The client-made id makes it safe: the same id and content again changes nothing. Without an id send an Idempotency-Key.",
	"none": "Sending it again changes nothing further.",
}

func viewOperation(op *operation, roles int) operationView {
	v := operationView{ID: op.ID, Method: op.Method, Path: op.Path, Summary: op.spec.Summary, About: op.spec.Description, Scope: op.Scope, Repeat: repeats[op.Repeat]}
	v.About, _, _ = strings.Cut(v.About, "For whom: ") // told by Who
	switch {
	case op.Code != "":
		v.Who = "whoever has the code of " + map[access.Purpose]string{access.Invites: "an invitation", access.Pairs: "a pairing"}[op.Code]
	case op.Roles == nil:
		v.Who = "everyone, without a token"
	case len(op.Roles) == roles:
		v.Who = "every member of the club"
	default:
		v.Who = strings.ReplaceAll(words(op.Roles, "or"), "_", " ")
	}
	if !op.isRead() && op.Repeat == "" {
		v.Repeat = "It keeps nothing, so it may be sent again at will."
	}
	if op.IfMatch {
		v.Notes = append(v.Notes, "Edits cannot overwrite each other: send the ETag you edit from as If-Match.")
	}
	if op.spec.Extensions["x-etag"] == true {
		v.Notes = append(v.Notes, "Answers an ETag; If-None-Match with it is answered 304.")
	}
	if op.spec.Extensions["x-page"] == true {
		v.Notes = append(v.Notes, "Pages: go on with next as cursor, or with the Link header.")
	}
	for _, ref := range op.params {
		p := ref.Value
		v.Parameters = append(v.Parameters, fieldView{Name: p.Name, In: p.In, Required: p.Required, About: p.Description, Type: viewType(p.Schema), Bounds: bounds(p.Schema)})
	}
	if body := op.spec.RequestBody; body != nil {
		v.Requests = viewContent("", body.Value.Description, body.Value.Content)
	}
	answers := op.spec.Responses.Map()
	for _, status := range sortedNames(answers) {
		answer := answers[status].Value
		if status[0] >= '4' && answer.Content["application/problem+json"] != nil {
			continue // told by its problems
		}
		about := ""
		if answer.Description != nil {
			about = *answer.Description
		}
		bodies := viewContent(status, about, answer.Content)
		for _, name := range sortedNames(answer.Headers) {
			bodies[0].Headers = append(bodies[0].Headers, fieldView{Name: name, About: answer.Headers[name].Value.Description})
		}
		v.Answers = append(v.Answers, bodies...)
	}
	for _, k := range problem.Kinds() {
		if op.allows(k.Code) {
			v.Problems = append(v.Problems, k)
		}
	}
	return v
}

// viewContent shows bodies; there is always one, so that a status without a body
// shows too.
func viewContent(status, about string, content openapi3.Content) []bodyView {
	if len(content) == 0 {
		return []bodyView{{Status: status, About: about}}
	}
	var out []bodyView
	for _, media := range sortedNames(content) {
		out = append(out, bodyView{Status: status, About: about, Media: []string{media}, Type: viewType(content[media].Schema), Columns: columnsOf(content[media])})
	}
	return out
}
