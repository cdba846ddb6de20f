package api

import (
	"context"
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

// GetReadiness implements the contract. It looks at the database through the
// pool that serves, so that an exhausted pool shows.
func (s *Server) GetReadiness(c echo.Context) error {
	checks := map[string]string{"shutdown": "ok", "database": "ok", "schema": "ok"}
	status, code := HealthReportStatus("ok"), http.StatusOK
	fail := func(check, why string) {
		checks[check] = why
		status, code = "unavailable", http.StatusServiceUnavailable
	}
	if s.draining.Load() {
		fail("shutdown", "the service is shutting down")
	}
	ctx, cancel := context.WithTimeout(c.Request().Context(), 2*time.Second)
	defer cancel()
	if err := s.db.Pool.Ping(ctx); err != nil {
		fail("database", "the database does not answer")
	} else if s.ready != nil {
		if err := s.ready(ctx); err != nil {
			fail("schema", err.Error())
		}
	}
	if code != http.StatusOK {
		c.Response().Header().Set("Retry-After", "1")
	}
	return c.JSON(code, HealthReport{Status: status, Checks: &checks})
}
