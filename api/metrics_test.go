package api_test

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"pinwright/api"
	"pinwright/internal/pgtest"
	"pinwright/openapi"
)

// exposed is what /metrics shows, by name.
type exposed map[string]*dto.MetricFamily

func (w *world) exposed() exposed {
	w.t.Helper()
	r := w.fetch("GET", "/metrics").want(200)
	parser := expfmt.NewTextParser(model.LegacyValidation)
	families, err := parser.TextToMetricFamilies(bytes.NewReader(r.body))
	if err != nil {
		w.t.Fatal(err)
	}
	return families
}

// value is the value, or the number of observations, summed over all series
// with those labels (name, value, …).
func (x exposed) value(name string, labels ...string) float64 {
	sum := 0.0
	for _, m := range x[name].GetMetric() {
		have := map[string]string{}
		for _, l := range m.Label {
			have[l.GetName()] = l.GetValue()
		}
		fits := true
		for i := 0; i < len(labels); i += 2 {
			fits = fits && have[labels[i]] == labels[i+1]
		}
		if fits {
			sum += m.GetCounter().GetValue() + m.GetGauge().GetValue() + float64(m.GetHistogram().GetSampleCount())
		}
	}
	return sum
}

func (x exposed) series() int {
	n := 0
	for _, f := range x {
		n += len(f.Metric)
	}
	return n
}

