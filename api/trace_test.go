package api_test

import (
	"bytes"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"go.opentelemetry.io/otel/trace"

	"pinwright/api"
)

// tracedWorld is a world whose spans are kept in memory.
func tracedWorld(t testing.TB, adjust ...func(*api.Options)) (*world, *tracetest.InMemoryExporter) {
	t.Helper()
	kept := tracetest.NewInMemoryExporter()
	provider := sdktrace.NewTracerProvider(sdktrace.WithSyncer(kept))
	return newWorld(t, append(adjust, func(o *api.Options) { o.Tracer = provider.Tracer("test") })...), kept
}

// outline writes the spans as a tree, each with its attributes.
func outline(spans tracetest.SpanStubs) string {
	children := map[trace.SpanID][]tracetest.SpanStub{}
	known := map[trace.SpanID]bool{}
	for _, s := range spans {
		known[s.SpanContext.SpanID()] = true
	}
	var roots []tracetest.SpanStub
	for _, s := range spans {
		if parent := s.Parent.SpanID(); known[parent] {
			children[parent] = append(children[parent], s)
		} else {
			roots = append(roots, s)
		}
	}
	var out strings.Builder
	var write func(depth int, list []tracetest.SpanStub)
	write = func(depth int, list []tracetest.SpanStub) {
		slices.SortFunc(list, func(a, b tracetest.SpanStub) int { return a.StartTime.Compare(b.StartTime) })
		for _, s := range list {
			attributes := map[string]string{}
			for _, a := range s.Attributes {
				attributes[string(a.Key)] = a.Value.String()
			}
			delete(attributes, "pinwright.request_id")
			fmt.Fprintf(&out, "%s%s (%s, %s)", strings.Repeat("  ", depth), s.Name, s.SpanKind, s.Status.Code)
			for _, name := range slices.Sorted(maps.Keys(attributes)) {
				fmt.Fprintf(&out, " %s=%s", name, attributes[name])
			}
			for _, e := range s.Events {
				fmt.Fprintf(&out, " !%s", e.Name)
			}
			out.WriteString("\n")
			write(depth+1, children[s.SpanContext.SpanID()])
		}
	}
	write(0, roots)
	return out.String()
}

func TestSpansOfARequest(t *testing.T) {
	t.Parallel()
	w, kept := tracedWorld(t)
	w.hinges()
	w.do("POST", w.at("readings"), w.officer, row{"id": newID(), "joint": "left-upper", "gauge": "0.318 in", "result": "starts", "surface": "rusty"}).want(201)
	ask := map[string]any{"joints": []string{"left-upper", "left-lower"}, "form": practiceForm}
	// One key in 256 also sweeps old answers away, one statement more; these do not.
	key, other := header{"Idempotency-Key", newID()[:34] + "01"}, header{"Idempotency-Key", newID()[:34] + "02"}
	for _, c := range []struct {
		what string
		send func()
		want string
	}{
		{"a read", func() { w.do("GET", w.at("me"), w.officer, nil).want(200) }, `
GET /v1/clubs/:club/me (server, Unset) http.request.method=GET http.response.status_code=200 http.route=/v1/clubs/:club/me pinwright.operation=getMe
  read transaction (internal, Unset) pinwright.outcome=committed
    getMe read (client, Unset) db.operation.batch.size=7 db.operation.name=read db.system.name=postgresql
`},
		{"a write with the engine", func() { w.do("POST", w.at("recommendations"), w.officer, ask, key).want(201) }, `
POST /v1/clubs/:club/recommendations (server, Unset) http.request.method=POST http.response.status_code=201 http.route=/v1/clubs/:club/recommendations pinwright.operation=createRecommendation
  write transaction (internal, Unset) pinwright.outcome=committed
    createRecommendation lookups (client, Unset) db.operation.batch.size=13 db.operation.name=lookups db.system.name=postgresql
    createRecommendation effects (client, Unset) db.operation.batch.size=5 db.operation.name=effects db.system.name=postgresql
  engine recommendation (internal, Unset) pinwright.decision=provisional pinwright.features=6 pinwright.joints=2 pinwright.readings=1
`},
		{"the same again", func() { w.do("POST", w.at("recommendations"), w.officer, ask, key).want(201) }, `
POST /v1/clubs/:club/recommendations (server, Unset) http.request.method=POST http.response.status_code=201 http.route=/v1/clubs/:club/recommendations pinwright.operation=createRecommendation pinwright.replayed=true
  write transaction (internal, Unset) pinwright.outcome=rolled_back
    createRecommendation lookups (client, Unset) db.operation.batch.size=13 db.operation.name=lookups db.system.name=postgresql
    createRecommendation roll_back (client, Unset) db.operation.batch.size=1 db.operation.name=roll_back db.system.name=postgresql
`},
		{"a refused write", func() { w.do("POST", w.at("garages"), w.officer, workshop, other).want(409) }, `
POST /v1/clubs/:club/garages (server, Unset) http.request.method=POST http.response.status_code=409 http.route=/v1/clubs/:club/garages pinwright.operation=createGarage pinwright.problem=name-taken
  write transaction (internal, Unset) pinwright.outcome=rolled_back
    createGarage lookups (client, Unset) db.operation.batch.size=5 db.operation.name=lookups db.system.name=postgresql
    createGarage effects (client, Error) db.operation.batch.size=4 db.operation.name=effects db.response.status_code=23505 db.system.name=postgresql error.type=23505
    createGarage roll_back (client, Unset) db.operation.batch.size=1 db.operation.name=roll_back db.system.name=postgresql
`},
		{"the open calculator", func() {
			w.calc("clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"gauge":"8 mm","result":"go"}]}`).want(200)
		}, `
POST /v1/calc/clean-up (server, Unset) http.request.method=POST http.response.status_code=200 http.route=/v1/calc/clean-up pinwright.operation=calcCleanUp
  engine clean_up (internal, Unset) pinwright.features=1 pinwright.joints=0 pinwright.readings=1
`},
		{"an address that is none", func() { w.do("GET", "/nowhere", "", nil).want(404) }, `
GET (server, Unset) http.request.method=GET http.response.status_code=404 http.route= pinwright.problem=not-found
`},
	} {
		kept.Reset()
		c.send()
		if diff := cmp.Diff(strings.TrimPrefix(c.want, "\n"), outline(kept.GetSpans())); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.what, diff)
		}
	}
}

