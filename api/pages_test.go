package api_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"html"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"
	"gopkg.in/yaml.v3"

	"pinwright/internal/problem"
	"pinwright/openapi"
)

// fetch gets a page as a browser does; pages are not in the contract.
func (w *world) fetch(method, path string, headers ...header) *response {
	w.t.Helper()
	r := httptest.NewRequest(method, path, nil)
	for _, h := range headers {
		r.Header.Set(h.name, h.value)
	}
	rec := httptest.NewRecorder()
	w.handler.ServeHTTP(rec, r)
	return &response{t: w.t, what: method + " " + path, status: rec.Code, header: rec.Result().Header, body: rec.Body.Bytes()}
}

func pagePaths() []string {
	paths := []string{"/", "/reference", "/problems"}
	for _, k := range problem.Kinds() {
		paths = append(paths, "/problems/"+k.Code)
	}
	return paths
}

func contractDoc(t *testing.T) *openapi3.T {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

func TestEveryProblemHasAPageAndStandsInTheContract(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	var listed []string
	types, _ := contractDoc(t).Extensions["x-problem-types"].([]any)
	for _, p := range types {
		listed = append(listed, p.(map[string]any)["type"].(string))
	}
	var kinds []string
	all := string(w.fetch("GET", "/problems").want(200).body)
	for _, k := range problem.Kinds() {
		path := "/problems/" + k.Code
		kinds = append(kinds, path)
		page := string(w.fetch("GET", path).want(200).body)
		if !strings.Contains(page, html.EscapeString(k.Title)) || !strings.Contains(all, `href="`+path+`"`) {
			t.Errorf("%s is not told on its page or not listed", k.Code)
		}
	}
	if diff := cmp.Diff(kinds, listed); diff != "" {
		t.Errorf("problems in code (-) and in the contract's x-problem-types (+):\n%s", diff)
	}
	w.fetch("GET", "/problems/no-such").want(404).wantProblem("not-found")
}

func TestReferenceShowsEveryOperationAndSchema(t *testing.T) {
	t.Parallel()
	page := string(withoutDatabase(t).fetch("GET", "/reference").want(200).body)
	doc := contractDoc(t)
	shown := 0
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			_, rest, found := strings.Cut(page, `<article id="op-`+op.OperationID+`"`)
			article, _, _ := strings.Cut(rest, "</article>")
			if !found || !strings.Contains(article, ">"+method+"<") || !strings.Contains(article, "<code>"+path+"</code>") {
				t.Errorf("%s %s is not on the page", method, path)
				continue
			}
			shown++
			problems, _ := op.Extensions["x-problems"].([]any)
			for _, p := range problems {
				if !strings.Contains(article, `href="/problems/`+p.(string)+`"`) {
					t.Errorf("%s %s does not link %s", method, path, p)
				}
			}
			for _, p := range op.Parameters {
				if !strings.Contains(article, "<code>"+p.Value.Name+"</code>") {
					t.Errorf("%s %s does not show parameter %s", method, path, p.Value.Name)
				}
			}
		}
	}
	if n := strings.Count(page, `class="operation"`); n != shown {
		t.Errorf("%d operations on the page, %d in the contract", n, shown)
	}
	for name, s := range doc.Components.Schemas {
		_, rest, found := strings.Cut(page, `<article id="schema-`+name+`"`)
		article, _, _ := strings.Cut(rest, "</article>")
		for field := range s.Value.Properties {
			found = found && strings.Contains(article, "<code>"+field+"</code>")
		}
		if !found {
			t.Errorf("schema %s is not shown with its fields", name)
		}
	}
	for _, limit := range []string{"1,048,576 bytes", "15s", "1,000 rows", "4,194,304 bytes"} {
		if !strings.Contains(page, limit) {
			t.Errorf("the limit %q is not told", limit)
		}
	}
}

func TestEveryLinkWithinThePagesLeadsSomewhere(t *testing.T) {
	t.Parallel()
	w := newWorld(t) // /readyz looks at the database
	pages := map[string]string{}
	for _, path := range pagePaths() {
		pages[path] = string(w.fetch("GET", path).want(200).body)
	}
	seen := map[string]bool{}
	for from, page := range pages {
		for _, m := range regexp.MustCompile(`\shref="([^"]*)"`).FindAllStringSubmatch(page, -1) {
			if seen[from+m[1]] {
				continue
			}
			seen[from+m[1]] = true
			path, fragment, _ := strings.Cut(m[1], "#")
			target := page
			if path != "" {
				target = string(w.fetch("GET", path).want(200).body)
			}
			if fragment != "" && !strings.Contains(target, ` id="`+fragment+`"`) {
				t.Errorf("%s links %s, which is nowhere", from, m[1])
			}
		}
	}
	if len(seen) < 100 {
		t.Errorf("only %d links were followed", len(seen))
	}
}

func TestPagesLoadNothingFromElsewhereAndRunNothingInline(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	loads := regexp.MustCompile(`(?i)\s(?:src|href|srcset|action|poster|data)\s*=\s*"([^"]*)"`)
	inline := regexp.MustCompile(`(?i)<style|\sstyle\s*=|\son[a-z]+\s*=|javascript:|<script(?:\s+defer)?\s*>|@import|url\(`)
	for _, path := range append(pagePaths(), "/pages/style.css", "/pages/icon.svg", "/pages/filter.js") {
		r := w.fetch("GET", path).want(200)
		for _, m := range loads.FindAllStringSubmatch(string(r.body), -1) {
			if !strings.HasPrefix(m[1], "/") && !strings.HasPrefix(m[1], "#") || strings.HasPrefix(m[1], "//") {
				t.Errorf("%s loads or links %s", path, m[1])
			}
		}
		if m := inline.Find(r.body); m != nil && path != "/pages/filter.js" {
			t.Errorf("%s has %q inline", path, m)
		}
		policy := r.header.Get("Content-Security-Policy")
		if !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "unsafe") || strings.Contains(policy, "http") {
			t.Errorf("%s has the policy %q", path, policy)
		}
	}
}

