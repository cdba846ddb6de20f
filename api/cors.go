package api

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/problem"
)

// Pages of other origins (Fetch, “CORS protocol”). A club lists the origins whose
// pages may work for its members; which club that is, only the token says, and a
// preflight carries none. So a preflight is answered alike for every origin, from
// the contract alone, which gives nothing away; the request itself is refused
// unless the caller's club lists its origin, after the caller is known and before
// anything takes effect, and only then may the page read the answer. There are no
// cookies, so credentials are never allowed.
//
// A page of any origin may read what holds nothing of a club: calculators, the
// contract, and the refusals that are made before the caller is known.

// preflightAge is how long a browser need not ask again; Chromium keeps it no
// longer than this.
const preflightAge = 2 * time.Hour

// readable are the fields that pages may read beside those that every page may.
var readable = strings.Join([]string{"Deprecation", "ETag", "Idempotency-Replayed", "Link", "Location", "RateLimit", "RateLimit-Policy", "Retry-After", "Sunset", "WWW-Authenticate", "X-Request-Id"}, ", ")

// sendable is what a preflight allows: the methods and header fields of the
// contract.
type sendable struct{ methods, fields string }

func newSendable(c *contract) sendable {
	methods, fields := map[string]bool{}, map[string]bool{"Accept": true, "Authorization": true, "Content-Type": true, "Traceparent": true, "X-Request-Id": true}
	for route, op := range c.byRoute {
		method, _, _ := strings.Cut(route, " ")
		methods[method] = true
		for _, p := range op.params {
			if p.Value.In == openapi3.ParameterInHeader {
				fields[p.Value.Name] = true
			}
		}
	}
	list := func(set map[string]bool) string { return strings.Join(slices.Sorted(maps.Keys(set)), ", ") }
	return sendable{methods: list(methods), fields: list(fields)}
}

// cross answers preflights and lets every page read what is open to everyone.
func (s *Server) cross(next echo.HandlerFunc) echo.HandlerFunc {
	allowed := s.sendable // made once: the chain is put together for every request
	return func(c echo.Context) error {
		r, h := c.Request(), c.Response().Header()
		if r.Method == http.MethodOptions && r.Header.Get("Access-Control-Request-Method") != "" {
			h.Set("Vary", "Origin, Access-Control-Request-Method, Access-Control-Request-Headers")
			if origin := r.Header.Get("Origin"); club.IsOrigin(origin) {
				h.Set("Access-Control-Allow-Origin", origin)
				h.Set("Access-Control-Allow-Methods", allowed.methods)
				h.Set("Access-Control-Allow-Headers", allowed.fields)
				h.Set("Access-Control-Max-Age", strconv.Itoa(int(preflightAge.Seconds())))
			}
			return c.NoContent(http.StatusNoContent)
		}
		if s.isPublic(c) && !s.isSecret(c) {
			h.Set("Access-Control-Allow-Origin", "*")
			h.Set("Access-Control-Expose-Headers", readable)
		} else {
			h.Set("Vary", "Origin")
		}
		return next(c)
	}
}

// isSecret reports whether a request is for something that its address lets one
// see: it is of a club, and calendar programs read it, not pages.
func (s *Server) isSecret(c echo.Context) bool {
	op := s.contract.byRoute[c.Request().Method+" "+c.Path()]
	return op != nil && op.Secret
}

// letRead lets the page that asks read the answer.
func letRead(h http.Header, r *http.Request) {
	if origin := r.Header.Get("Origin"); club.IsOrigin(origin) && h.Get("Access-Control-Allow-Origin") == "" {
		h.Set("Access-Control-Allow-Origin", origin)
		h.Set("Access-Control-Expose-Headers", readable)
	}
}

// admitOrigin refuses a page of an origin that the caller's club does not list.
func (in *call) admitOrigin() error {
	r := in.echo.Request()
	origin := r.Header.Get("Origin")
	if origin == "" || origin == in.server.ownOrigin(r) {
		return nil
	}
	if !slices.Contains(in.caller.Origins, origin) {
		return problem.New(problem.OriginNotAllowed, "This request comes from a web page of another origin, which the club does not list. An officer can add the page's origin to `origins` of the club.")
	}
	letRead(in.echo.Response().Header(), r)
	return nil
}

// ownOrigin is the origin of the service's own pages: that of the public URL, or
// whatever the client reached it by.
func (s *Server) ownOrigin(r *http.Request) string {
	if u, err := url.Parse(s.publicURL); err == nil && u.Host != "" {
		return u.Scheme + "://" + u.Host
	}
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	return scheme + "://" + r.Host
}

// tellsNothing reports whether the problem may be read by a page of any origin: it
// holds nothing of any club, and without it a page could not tell an expired token
// from a broken line.
func tellsNothing(k problem.Kind) bool {
	switch k.Code {
	case problem.Unauthenticated.Code, problem.OriginNotAllowed.Code, problem.TooManyRequests.Code, problem.Unavailable.Code, problem.Internal.Code:
		return true
	}
	return false
}