// exercise asks a bit of everything: each figure of the service moves.
func exercise(w *world) {
	w.t.Helper()
	w.hinges()
	known := newID()
	post := row{"id": known, "joint": "left-upper", "gauge": "0.318 in", "result": "starts", "surface": "rusty"}
	w.do("POST", w.at("readings"), w.officer, post).want(201)
	w.do("POST", w.at("readings"), w.officer, row{"readings": []any{post, with(post, row{"id": newID(), "joint": "left-lower"}), row{"id": newID(), "joint": "nowhere"}}}).want(200)
	again := header{"Idempotency-Key", newID()}
	ask := map[string]any{"joints": []string{"left-upper", "left-lower"}, "form": practiceForm}
	w.do("POST", w.at("recommendations"), w.officer, ask, again).want(201)
	w.do("POST", w.at("recommendations"), w.officer, ask, again).want(201)
	w.do("GET", w.at("features/"+w.firstFeature()+"/estimate"), w.officer, nil).want(200)
	w.calc("clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"gauge":"8 mm","result":"go"}]}`).want(200)
	w.do("POST", w.at("garages"), w.officer, raw("{")).wantProblem("malformed-request")
	w.do("POST", w.at("garages"), w.officer, raw(`"`+strings.Repeat("a", 1<<20)+`"`)).wantProblem("too-large")
	w.do("GET", w.at("me"), "", nil).want(401)
	w.do("GET", "/v1/nowhere", "", nil).want(404)
	w.alwaysOpen()
	w.reserve(w.officer, 1, 2, toolLine("R-0.318")).want(201)
	w.reserve(w.officer, 1, 2, toolLine("R-0.318")).want(409)
	w.fetch("GET", "/readyz").want(200)
	w.fetch("GET", "/healthz").want(200)
	w.fetch("GET", "/metrics").want(200)
}

func (w *world) firstFeature() string {
	w.t.Helper()
	return w.do("GET", w.at("vehicles/tourer/joints"), w.officer, nil).want(200).str("items", 0, "features", 0, "id")
}

func TestMetricsCountWhatWasServed(t *testing.T) {
	t.Parallel()
	w := newWorld(t, func(o *api.Options) { o.Build = api.Build{Version: "v1.2.3", Schema: 7} })
	appended := func() (n float64) {
		if err := w.db.Owner.QueryRow(t.Context(), `select count(*) from event`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	founding := appended() // the founding of the club was no request
	exercise(w)
	x := w.exposed()
	for _, c := range []struct {
		name   string
		labels []string
		want   float64
	}{
		{"http_server_request_duration_seconds", []string{"http_request_method", "POST", "http_route", "/v1/calc/clean-up", "http_response_status_code", "200"}, 1},
		{"http_server_request_duration_seconds", []string{"http_request_method", "GET", "http_route", "", "http_response_status_code", "404"}, 1},
		{"http_server_active_requests", nil, 1},
		{"pinwright_problems_total", []string{"problem", "malformed-request"}, 1},
		{"pinwright_problems_total", []string{"problem", "too-large"}, 1},
		{"pinwright_problems_total", []string{"problem", "tool-taken"}, 1},
		{"pinwright_problems_total", []string{"problem", "internal"}, 0},
		{"pinwright_replayed_answers_total", nil, 1},
		{"pinwright_token_uses_total", []string{"outcome", "refused"}, 1},
		{"pinwright_reading_rows_total", []string{"outcome", "created"}, 2},
		{"pinwright_reading_rows_total", []string{"outcome", "exists"}, 1},
		{"pinwright_reading_rows_total", []string{"outcome", "refused"}, 1},
		{"pinwright_reading_batch_rows", nil, 2},
		{"pinwright_engine_duration_seconds", []string{"calculation", "recommendation"}, 1},
		{"pinwright_engine_duration_seconds", []string{"calculation", "estimate"}, 1},
		{"pinwright_engine_duration_seconds", []string{"calculation", "clean_up"}, 1},
		{"pinwright_recommendations_total", nil, 1},
		{"pinwright_journal_events_total", []string{"type", "reading.created"}, 2},
		{"pinwright_journal_events_total", []string{"type", "tool.created"}, 2},
		{"pinwright_journal_events_total", []string{"type", "reservation.created"}, 1},
		{"pinwright_db_errors_total", []string{"sqlstate", "23P01"}, 0}, // lookups see what is taken; the constraint is the backstop
		{"pinwright_ready", nil, 3},
		{"pinwright_build_info", []string{"schema", "7", "version", "v1.2.3"}, 1},
		{"db_client_connection_max", nil, 4},
		{"db_client_connection_pending_requests", nil, 0},
	} {
		if got := x.value(c.name, c.labels...); got != c.want {
			t.Errorf("%s%v is %v, want %v", c.name, c.labels, got, c.want)
		}
	}
	if got, events := x.value("pinwright_journal_events_total"), appended()-founding; got != events || got == 0 {
		t.Errorf("%v events counted, %v stand in the journal", got, events)
	}
	committed := x.value("pinwright_transactions_total", "kind", "write", "outcome", "committed")
	if trips := x.value("db_client_operation_duration_seconds", "db_operation_name", "effects"); trips < committed || committed < 10 {
		t.Errorf("%v round trips of effects for %v writes", trips, committed)
	}
	if x.value("pinwright_db_pool_acquires_total") < committed || x.value("db_client_connection_wait_time_seconds") != x.value("db_client_connection_use_time_seconds") {
		t.Error("connections given and given back do not agree")
	}
}

// The linter is Prometheus' own (github.com/prometheus/client_golang,
// prometheus/testutil/promlint, after https://prometheus.io/docs/practices/naming).
func TestMetricsAreNamedByTheConventions(t *testing.T) {
	t.Parallel()
	registry := prometheus.NewRegistry()
	w := newWorld(t, func(o *api.Options) { o.Metrics = registry })
	exercise(w)
	found, err := testutil.GatherAndLint(registry)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range found {
		// The OpenTelemetry semantic conventions name it db.client.connection.count.
		if p.Metric == "db_client_connection_count" && strings.Contains(p.Text, `"_count" suffix`) {
			continue
		}
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	ours := 0
	for name, f := range w.exposed() {
		if strings.HasPrefix(name, "pinwright_") {
			ours++
		}
		if f.GetHelp() == "" {
			t.Errorf("%s has no help", name)
		}
	}
	if ours < 15 {
		t.Errorf("only %d figures of our own", ours)
	}
}

func TestMetricsHaveTheirNamesFromTheSemanticConventions(t *testing.T) {
	t.Parallel()
	// OpenTelemetry semantic conventions, http/http-metrics.md and
	// database/database-metrics.md, spelt as the specification's "Prometheus and
	// OpenMetrics compatibility" says.
	want := map[string][]string{
		"http_server_request_duration_seconds":   {"http_request_method", "http_response_status_code", "http_route"},
		"http_server_active_requests":            nil,
		"http_server_request_body_size_bytes":    {"http_request_method"},
		"http_server_response_body_size_bytes":   {"http_request_method"},
		"db_client_operation_duration_seconds":   {"db_operation_name", "db_system_name"},
		"db_client_connection_count":             {"db_client_connection_pool_name", "db_client_connection_state"},
		"db_client_connection_max":               {"db_client_connection_pool_name"},
		"db_client_connection_pending_requests":  {"db_client_connection_pool_name"},
		"db_client_connection_timeouts_total":    {"db_client_connection_pool_name"},
		"db_client_connection_wait_time_seconds": {"db_client_connection_pool_name"},
		"db_client_connection_use_time_seconds":  {"db_client_connection_pool_name"},
	}
	w := newWorld(t)
	exercise(w)
	x := w.exposed()
	got := map[string][]string{}
	for name := range want {
		for _, m := range x[name].GetMetric() {
			var labels []string
			for _, l := range m.Label {
				labels = append(labels, l.GetName())
			}
			got[name] = labels
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestNoRequestMakesMoreSeriesThanTheContractHas(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	exercise(w)
	random := func() string {
		// No underscore and no J: with them, chance writes what looks like a token into a request's id,
		// and the log may hold none.
		const letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIKLMNOPQRSTUVWXYZ0123456789-~%2f"
		out := make([]byte, 1+rand.IntN(24))
		for i := range out {
			out[i] = letters[rand.IntN(len(letters)-3)]
		}
		return string(out)
	}
	routes := []string{"/v1/clubs/%s", "/v1/clubs/%s/me", "/v1/clubs/%s/readings", "/v1/clubs/%s/tools/%s", "/%s", "/problems/%s", "/v1/clubs/" + w.slug + "/tools/%s", "/v1/clubs/" + w.slug + "/features/%s/estimate"}
	methods := []string{"GET", "HEAD", "POST", "PATCH", "DELETE", "OPTIONS"}
	flood := func(n int) {
		for i := range n {
			method := methods[i%len(methods)]
			if i%7 == 0 {
				method = "M" + strings.Trim(strings.ToUpper(random()), "~%-_")
			}
			route := routes[rand.IntN(len(routes))]
			for strings.Contains(route, "%s") {
				route = strings.Replace(route, "%s", random(), 1)
			}
			r := httptest.NewRequest(method, "http://"+strings.Trim(random(), "-_~%")+"a.example"+route, strings.NewReader(random()))
			r.Header.Set("Authorization", "Bearer "+[]string{w.officer, random(), ""}[i%3])
			r.Header.Set("Idempotency-Key", newID())
			r.Header.Set("User-Agent", random())
			r.Header.Set("X-Request-Id", random())
			r.Header.Set("Content-Type", random()+"/"+random())
			w.handler.ServeHTTP(httptest.NewRecorder(), r)
		}
	}
	// Every combination of method, route and status that this flood can make is made
	// once the series stop growing; the rest must add none.
	flood(3000)
	before := w.exposed()
	flood(3000)
	after := w.exposed()
	grown := after.series() - before.series()
	if bound := 20; grown > bound { // a rare status of a rare pair may still come
		t.Errorf("3,000 further random requests made %d further series", grown)
	}
	allowed := map[string]bool{"": true}
	for _, route := range w.routes() {
		allowed[route] = true
	}
	for _, m := range after["http_server_request_duration_seconds"].Metric {
		for _, l := range m.Label {
			if l.GetName() == "http_route" && !allowed[l.GetValue()] {
				t.Errorf("the label http_route has the value %q, which is no route", l.GetValue())
			}
		}
	}
	// 14 buckets for each of some hundred pairs of route and status are the most of it.
	if n := after.series(); n > 600 {
		t.Errorf("%d series", n)
	}
}

// routes are the templates of all routes that answer.
func (w *world) routes() []string {
	w.t.Helper()
	routes := []string{"/metrics"}
	routes = append(routes, pagePaths()...)
	routes = append(routes, "/openapi.yaml", "/openapi.json", "/pages/style.css", "/pages/filter.js", "/pages/icon.svg")
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		w.t.Fatal(err)
	}
	for path := range doc.Paths.Map() {
		routes = append(routes, strings.NewReplacer("{", ":", "}", "").Replace(path))
	}
	return routes
}

// recorded keeps a log's lines.
type recorded struct {
	mu    sync.Mutex
	lines []map[string]any
	text  bytes.Buffer
}

func (r *recorded) Write(line []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	var fields map[string]any
	if err := json.Unmarshal(line, &fields); err != nil {
		return 0, err
	}
	r.lines = append(r.lines, fields)
	return r.text.Write(line)
}

func (r *recorded) last(msg string) map[string]any {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, line := range slices.Backward(r.lines) {
		if line["msg"] == msg {
			return line
		}
	}
	return nil
}

func TestOneLineARequestSaysWhatHappened(t *testing.T) {
	t.Parallel()
	log := &recorded{}
	db := pgtest.New(t)
	pool, counted := countedPool(t, db.AppURL)
	w := newWorldOn(t, db, pool, func(o *api.Options) { o.Log = slog.New(slog.NewJSONHandler(log, nil)) })
	w.do("GET", w.at("me"), w.officer, nil).want(200) // notes the day of the token's use beside it
	exercise(w)
	fieldsOf := func(r *response) []string {
		line := log.last("request")
		if line["request_id"] != r.header.Get("X-Request-Id") {
			t.Fatalf("the last line is of request %v, not %s", line["request_id"], r.header.Get("X-Request-Id"))
		}
		return slices.Sorted(maps.Keys(line))
	}
	always := []string{"bytes_in", "bytes_out", "duration_seconds", "level", "method", "msg", "operation", "request_id", "route", "status", "time"}
	known := []string{"club", "database_seconds", "member", "round_trips"}
	parent := header{"Traceparent", "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"} // the example of W3C Trace Context, 3.2.4
	key := header{"Idempotency-Key", newID()}
	garage := map[string]any{"code": "south", "name": "South Yard", "time_zone": "UTC"}
	for _, c := range []struct {
		what  string
		r     func() *response
		extra []string
	}{
		{"a read", func() *response { return w.do("GET", w.at("me"), w.officer, nil) }, known},
		{"a write", func() *response { return w.do("POST", w.at("garages"), w.officer, garage, key) }, known},
		{"a repeated write", func() *response { return w.do("POST", w.at("garages"), w.officer, garage, key) }, append(known, "replayed")},
		{"a refused write", func() *response { return w.do("POST", w.at("garages"), w.officer, garage) }, append(known, "problem")},
		{"a stranger", func() *response { return w.do("GET", w.at("me"), "", nil) }, []string{"problem"}},
		{"a traced read", func() *response { return w.do("GET", w.at("me"), w.officer, nil, parent) }, append(known, "trace_id")},
		{"a calculation", func() *response { return w.calc("fit", `{"size":"25 mm","fit":"H7/g6"}`) }, nil},
	} {
		before := counted.told.Load()
		got := fieldsOf(c.r())
		want := slices.Sorted(slices.Values(append(slices.Clone(always), c.extra...)))
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.what, diff)
		}
		trips, _ := log.last("request")["round_trips"].(float64)
		if told := counted.told.Load() - before; int64(trips) != told {
			t.Errorf("%s: the log tells %v round trips, the driver %d", c.what, trips, told)
		}
	}
	if got := log.last("request"); got["trace_id"] != nil {
		t.Errorf("a request without traceparent has the trace id %v", got["trace_id"])
	}
	w.do("GET", w.at("me"), w.officer, nil, parent)
	if got := log.last("request")["trace_id"]; got != "4bf92f3577b34da6a3ce929d0e0e4736" {
		t.Errorf("trace_id is %v", got)
	}
	requests := 0
	seen := map[any]bool{}
	for _, line := range log.lines {
		if line["msg"] == "request" {
			requests++
			seen[line["request_id"]] = true
		}
	}
	if served := w.exposed().value("http_server_request_duration_seconds"); float64(requests) != served || len(seen) != requests {
		t.Errorf("%d lines of %d requests for %v requests counted", requests, len(seen), served)
	}
	for _, secret := range []string{w.officer, "Odile Farrow", "South Yard", "hollow-lane"} {
		if strings.Contains(log.text.String(), secret) {
			t.Errorf("%q stands in the log", secret)
		}
	}
}

func TestWaitingForAConnectionEndsByTheSetting(t *testing.T) {
	t.Parallel()
	w := newWorld(t, func(o *api.Options) { o.PoolWait = time.Second }) // the first request connects within it
	w.do("GET", w.at("me"), w.officer, nil).want(200)
	for range w.db.App.Config().MaxConns {
		conn, err := w.db.App.Acquire(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Release()
	}
	for range 2 { // a second each, so that the last answer is older than what counts as lively
		w.do("GET", w.at("me"), w.officer, nil).want(503).wantProblem("unavailable")
	}
	x := w.exposed()
	// Being asked for these, the service looks for a connection to tell whether it is ready: it
	// waits for one itself when it counts, or has waited in vain, or does not yet.
	for name, want := range map[string]float64{"db_client_connection_timeouts_total": 2, "db_client_connection_pending_requests": 0} {
		if got := x.value(name); got != want && got != want+1 {
			t.Errorf("%s is %v, want %v or one more", name, got, want)
		}
	}
	if got := x.value("db_client_connection_count", "db_client_connection_state", "used"); got != 4 {
		t.Errorf("%v connections are used, want all 4", got)
	}
	if got := x.value("pinwright_ready", "check", "database"); got != 0 {
		t.Error("without a free connection the service reports to be ready")
	}
}