func TestPagesAreKeptByTheirETag(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	for _, path := range append(pagePaths(), "/openapi.json", "/openapi.yaml", "/pages/style.css") {
		plain := w.fetch("GET", path).want(200)
		again := w.fetch("GET", path, header{"If-None-Match", plain.header.Get("ETag")}).want(304)
		if len(again.body) != 0 || again.header.Get("ETag") != plain.header.Get("ETag") {
			t.Errorf("%s: 304 with %d bytes and tag %s", path, len(again.body), again.header.Get("ETag"))
		}
		head := w.fetch("HEAD", path).want(200)
		if len(head.body) != 0 || head.header.Get("ETag") != plain.header.Get("ETag") {
			t.Errorf("%s: HEAD with %d bytes", path, len(head.body))
		}
		zipped := w.fetch("GET", path, header{"Accept-Encoding", "br;q=1.0, gzip;q=0.8"}).want(200)
		if zipped.header.Get("ETag") == plain.header.Get("ETag") || zipped.header.Get("Content-Encoding") != "gzip" {
			t.Errorf("%s: compressed bytes under the tag %s", path, zipped.header.Get("ETag"))
		}
		reader, err := gzip.NewReader(bytes.NewReader(zipped.body))
		if err != nil {
			t.Fatal(err)
		}
		if whole, err := io.ReadAll(reader); err != nil || !bytes.Equal(whole, plain.body) {
			t.Errorf("%s: unpacks to other bytes (%v)", path, err)
		}
		if refused := w.fetch("GET", path, header{"Accept-Encoding", "gzip;q=0"}).want(200); refused.header.Get("Content-Encoding") != "" {
			t.Errorf("%s: compressed for somebody who refuses it", path)
		}
		w.fetch("POST", path).want(405).wantProblem("method-not-allowed")
	}
}

func TestContractInJSONEqualsTheYAML(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	text := w.fetch("GET", "/openapi.yaml").want(200)
	if !bytes.Equal(text.body, openapi.YAML) {
		t.Error("/openapi.yaml is not the contract")
	}
	var fromYAML any
	if err := yaml.Unmarshal(text.body, &fromYAML); err != nil {
		t.Fatal(err)
	}
	// Numbers of both are compared as JSON numbers.
	through, err := json.Marshal(fromYAML)
	if err != nil {
		t.Fatal(err)
	}
	var want, got any
	if err := json.Unmarshal(through, &want); err != nil {
		t.Fatal(err)
	}
	body := w.fetch("GET", "/openapi.json").want(200)
	if err := json.Unmarshal(body.body, &got); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("JSON differs from YAML:\n%s", diff)
	}
	if _, err := openapi3.NewLoader().LoadFromData(body.body); err != nil {
		t.Errorf("the JSON is no contract: %v", err)
	}
}

// The requests of the start page are sent as they stand there.
func TestStartPageShowsRequestsThatWork(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	page := string(w.fetch("GET", "/").want(200).body)
	lines := regexp.MustCompile(`<pre><code>(curl [^<]*)</code></pre>`).FindAllStringSubmatch(page, -1)
	if len(lines) != 3 {
		t.Fatalf("%d lines to begin with", len(lines))
	}
	doc := contractDoc(t)
	for _, line := range lines {
		m := regexp.MustCompile(`\$AT(/v1[^"]*)"`).FindStringSubmatch(line[1])
		path := strings.ReplaceAll(m[1], "$CLUB", "{club}")
		item := doc.Paths.Map()[path]
		body := regexp.MustCompile(`-d '([^']*)'`).FindStringSubmatch(line[1])
		switch {
		case item == nil, body == nil && item.Get == nil, body != nil && item.Post == nil:
			t.Errorf("%s is not in the contract", path)
		case body != nil:
			var value any
			if err := json.Unmarshal([]byte(body[1]), &value); err != nil {
				t.Fatal(err)
			}
			if err := item.Post.RequestBody.Value.Content["application/json"].Schema.Value.VisitJSON(value); err != nil {
				t.Errorf("%s is sent a body that breaks the contract: %v", path, err)
			}
		}
	}
	fit := regexp.MustCompile(`-d '([^']*)'`).FindStringSubmatch(lines[0][1])
	if got := w.calc("fit", fit[1]).want(200).str("kind"); got != "clearance" {
		t.Errorf("the first line answers %s", got)
	}
	w.do("GET", strings.ReplaceAll("/v1/clubs/$CLUB/me", "$CLUB", w.slug), w.officer, nil).want(200)
}

func TestUnknownAddressesAreNotFound(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	for _, path := range []string{"/nowhere", "/v1/nowhere", "/pages/", "/pages/../go.mod", "/reference/"} {
		if got := w.fetch("GET", path).wantProblem("not-found").status; got != http.StatusNotFound {
			t.Errorf("%s answers %d", path, got)
		}
	}
}
