package api

import (
	"context"
	"time"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/trace"
)

// What the engine works out.
const (
	recommending = "recommendation"
	estimating   = "estimate"
	cleaningUp   = "clean_up"
)

// workload says how much went into a run of the engine and what came out.
type workload struct {
	joints, features, readings int
	decision                   string
}

// timed measures one run of the engine and traces it with its workload.
func (s *Server) timed(ctx context.Context, calculation string, run func() (workload, error)) error {
	began := time.Now()
	var span trace.Span
	if s.traces(ctx) {
		_, span = s.tracer.Start(ctx, "engine "+calculation)
	}
	w, err := run()
	s.metrics.engine.WithLabelValues(calculation).Observe(time.Since(began).Seconds())
	if span != nil {
		span.SetAttributes(attribute.Int("pinwright.joints", w.joints), attribute.Int("pinwright.features", w.features), attribute.Int("pinwright.readings", w.readings))
		if w.decision != "" {
			span.SetAttributes(attribute.String("pinwright.decision", w.decision))
		}
		if err != nil { // a question that cannot be answered is no fault of the engine, but its time counts
			span.SetStatus(codes.Error, "")
		}
		span.End()
	}
	return err
}
