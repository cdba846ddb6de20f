package api_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/api"
	"pinwright/internal/access"
	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/specimen"
)

// These tests walk every operation of the contract. What they expect follows
// from the contract alone, so an operation that is added later is walked
// without being listed; one that they cannot walk fails them.

// walked is one operation of the contract.
type walked struct {
	id, method, path string
	roles            []string // nil: takes a code or is public
	code             string   // the kind of code it takes in place of a token
	scope, repeat    string
	ifMatch, secret  bool
	spec             *openapi3.Operation
	params           openapi3.Parameters
}

func everyOperation(t testing.TB) []walked {
	t.Helper()
	doc, err := contractRead()
	if err != nil {
		t.Fatal(err)
	}
	var out []walked
	for path, item := range doc.Paths.Map() {
		for method, spec := range item.Operations() {
			op := walked{id: spec.OperationID, method: method, path: path, spec: spec, params: append(slices.Clone(item.Parameters), spec.Parameters...)}
			op.code, _ = spec.Extensions["x-code"].(string)
			op.scope, _ = spec.Extensions["x-scope"].(string)
			op.repeat, _ = spec.Extensions["x-repeat"].(string)
			op.ifMatch, _ = spec.Extensions["x-if-match"].(bool)
			op.secret = spec.Extensions["x-secret"] != nil
			if roles, ok := spec.Extensions["x-roles"].([]any); ok {
				for _, r := range roles {
					op.roles = append(op.roles, r.(string))
				}
			}
			out = append(out, op)
		}
	}
	slices.SortFunc(out, func(a, b walked) int { return strings.Compare(a.path+a.method, b.path+b.method) })
	if len(out) < 50 {
		t.Fatalf("the contract has only %d operations", len(out))
	}
	return out
}

// inClub are the operations behind a club's fence.
func inClub(t *testing.T) []walked {
	t.Helper()
	var out []walked
	for _, op := range everyOperation(t) {
		if op.roles == nil {
			continue
		}
		if !strings.HasPrefix(op.path, "/v1/clubs/{club}") {
			t.Errorf("%s asks for roles but has no {club}; teach the walk where its club is", op)
		}
		out = append(out, op)
	}
	return out
}

func (op walked) bodies() openapi3.Content {
	if op.spec.RequestBody == nil {
		return nil
	}
	return op.spec.RequestBody.Value.Content
}

func (op walked) String() string { return op.id + " " + op.method + " " + op.path }

// pathParams are the names in the path but {club}.
func (op walked) pathParams() []string {
	var out []string
	for _, p := range op.params {
		if p.Value.In == openapi3.ParameterInPath && p.Value.Name != "club" {
			out = append(out, p.Value.Name)
		}
	}
	return out
}

// takesNames reports whether a path parameter takes the people's own name.
func (op walked) takesNames(param string) bool {
	for _, p := range op.params {
		if p.Value.Name == param && p.Value.In == openapi3.ParameterInPath {
			return p.Value.Schema.Value.Format == ""
		}
	}
	return false
}

var allRoles = []string{"member", "tool_keeper", "treasurer", "officer", "auditor"}

// walk is two clubs, each with one of everything, and tokens of all kinds for
// the first.
type walk struct {
	*world
	traced       *pgxpool.Pool
	mine, theirs specimen.Set
	other        founding.Club
	all          string // a token of somebody with every role
	state        []string
}

func newWalk(t *testing.T, adjust ...func(*api.Options)) *walk {
	t.Helper()
	return newWalkBehind(t, bothFences, adjust...)
}

