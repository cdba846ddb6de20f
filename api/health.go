package api

import (
	"context"
	"errors"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"
)

// NewId implements the contract.
func (s *Server) NewId(c echo.Context) error {
	return c.String(http.StatusOK, newID().String()+"\n")
}

// GetLiveness implements the contract.
func (s *Server) GetLiveness(c echo.Context) error {
	return c.JSON(http.StatusOK, HealthReport{Status: "ok"})
}

// checkPassed is what a check of readiness says when nothing is wrong.
const checkPassed = "ok"

// ErrSchemaUnread is what Options.Ready returns when it could not tell whether
// the tables fit.
var ErrSchemaUnread = errors.New("the schema's version cannot be read: run pinwright migrate up")

// lively is how lately the database must have answered a request for the
// service to count as ready though no connection is free for asking: longer
// than a migration may wait for a lock, while all who want the table wait too.
const lively = 2 * time.Second

// readiness tells for each check that it passed or why it did not. It looks at
// the database through the pool that serves. A pool whose connections are all
// at work is no reason to look away: a balancer that took a busy replica out
// would send its load to the next one, until none is left.
func (s *Server) readiness(ctx context.Context) map[string]string {
	checks := map[string]string{"shutdown": checkPassed, "database": checkPassed, "schema": checkPassed}
	if s.draining.Load() {
		checks["shutdown"] = "the service is shutting down"
	}
	if s.db.Pool == nil {
		checks["database"] = "there is no database"
		return checks
	}
	answers := time.Since(time.Unix(0, s.answeredAt.Load())) < lively
	if err := s.db.Pool.Ping(ctx); err != nil {
		if ctx.Err() != nil && answers {
			return checks
		}
		checks["database"] = "the database does not answer"
	} else if s.ready != nil {
		err := s.ready(ctx)
		if err == nil {
			s.fitted.Store(true)
		}
		// A migration may hold the table of its version. Migrations go forward only, so
		// that tables which fitted once still fit.
		if err != nil && !(s.fitted.Load() && errors.Is(err, ErrSchemaUnread)) {
			checks["schema"] = err.Error()
		}
	}
	return checks
}

// GetReadiness implements the contract.
func (s *Server) GetReadiness(c echo.Context) error {
	ctx, cancel := context.WithTimeout(c.Request().Context(), time.Second)
	defer cancel()
	checks := s.readiness(ctx)
	report := HealthReport{Status: "ok", Checks: &checks}
	if len(s.beside) > 0 {
		report.Beside = &map[string]string{}
		for name, tell := range s.beside {
			(*report.Beside)[name] = tell()
		}
	}
	for _, why := range checks {
		if why != checkPassed {
			report.Status = "unavailable"
			c.Response().Header().Set("Retry-After", "1")
			return c.JSON(http.StatusServiceUnavailable, report)
		}
	}
	return c.JSON(http.StatusOK, report)
}
