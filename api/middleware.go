package api

import (
	"context"
	"errors"
	"net/http"

	"github.com/labstack/echo/v4"

	"pinwright/internal/problem"
)

// guard bounds the time of a request.
func (s *Server) guard(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		limit := s.limits.Request
		if op := s.contract.byRoute[c.Request().Method+" "+c.Path()]; op != nil && op.MaxBody > 0 {
			limit += s.limits.Upload
		}
		ctx, cancel := context.WithTimeout(c.Request().Context(), limit)
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
	if in.op.isPublic() {
		return invalid
	}
	return s.look(in, invalid, nil)
}
