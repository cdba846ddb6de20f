package api

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"regexp"
	"runtime/debug"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"go.opentelemetry.io/otel/trace"

	"pinwright/internal/quota"
)

// event is what the one log line of a request says. It is never sampled and
// holds no secret, no name and nothing that the client wrote but its request id
// and its trace id, both of a fixed form.
type event struct {
	requestID    string
	traceID      string // of the client's traceparent, or of our own trace
	operation    string // as in the contract
	club, member uuid.UUID
	token        uuid.UUID
	usedOn       *time.Time
	problem      string
	// credential is what the caller signed in with, where the rate limit does not
	// know it as good yet.
	credential *quota.Credential
	cause      error
	replayed   bool
	bytesIn    int64

	trips, retries int
	database       time.Duration // in round trips, without the wait for a connection

	span trace.Span // nil when nothing is traced
}

const eventKey = "pinwright.event"

func eventOf(c echo.Context) *event {
	if e, ok := c.Get(eventKey).(*event); ok {
		return e
	}
	e := &event{requestID: uuid.NewString()}
	c.Set(eventKey, e)
	return e
}

// eventContext carries the event to where only a context arrives.
type eventContext struct{}

// context is the request's context with its event, and its span where there is
// one.
func (e *event) context(ctx context.Context) context.Context {
	ctx = context.WithValue(ctx, eventContext{}, e)
	if e.span != nil {
		ctx = trace.ContextWithSpan(ctx, e.span)
	}
	return ctx
}

// eventIn is the event of the request that ctx is of; nil beside requests.
func eventIn(ctx context.Context) *event {
	e, _ := ctx.Value(eventContext{}).(*event)
	return e
}

var requestID = regexp.MustCompile(`^[A-Za-z0-9_-]{8,64}$`)

// observe names the request, recovers from panics, writes its one log event,
// counts and traces it.
func (s *Server) observe(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		start := time.Now()
		e := eventOf(c)
		r := c.Request()
		if id := r.Header.Get("X-Request-Id"); requestID.MatchString(id) {
			e.requestID = id
		}
		h := c.Response().Header()
		for name, value := range s.safe {
			h[name] = value
		}
		h.Set("X-Request-Id", e.requestID)
		method, route := metricMethod(r.Method), routeOf(c)
		s.traceRequest(e, r, method, route)
		s.metrics.inFlight.Inc()
		defer s.metrics.inFlight.Dec()
		if err := protect(next, c); err != nil {
			s.fail(err, c)
		}
		took, status := time.Since(start), c.Response().Status
		s.metrics.served(e, method, route, status, took, c.Response().Size)
		e.endTrace(status)
		s.log.LogAttrs(r.Context(), levelOf(status), "request", e.attrs(r.Method, route, status, took, c.Response().Size)...)
		return nil
	}
}

// routeOf is the template of the route, empty for an address that is none.
func routeOf(c echo.Context) string {
	route := c.Path()
	if route == "" || route == "/*" {
		return ""
	}
	return route
}

func levelOf(status int) slog.Level {
	if status >= 500 {
		return slog.LevelError
	}
	return slog.LevelInfo
}

func (e *event) attrs(method, route string, status int, took time.Duration, bytesOut int64) []slog.Attr {
	attrs := make([]slog.Attr, 0, 20)
	attrs = append(attrs, slog.String("request_id", e.requestID))
	if e.traceID != "" {
		attrs = append(attrs, slog.String("trace_id", e.traceID))
	}
	attrs = append(attrs, slog.String("method", clip(method)), slog.String("route", route))
	if e.operation != "" {
		attrs = append(attrs, slog.String("operation", e.operation))
	}
	attrs = append(attrs, slog.Int("status", status), slog.Float64("duration_seconds", took.Seconds()),
		slog.Int64("bytes_in", e.bytesIn), slog.Int64("bytes_out", bytesOut))
	if e.trips > 0 {
		attrs = append(attrs, slog.Int("round_trips", e.trips), slog.Float64("database_seconds", e.database.Seconds()))
	}
	if e.retries > 0 {
		attrs = append(attrs, slog.Int("retries", e.retries))
	}
	if e.club != uuid.Nil {
		attrs = append(attrs, slog.String("club", e.club.String()))
	}
	if e.member != uuid.Nil {
		attrs = append(attrs, slog.String("member", e.member.String()))
	}
	if e.problem != "" {
		attrs = append(attrs, slog.String("problem", e.problem))
	}
	if e.cause != nil {
		attrs = append(attrs, slog.String("cause", e.cause.Error()))
	}
	if e.replayed {
		attrs = append(attrs, slog.Bool("replayed", true))
	}
	return attrs
}

// clip bounds what a client may write into the log as a method.
func clip(method string) string {
	if len(method) > 16 {
		return method[:16] + "…"
	}
	return method
}

// protect turns a panic into an error with its stack, for the log only.
func protect(next echo.HandlerFunc, c echo.Context) (err error) {
	defer func() {
		if r := recover(); r != nil {
			if r == http.ErrAbortHandler { //nolint:errorlint // compared as net/http does
				panic(r)
			}
			err = fmt.Errorf("panic: %v\n%s", r, debug.Stack())
		}
	}()
	return next(c)
}

// metricMethod bounds the label, as the OpenTelemetry conventions do: a client
// may send any method at all.
func metricMethod(m string) string {
	switch m {
	case "GET", "POST", "PATCH", "DELETE", "HEAD", "OPTIONS", "PUT":
		return m
	}
	return "_OTHER"
}