func TestTracesHoldNoSecretNameOrId(t *testing.T) {
	t.Parallel()
	var log bytes.Buffer
	w, kept := tracedWorld(t, func(o *api.Options) { o.Log = slog.New(slog.NewJSONHandler(&log, nil)) })
	exercise(w)
	var all strings.Builder
	for _, s := range kept.GetSpans() {
		fmt.Fprintln(&all, s.Name, s.Attributes, s.Events, s.Status)
	}
	if n := len(kept.GetSpans()); n < 50 {
		t.Fatalf("only %d spans", n)
	}
	member := w.do("GET", w.at("me"), w.officer, nil).str("member", "id")
	for _, secret := range []string{w.officer, w.officer[3:40], w.club.ClubID.String(), member, "hollow-lane", "Hollow", "Odile", "left-upper", "tourer", "0.318", "select", "insert"} {
		if secret == "" || strings.Contains(all.String(), secret) {
			t.Errorf("%q stands in the spans", secret)
		}
	}
	if !strings.Contains(log.String(), member) || !strings.Contains(log.String(), w.club.ClubID.String()) {
		t.Error("the log does not name the club and the member, so that nothing joins a trace to them")
	}
}

func TestTraceContextIsTakenOver(t *testing.T) {
	t.Parallel()
	log := &recorded{}
	w, kept := tracedWorld(t, func(o *api.Options) { o.Log = slog.New(slog.NewJSONHandler(log, nil)) })
	// The examples of W3C Trace Context, level 1: 3.2.4 valid, 3.2.2.3 and 3.2.2.4
	// all zeroes, 3.2.2.1 version ff, and capital letters (3.2.2: lower case only).
	for _, c := range []struct {
		name, parent, traceID string
	}{
		{"a sampled parent", "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01", "4bf92f3577b34da6a3ce929d0e0e4736"},
		{"no parent", "", ""},
		{"a trace id of zeroes", "00-00000000000000000000000000000000-00f067aa0ba902b7-01", ""},
		{"a parent id of zeroes", "00-4bf92f3577b34da6a3ce929d0e0e4736-0000000000000000-01", ""},
		{"a forbidden version", "ff-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01", ""},
		{"capital letters", "00-4BF92F3577B34DA6A3CE929D0E0E4736-00f067aa0ba902b7-01", ""},
		{"something else", "Robert'); drop table trace;--", ""},
	} {
		kept.Reset()
		w.fetch("GET", "/healthz", header{"Traceparent", c.parent}).want(200)
		spans := kept.GetSpans()
		if len(spans) != 1 {
			t.Fatalf("%s: %d spans", c.name, len(spans))
		}
		got := spans[0].SpanContext.TraceID().String()
		if c.traceID != "" && (got != c.traceID || spans[0].Parent.SpanID().String() != "00f067aa0ba902b7") || c.traceID == "" && (spans[0].Parent.IsValid() || strings.HasPrefix(got, "4bf92f")) {
			t.Errorf("%s: trace %s below %s", c.name, got, spans[0].Parent.SpanID())
		}
		if logged := log.last("request")["trace_id"]; logged != got {
			t.Errorf("%s: the log names the trace %v, the span %s", c.name, logged, got)
		}
	}
}

