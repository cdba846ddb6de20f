package api

import (
	"context"
	"net/http"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"

	"pinwright/internal/postgres"
)

// Spans carry what is bounded: routes, statuses, names of operations, SQLSTATEs,
// counts. Clubs and members, even as ids, stand in the log event only, which
// names the trace: traces are often kept by somebody else. Where nothing is
// traced (no tracer, or this request is not sampled) nothing is made.

// propagated reads traceparent and tracestate (W3C Trace Context, level 1).
var propagated propagation.TraceContext

// traceRequest takes the client's trace id, and begins the request's span where
// traces are on.
func (s *Server) traceRequest(e *event, r *http.Request, method, route string) {
	ctx := r.Context()
	if r.Header.Get("Traceparent") != "" {
		ctx = propagated.Extract(ctx, propagation.HeaderCarrier(r.Header))
		if remote := trace.SpanContextFromContext(ctx); remote.IsValid() {
			e.traceID = remote.TraceID().String()
		}
	}
	if s.tracer == nil {
		return
	}
	name := method
	if route != "" {
		name += " " + route
	}
	_, e.span = s.tracer.Start(ctx, name, trace.WithSpanKind(trace.SpanKindServer),
		trace.WithAttributes(attribute.String("http.request.method", method), attribute.String("http.route", route)))
	e.traceID = e.span.SpanContext().TraceID().String()
}

func (e *event) endTrace(status int) {
	if e.span == nil {
		return
	}
	if e.span.IsRecording() {
		e.span.SetAttributes(attribute.Int("http.response.status_code", status), attribute.String("pinwright.request_id", e.requestID))
		if e.operation != "" {
			e.span.SetAttributes(attribute.String("pinwright.operation", e.operation))
		}
		if e.problem != "" {
			e.span.SetAttributes(attribute.String("pinwright.problem", e.problem))
		}
		if e.replayed {
			e.span.SetAttributes(attribute.Bool("pinwright.replayed", true))
		}
		if status >= 500 {
			e.span.SetAttributes(attribute.String("error.type", e.problem))
			e.span.SetStatus(codes.Error, "")
		}
	}
	e.span.End()
}

// traces reports whether a span begun in ctx would be kept.
func (s *Server) traces(ctx context.Context) bool {
	return s.tracer != nil && trace.SpanFromContext(ctx).IsRecording()
}

func (s *Server) traceTransaction(ctx context.Context, writes bool) context.Context {
	if !s.traces(ctx) {
		return ctx
	}
	ctx, _ = s.tracer.Start(ctx, kindOf(writes)+" transaction")
	return ctx
}

func (s *Server) endTransaction(ctx context.Context, outcome string) {
	if !s.traces(ctx) {
		return
	}
	span := trace.SpanFromContext(ctx)
	span.SetAttributes(attribute.String("pinwright.outcome", outcome))
	span.End()
}

func (s *Server) traceRetry(ctx context.Context, sqlstate string) {
	if s.traces(ctx) {
		trace.SpanFromContext(ctx).AddEvent("retry", trace.WithAttributes(attribute.String("db.response.status_code", sqlstate)))
	}
}

func (s *Server) traceTrip(ctx context.Context, trip postgres.Trip, statements int) context.Context {
	if !s.traces(ctx) {
		return ctx
	}
	name := string(trip)
	if e := eventIn(ctx); e != nil && e.operation != "" {
		name = e.operation + " " + name
	}
	ctx, _ = s.tracer.Start(ctx, name, trace.WithSpanKind(trace.SpanKindClient), trace.WithAttributes(
		attribute.String("db.system.name", "postgresql"), attribute.String("db.operation.name", string(trip)), attribute.Int("db.operation.batch.size", statements)))
	return ctx
}

func (s *Server) endTrip(ctx context.Context, sqlstate string, err error) {
	if !s.traces(ctx) {
		return
	}
	span := trace.SpanFromContext(ctx)
	if err != nil { // its text may quote a value of a row
		kind := sqlstate
		if sqlstate == "" {
			kind = "_OTHER"
		} else {
			span.SetAttributes(attribute.String("db.response.status_code", sqlstate))
		}
		span.SetAttributes(attribute.String("error.type", kind))
		span.SetStatus(codes.Error, "")
	}
	span.End()
}
