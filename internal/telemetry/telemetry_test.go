package telemetry_test

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	collector "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	"google.golang.org/protobuf/proto"

	"pinwright/internal/telemetry"
)

// standIn takes OTLP over HTTP as a collector does (OTLP specification 1.x,
// OTLP/HTTP: POST of an ExportTraceServiceRequest in binary protobuf).
type standIn struct {
	*httptest.Server
	mu     sync.Mutex
	names  []string
	faults []string
}

func newStandIn(t *testing.T) *standIn {
	t.Helper()
	s := &standIn{}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.mu.Lock()
		defer s.mu.Unlock()
		body, err := io.ReadAll(r.Body)
		var request collector.ExportTraceServiceRequest
		if err != nil || proto.Unmarshal(body, &request) != nil || r.Method != "POST" || r.URL.Path != "/v1/traces" || r.Header.Get("Content-Type") != "application/x-protobuf" {
			s.faults = append(s.faults, r.Method+" "+r.URL.Path+" "+r.Header.Get("Content-Type"))
		}
		for _, resource := range request.ResourceSpans {
			attributes := map[string]string{}
			for _, a := range resource.Resource.Attributes {
				attributes[a.Key] = a.Value.GetStringValue()
			}
			if attributes["service.name"] != "pinwright" || attributes["service.version"] != "v1" {
				s.faults = append(s.faults, "resource")
			}
			for _, scope := range resource.ScopeSpans {
				for _, span := range scope.Spans {
					s.names = append(s.names, span.Name)
				}
			}
		}
		w.Header().Set("Content-Type", "application/x-protobuf")
		reply, err := proto.Marshal(&collector.ExportTraceServiceResponse{})
		if err == nil {
			_, err = w.Write(reply)
		}
		if err != nil {
			s.faults = append(s.faults, err.Error())
		}
	}))
	t.Cleanup(s.Close)
	return s
}

func start(t *testing.T, endpoint string, log io.Writer) (*telemetry.Traces, *prometheus.Registry) {
	t.Helper()
	registry := prometheus.NewRegistry()
	traces, err := telemetry.Start(t.Context(), telemetry.Settings{Endpoint: endpoint, Ratio: 1, Version: "v1", Log: slog.New(slog.NewJSONHandler(log, nil)), Metrics: registry})
	if err != nil {
		t.Fatal(err)
	}
	return traces, registry
}

func holdSpans(t *testing.T, r *prometheus.Registry, sent, lost string) {
	t.Helper()
	if err := testutil.GatherAndCompare(r, strings.NewReader(`# HELP pinwright_trace_spans_total Spans by outcome: sent to the collector, or lost because it did not take them.
# TYPE pinwright_trace_spans_total counter
pinwright_trace_spans_total{outcome="lost"} `+lost+`
pinwright_trace_spans_total{outcome="sent"} `+sent+"\n")); err != nil {
		t.Error(err)
	}
}

func TestSpansReachTheCollectorWhenTheServiceStops(t *testing.T) {
	t.Parallel()
	in := newStandIn(t)
	traces, registry := start(t, in.URL+"/v1/traces", io.Discard)
	ctx, outer := traces.Tracer().Start(t.Context(), "GET /healthz")
	_, inner := traces.Tracer().Start(ctx, "read")
	inner.End()
	outer.End()
	traces.Stop(t.Context())
	in.mu.Lock()
	defer in.mu.Unlock()
	if got := strings.Join(in.names, ", "); got != "read, GET /healthz" || len(in.faults) > 0 {
		t.Errorf("the collector got %q; faults %v", got, in.faults)
	}
	holdSpans(t, registry, "2", "0")
}

func TestACollectorThatIsAwayCostsOneLineAndTheGraceAtMost(t *testing.T) {
	t.Parallel()
	gone := httptest.NewServer(nil)
	gone.Close()
	refusing := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusBadRequest) }))
	t.Cleanup(refusing.Close)
	hung := make(chan struct{})
	silent := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		select {
		case <-hung:
		case <-r.Context().Done():
		}
	}))
	t.Cleanup(func() { close(hung); silent.Close() })
	for name, url := range map[string]string{"nobody listens": gone.URL, "it refuses": refusing.URL, "it hangs": silent.URL} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var log lines
			traces, registry := start(t, url+"/v1/traces", &log)
			// More than the queue holds: whoever makes spans must never wait.
			began := time.Now()
			for range 10_000 {
				_, span := traces.Tracer().Start(t.Context(), "GET /healthz")
				span.End()
			}
			if took := time.Since(began); took > 5*time.Second {
				t.Errorf("10,000 spans took %s: something waited for the collector", took)
			}
			grace, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
			defer cancel()
			began = time.Now()
			traces.Stop(grace)
			if took := time.Since(began); took > 5*time.Second {
				t.Errorf("stopping took %s with a grace of 0.3 s", took)
			}
			if n := strings.Count(log.String(), "\n"); n < 1 || n > 2 || !strings.Contains(log.String(), "not sent") {
				t.Errorf("the log says:\n%s", log.String())
			}
			if families, err := registry.Gather(); err != nil || len(families) != 1 {
				t.Errorf("%v %v", families, err)
			}
		})
	}
}

// lines is a log that goroutines of the exporter write to.
type lines struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *lines) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func TestWithoutAnEndpointThereAreNoTraces(t *testing.T) {
	t.Parallel()
	traces, registry := start(t, "", io.Discard)
	if traces != nil || traces.Tracer() != nil {
		t.Error("traces without an endpoint")
	}
	traces.Stop(t.Context())
	if families, err := registry.Gather(); err != nil || len(families) != 0 {
		t.Errorf("figures of traces without an endpoint: %v %v", families, err)
	}
}

func TestTheClientCannotRaiseTheRatio(t *testing.T) {
	t.Parallel()
	// The trace id's last 8 bytes, without their top bit, are held against the ratio
	// (go.opentelemetry.io/otel/sdk/trace, TraceIDRatioBased).
	low := trace.TraceID{15: 1}
	high := trace.TraceID{8: 0xff, 9: 0xff, 15: 1}
	for _, c := range []struct {
		name  string
		ratio float64
		id    trace.TraceID
		flags trace.TraceFlags
		want  bool
	}{
		{"asked for, at ratio 0", 0, high, trace.FlagsSampled, false},
		{"asked for, and beyond the ratio", 0.5, high, trace.FlagsSampled, false},
		{"asked for, and within the ratio", 0.5, low, trace.FlagsSampled, true},
		{"asked for, at ratio 1", 1, high, trace.FlagsSampled, true},
		{"asked not to, at ratio 1", 1, low, 0, false},
	} {
		ctx := trace.ContextWithRemoteSpanContext(t.Context(), trace.NewSpanContext(trace.SpanContextConfig{TraceID: c.id, SpanID: trace.SpanID{7: 1}, TraceFlags: c.flags, Remote: true}))
		if got := sampled(ctx, c.ratio); got != c.want {
			t.Errorf("%s: traced %v, want %v", c.name, got, c.want)
		}
	}
}

func sampled(ctx context.Context, ratio float64) bool {
	provider := sdktrace.NewTracerProvider(sdktrace.WithSampler(telemetry.Sampler(ratio)))
	_, span := provider.Tracer("test").Start(ctx, "request")
	defer span.End()
	return span.IsRecording()
}