func TestRetriesAreToldEverywhere(t *testing.T) {
	t.Parallel()
	log := &recorded{}
	w, kept := tracedWorld(t, func(o *api.Options) { o.Log = slog.New(slog.NewJSONHandler(log, nil)) })
	w.hinges()
	// While the journal's head is held, two requests with the same reading have both
	// looked before either has written; the second finds the first's row and runs again.
	head, err := w.db.Owner.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := head.Exec(t.Context(), `select from head where club_id = $1 for update`, w.club.ClubID); err != nil {
		t.Fatal(err)
	}
	kept.Reset()
	reading := row{"id": newID(), "joint": "left-upper", "gauge": "0.318 in", "result": "go"}
	statuses := make(chan int, 2)
	for range 2 {
		go func() { statuses <- w.do("POST", w.at("readings"), w.officer, reading).status }()
	}
	late := time.Now().Add(20 * time.Second)
	for waiting := 0; waiting < 2; time.Sleep(time.Millisecond) {
		if err := w.db.Owner.QueryRow(t.Context(), `
			select count(distinct l.pid) from pg_locks l join pg_stat_activity a using (pid) where not granted and datname = current_database()`).Scan(&waiting); err != nil {
			t.Fatal(err)
		}
		if time.Now().After(late) {
			t.Fatalf("%d requests wait, want 2", waiting)
		}
	}
	if err := head.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := []int{<-statuses, <-statuses}; got[0]+got[1] != 401 {
		t.Errorf("answered %v, want 201 and 200", got)
	}
	if got := w.exposed().value("pinwright_transaction_retries_total", "sqlstate", "23505"); got != 1 {
		t.Errorf("%v retries counted", got)
	}
	told := 0
	for _, line := range log.lines {
		if line["retries"] == 1.0 {
			told++
		}
	}
	if told != 1 || strings.Count(outline(kept.GetSpans()), "!retry") != 1 {
		t.Errorf("%d lines and these spans tell a retry:\n%s", told, outline(kept.GetSpans()))
	}
}

func TestARequestThatIsNotSampledLeavesNoSpan(t *testing.T) {
	t.Parallel()
	kept := tracetest.NewInMemoryExporter()
	provider := sdktrace.NewTracerProvider(sdktrace.WithSyncer(kept), sdktrace.WithSampler(sdktrace.NeverSample()))
	w := newWorld(t, func(o *api.Options) { o.Tracer = provider.Tracer("test") })
	exercise(w)
	if spans := kept.GetSpans(); len(spans) > 0 {
		t.Errorf("%d spans", len(spans))
	}
}

// BenchmarkTraces compares one request without traces, not sampled, and sampled.
func BenchmarkTraces(b *testing.B) {
	discard := slog.New(slog.NewJSONHandler(io.Discard, nil))
	for _, c := range []struct {
		name   string
		tracer trace.Tracer
	}{
		{"off", nil},
		{"not-sampled", sdktrace.NewTracerProvider(sdktrace.WithSampler(sdktrace.NeverSample())).Tracer("bench")},
		{"sampled", sdktrace.NewTracerProvider(sdktrace.WithBatcher(tracetest.NewNoopExporter())).Tracer("bench")},
	} {
		b.Run(c.name, func(b *testing.B) {
			w := newWorld(b, func(o *api.Options) { o.Tracer, o.Log = c.tracer, discard })
			b.ReportAllocs()
			for b.Loop() {
				r := httptest.NewRequest("GET", "/v1/clubs/hollow-lane/me", nil)
				r.Header.Set("Authorization", "Bearer "+w.officer)
				w.handler.ServeHTTP(httptest.NewRecorder(), r)
			}
		})
	}
}