func newWalkBehind(t *testing.T, f fences, adjust ...func(*api.Options)) *walk {
	t.Helper()
	db := pgtest.New(t)
	if f == filterAlone || f == noFence {
		rowSecurityOff(t, db)
	}
	cfg, err := pgxpool.ParseConfig(db.AppURL)
	if err != nil {
		t.Fatal(err)
	}
	cfg.MaxConns = 4
	cfg.ConnConfig.Tracer = queryTracer{}
	if f == rowSecurityAlone || f == noFence {
		cfg.ConnConfig.Tracer = filterOff{}
	}
	pool, err := pgxpool.NewWithConfig(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	k := &walk{world: newWorldOn(t, db, pool, adjust...), traced: pool}
	k.other = k.found("brook-end")
	// The same names in both: a look-up by name past the fence would find theirs.
	if k.mine, err = specimen.Fill(t.Context(), db.Owner, k.club.ClubID, "mine"); err != nil {
		t.Fatal(err)
	}
	if k.theirs, err = specimen.Fill(t.Context(), db.Owner, k.other.ClubID, "theirs"); err != nil {
		t.Fatal(err)
	}
	k.all = k.member(allRoles, "write")
	k.state = k.snapshot()
	return k
}

// member adds a member with those roles and a token with those scopes, past the
// API, and returns the token. Its use counts as noted already, since noting
// it would write something beside the request.
func (k *walk) member(roles []string, scopes ...string) string {
	k.t.Helper()
	secret := access.NewSecret(k.club.ClubID)
	k.issue(secret, roles, scopes, k.clock.now().Add(time.Hour), nil, nil)
	return secret.Reveal()
}

func (k *walk) issue(secret access.Secret, roles, scopes []string, expires time.Time, revoked, disabled *time.Time) {
	k.t.Helper()
	id := uuid.Must(uuid.NewV7())
	var b pgx.Batch
	b.Queue(`insert into member (club_id, id, number, name, roles, disabled_at) values ($1, $2, $3, 'Walker', $4, $5)`, k.club.ClubID, id, id.String(), roles, disabled)
	b.Queue(`insert into token (club_id, hash, id, member_id, label, kind, scopes, created_at, expires_at, revoked_at, used_on, fingerprint) values ($1, $2, $3, $3, 'walk', 'personal', $4, $5, $6, $7, '2126-01-01', '')`,
		k.club.ClubID, secret.Hash(), id, scopes, k.clock.now(), expires, revoked)
	if err := k.db.Owner.SendBatch(k.t.Context(), &b).Close(); err != nil {
		k.t.Fatal(err)
	}
}

// snapshot describes every row of every table, but for the day a token was last
// used, which is noted outside requests.
func (k *walk) snapshot() []string {
	k.t.Helper()
	rows, err := k.db.Owner.Query(k.t.Context(), `
		select relname || ' ' || coalesce((xpath('/row/x/text()', query_to_xml(format(
			'select count(*) || '' '' || coalesce(md5(string_agg((to_jsonb(t) - ''used_on'')::text, '','' order by to_jsonb(t)::text)), '''') as x from %I t', relname), true, true, '')))[1]::text, '')
		from pg_class where relnamespace = 'public'::regnamespace and relkind in ('r', 'p') order by 1`)
	if err != nil {
		k.t.Fatal(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		k.t.Fatal(err)
	}
	if len(out) < 20 {
		k.t.Fatalf("snapshot of only %v", out)
	}
	return out
}

// unchanged holds that nothing was written since the walk began: the requests
// of these tests are all refused.
func (k *walk) unchanged(t *testing.T) {
	t.Helper()
	now := k.snapshot()
	if diff := cmp.Diff(k.state, now); diff != "" {
		t.Errorf("a refused request left something behind (-before +after, table, rows, digest):\n%s", diff)
	}
	k.state = now
}

// asked is a request of the walk, without its headers.
type asked struct {
	club  string // in the address
	token string // without "Bearer "; empty: none
	// credentials is the whole of Authorization, where it is not a bearer token.
	credentials string
	ids         map[string]string // path parameters
	body        any               // nil: a valid one where one is taken
	query       string
	drop        string // a header to leave out
	origin      string // of the page that asks; empty: no page
	id          string // X-Request-Id; equal ones make equal answers equal in every byte
}

// seen is all that a caller sees of an answer, and what it cost.
type seen struct {
	Status     int
	Header     http.Header
	Body       string
	RoundTrips int
	Statements []string
}

func (s seen) problem() string {
	var doc struct{ Type string }
	if json.Unmarshal([]byte(s.Body), &doc) != nil {
		return "no problem document"
	}
	return strings.TrimPrefix(doc.Type, "/problems/")
}

func (k *walk) ask(t *testing.T, op walked, a asked) seen {
	t.Helper()
	path := strings.ReplaceAll(op.path, "{club}", a.club)
	for _, name := range op.pathParams() {
		value := a.ids[name]
		if value == "" {
			thing := specimenOf(op, name)
			if k.mine.ID[thing] == uuid.Nil {
				t.Fatalf("%s: package specimen makes no %s; add one, named like the path parameter", op, thing)
			}
			value = k.mine.ID[thing].String()
		}
		path = strings.ReplaceAll(path, "{"+name+"}", value)
	}
	if strings.ContainsAny(path, "{}") {
		t.Fatalf("%s: %s is not filled in", op, path)
	}
	if a.query == "" {
		a.query = requiredQuery(t, op)
	}
	var body []byte
	media := slices.Sorted(maps.Keys(op.bodies()))
	if a.body == nil && len(media) > 0 {
		a.body = exampleOf(t, op.bodies()[media[0]].Schema)
	}
	switch b := a.body.(type) {
	case nil:
	case raw:
		body = []byte(b)
	default:
		var err error
		if body, err = json.Marshal(b); err != nil {
			t.Fatal(err)
		}
		if text, isText := b.(string); isText && media[0] == "text/csv" {
			body = []byte(text)
		}
	}
	ctx, asked := traced(t.Context())
	r := httptest.NewRequestWithContext(ctx, op.method, path+a.query, bytes.NewReader(body))
	if a.token != "" {
		r.Header.Set("Authorization", "Bearer "+a.token)
	}
	if a.credentials != "" {
		r.Header.Set("Authorization", a.credentials)
	}
	if len(media) > 0 {
		r.Header.Set("Content-Type", media[0])
	}
	if op.repeat != "" && op.repeat != "none" {
		r.Header.Set("Idempotency-Key", newID())
	}
	if op.ifMatch {
		r.Header.Set("If-Match", `"1.mm"`)
	}
	if a.id == "" {
		a.id = uuid.NewString()
	}
	r.Header.Set("X-Request-Id", a.id)
	if a.origin != "" {
		r.Header.Set("Origin", a.origin)
	}
	if a.drop != "" {
		r.Header.Del(a.drop)
	}
	rec := httptest.NewRecorder()
	k.handler.ServeHTTP(rec, r)
	out := &response{t: t, what: op.method + " " + path + a.query, status: rec.Code, header: rec.Result().Header, body: rec.Body.Bytes()}
	k.holdToContract(r, out)
	if rec.Code >= 500 && op.id != "getReadiness" {
		t.Errorf("%s: answered %d to %s", out.what, rec.Code, body)
	}
	return seen{Status: rec.Code, Header: rec.Result().Header, Body: rec.Body.String(), RoundTrips: asked.roundTrips, Statements: asked.statements}
}

// requiredQuery fills in the query parameters that an operation cannot do without.
func requiredQuery(t *testing.T, op walked) string {
	t.Helper()
	q := url.Values{}
	for _, p := range op.params {
		if p.Value.In == openapi3.ParameterInQuery && p.Value.Required {
			if p.Value.Example != nil {
				q.Set(p.Value.Name, fmt.Sprint(p.Value.Example))
				continue
			}
			q.Set(p.Value.Name, fmt.Sprint(exampleOf(t, p.Value.Schema)))
		}
	}
	if len(q) == 0 {
		return ""
	}
	return "?" + q.Encode()
}

// refused holds an answer to a problem.
func refused(t *testing.T, what string, s seen, status int, codes ...string) {
	t.Helper()
	if s.Status != status || !slices.Contains(codes, s.problem()) {
		t.Errorf("%s: %d %s, want %d %s\n%s", what, s.Status, s.problem(), status, strings.Join(codes, " or "), s.Body)
	}
}

// invalids are requests that break the contract in each way the operation
// allows, with the problem each gets.
func (op walked) invalids() []asked {
	out := []asked{{query: "?no_such_parameter=1"}}
	for _, p := range op.params {
		schema := p.Value.Schema.Value
		if schema.Type.Is("array") {
			schema = schema.Items.Value
		}
		if p.Value.In == openapi3.ParameterInQuery && len(schema.Enum) > 0 {
			out = append(out, asked{query: "?" + p.Value.Name + "=no_such_word"})
		}
	}
	if op.spec.RequestBody == nil {
		if op.method != http.MethodGet {
			out = append(out, asked{body: raw(`{"no_body":"is taken"}`)})
		}
		return out
	}
	return append(out, asked{body: raw(`{"no_such_field":1}`)}, asked{body: raw(`{`)}, asked{body: raw(`{"a":1,"a":1}`)}, asked{body: raw(`[]`)})
}
