// Package telemetry sends traces to a collector by OTLP over HTTP, where an
// endpoint is set; else there is no tracer and tracing costs nothing. What is
// traced is decided where it happens, in package api.
//
// Sending happens beside the requests and never fails them: a collector that is
// slow or away costs spans, a line in the log and a figure.
package telemetry

import (
	"context"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracehttp"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
)

// Settings are what traces are made and sent by.
type Settings struct {
	Endpoint string  // URL that takes OTLP over HTTP; empty: no traces
	Ratio    float64 // of requests that are traced, from 0 to 1
	Version  string  // of the program
	Log      *slog.Logger
	Metrics  prometheus.Registerer
}

// Traces are spans on their way to the collector.
type Traces struct {
	provider *sdktrace.TracerProvider
	log      *slog.Logger
}

const (
	queued     = 2048             // spans waiting to be sent; further ones are dropped
	batchAfter = 5 * time.Second  // spans are sent when they are that old
	sendWithin = 10 * time.Second // one attempt with its repetitions
	warnEvery  = time.Minute
)

// Start gets ready to send; it does not wait for the collector. It returns nil,
// which is as good as any Traces, where no endpoint is set.
func Start(ctx context.Context, s Settings) (*Traces, error) {
	if s.Endpoint == "" {
		return nil, nil
	}
	exporter, err := otlptracehttp.New(ctx, otlptracehttp.WithEndpointURL(s.Endpoint), otlptracehttp.WithTimeout(sendWithin),
		otlptracehttp.WithRetry(otlptracehttp.RetryConfig{Enabled: true, InitialInterval: 500 * time.Millisecond, MaxInterval: 5 * time.Second, MaxElapsedTime: sendWithin}))
	if err != nil {
		return nil, fmt.Errorf("traces: %w", err)
	}
	watched := newWatchedExporter(exporter, s.Log)
	if err := s.Metrics.Register(watched.spans); err != nil {
		return nil, fmt.Errorf("traces: %w", err)
	}
	return &Traces{log: s.Log, provider: sdktrace.NewTracerProvider(
		sdktrace.WithBatcher(watched, sdktrace.WithMaxQueueSize(queued), sdktrace.WithBatchTimeout(batchAfter), sdktrace.WithExportTimeout(sendWithin)),
		sdktrace.WithSampler(Sampler(s.Ratio)),
		sdktrace.WithResource(resource.NewSchemaless(attribute.String("service.name", "pinwright"), attribute.String("service.version", s.Version))),
	)}, nil
}

// Sampler traces that ratio of requests, chosen by their trace id, so that
// services that choose the same way agree. A client may ask not to be traced; it
// cannot ask to be traced more often than the ratio says.
func Sampler(ratio float64) sdktrace.Sampler {
	byID := sdktrace.TraceIDRatioBased(ratio)
	return sdktrace.ParentBased(byID, sdktrace.WithRemoteParentSampled(byID))
}

// Tracer makes spans; nil where there are no traces.
func (t *Traces) Tracer() trace.Tracer {
	if t == nil {
		return nil
	}
	return t.provider.Tracer("pinwright")
}

// Stop sends what is still queued, until ctx ends at the latest.
func (t *Traces) Stop(ctx context.Context) {
	if t == nil {
		return
	}
	if err := t.provider.Shutdown(ctx); err != nil {
		t.log.Warn("the last traces were not sent", "error", err)
	}
}

// watchedExporter counts what is sent and what is lost, and says at most once a
// minute why.
type watchedExporter struct {
	sdktrace.SpanExporter
	log    *slog.Logger
	spans  *prometheus.CounterVec // by outcome
	warned atomic.Int64           // Unix time
}

func newWatchedExporter(e sdktrace.SpanExporter, log *slog.Logger) *watchedExporter {
	w := &watchedExporter{SpanExporter: e, log: log, spans: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "pinwright_trace_spans_total",
		Help: "Spans by outcome: sent to the collector, or lost because it did not take them."}, []string{"outcome"})}
	for _, outcome := range []string{"sent", "lost"} {
		w.spans.WithLabelValues(outcome)
	}
	return w
}

// ExportSpans sends spans, and reports no failure: the library would write it to
// the standard error output, beside the log.
func (w *watchedExporter) ExportSpans(ctx context.Context, spans []sdktrace.ReadOnlySpan) error {
	err := w.SpanExporter.ExportSpans(ctx, spans)
	if err == nil {
		w.spans.WithLabelValues("sent").Add(float64(len(spans)))
		return nil
	}
	w.spans.WithLabelValues("lost").Add(float64(len(spans)))
	now := time.Now().Unix()
	if last := w.warned.Load(); now-last >= int64(warnEvery.Seconds()) && w.warned.CompareAndSwap(last, now) {
		w.log.Warn("traces were not sent", "error", err)
	}
	return nil
}
