package api

import (
	"context"
	"errors"
	"time"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/trace"

	"pinwright/internal/calc/wornsize"
	"pinwright/internal/problem"
)

// What the engine works out.
const (
	recommending = "recommendation"
	estimating   = "estimate"
	cleaningUp   = "clean_up"
	foretelling  = "replacement_fund"
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
	err = stopped(err)
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

// abandoned reports that nobody waits for the answer any more; calculations ask
// it now and then, so that they do not run on for nobody.
func (in *call) abandoned() bool { return in.ctx.Err() != nil }

// stopped is the problem of a calculation that was abandoned; other errors pass.
func stopped(err error) error {
	if !errors.Is(err, wornsize.ErrStopped) {
		return err
	}
	return &problem.Error{Kind: problem.Unavailable, Detail: "This took longer than anybody waited for it. Send the request again, with fewer joints or readings at once.", RetryAfter: time.Second, Cause: err}
}
