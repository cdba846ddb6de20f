package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"regexp"
	"runtime/debug"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/problem"
)

// event is what the one log line of a request says.
type event struct {
	requestID    string
	club, member uuid.UUID
	token        uuid.UUID
	usedOn       *time.Time
	problem      string
	cause        error
	replayed     bool
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

var requestID = regexp.MustCompile(`^[A-Za-z0-9_-]{8,64}$`)

// observe names the request, recovers from panics, writes its one log event
// and counts it.
func (s *Server) observe(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		start := time.Now()
		e := eventOf(c)
		if id := c.Request().Header.Get("X-Request-Id"); requestID.MatchString(id) {
			e.requestID = id
		}
		h := c.Response().Header()
		h.Set("X-Request-Id", e.requestID)
		h.Set("X-Content-Type-Options", "nosniff")
		s.metrics.inFlight.Inc()
		defer s.metrics.inFlight.Dec()
		if err := protect(next, c); err != nil {
			s.fail(err, c)
		}
		took := time.Since(start)
		status := c.Response().Status
		route := c.Path()
		if route == "" {
			route = "unmatched"
		}
		s.metrics.duration.WithLabelValues(metricMethod(c.Request().Method), route, strconv.Itoa(status)).Observe(took.Seconds())
		level := slog.LevelInfo
		if status >= 500 {
			level = slog.LevelError
		}
		attrs := []slog.Attr{
			slog.String("request_id", e.requestID), slog.String("method", c.Request().Method), slog.String("route", route),
			slog.Int("status", status), slog.Duration("duration", took), slog.Int64("bytes", c.Response().Size),
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
		s.log.LogAttrs(c.Request().Context(), level, "request", attrs...)
		return nil
	}
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

// metricMethod bounds the label: a client may send any method at all.
func metricMethod(m string) string {
	switch m {
	case "GET", "POST", "PATCH", "DELETE", "HEAD", "OPTIONS", "PUT":
		return m
	}
	return "other"
}

// guard bounds the time of a request.
func (s *Server) guard(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		ctx, cancel := context.WithTimeout(c.Request().Context(), s.limits.Request)
		defer cancel()
		c.SetRequest(c.Request().WithContext(ctx))
		return next(c)
	}
}

// fail answers every error, the router's and the binder's included.
func (s *Server) fail(err error, c echo.Context) {
	var routed *echo.HTTPError
	if errors.As(err, &routed) {
		switch {
		case routed.Code == http.StatusMethodNotAllowed:
			err = problem.New(problem.MethodNotAllowed, "This address takes %s.", c.Response().Header().Get("Allow"))
		case routed.Code == http.StatusNotFound:
			err = errNowhere
		case routed.Code == http.StatusBadRequest && s.contract.byRoute[c.Request().Method+" "+c.Path()] != nil:
			// A parameter that the generated binder cannot read: authentication, club
			// and role still come first.
			err = s.unbound(c, routed)
		}
	}
	writeProblem(c, err)
}

func (s *Server) unbound(c echo.Context, routed *echo.HTTPError) error {
	in, invalid, err := s.begin(c)
	if err != nil {
		return err
	}
	if invalid == nil {
		invalid = s.readKey(in)
	}
	if invalid == nil {
		invalid = in.needIfMatch()
	}
	if invalid == nil {
		invalid = &problem.Error{Kind: problem.InvalidRequest, Detail: "A parameter does not fit the contract; the reference shows its form.", Cause: routed}
	}
	if in.op.Roles == nil {
		return invalid
	}
	return s.look(in, invalid, nil)
}
