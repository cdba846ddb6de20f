package api

import (
	"crypto/sha256"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/netip"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/quota"
)

// ration holds every client to its rate before anything is done for it; the
// database is not asked. What watches the service is exempt.
func (s *Server) ration(next echo.HandlerFunc) echo.HandlerFunc {
	if s.quota == nil {
		return next
	}
	policy := s.quota.Policy()
	return func(c echo.Context) error {
		if s.unlimited(c) {
			return next(c)
		}
		var credential *quota.Credential
		if text := s.shown(c); text != "" {
			digest := quota.Credential(sha256.Sum256([]byte(text)))
			credential = &digest
		}
		v := s.quota.Take(s.now(), credential, clientAddress(c.Request(), s.proxies))
		h := c.Response().Header()
		h.Set("RateLimit-Policy", policy)
		h.Set("RateLimit", v.Field())
		if !v.Taken {
			s.metrics.refused.WithLabelValues("rate").Inc()
			return &problem.Error{Kind: problem.TooManyRequests, RetryAfter: v.Reset,
				Detail: "Wait as long as Retry-After says, then send the same request again. Batches and larger pages take fewer requests."}
		}
		if !v.Known {
			eventOf(c).credential = credential
		}
		return next(c)
	}
}

// unlimited reports whether a request is for what watches the service.
func (s *Server) unlimited(c echo.Context) bool {
	if c.Path() == "/metrics" {
		return true
	}
	op := s.contract.byRoute[c.Request().Method+" "+c.Path()]
	return op != nil && op.spec.Extensions["x-limited"] == false
}

// shown is what the caller shows to be let in, empty for what is open to everyone:
// credentials, or a secret in the address, so that who fetches the calendars of
// many from one place has a rate for each.
func (s *Server) shown(c echo.Context) string {
	op := s.contract.byRoute[c.Request().Method+" "+c.Path()]
	switch {
	case op == nil:
		return ""
	case op.Secret:
		return strings.Join(c.ParamValues(), "/")
	case op.isPublic():
		return ""
	}
	return credentials(c.Request())
}

// isPublic reports whether a request is for an operation that asks for no token:
// what is sent along is not looked at.
func (s *Server) isPublic(c echo.Context) bool {
	op := s.contract.byRoute[c.Request().Method+" "+c.Path()]
	return op == nil || op.isPublic()
}

// credentials is what the caller signs in with, without its scheme, so that other
// spellings of that are no other credentials.
func credentials(r *http.Request) string {
	_, text, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	return strings.TrimSpace(text)
}

// clientAddress is who asks: the peer, or, as far as the peer and those before it
// are trusted proxies, whom X-Forwarded-For names. Each proxy adds its peer at
// the end, so it is read from there; what stands before the first address that is
// not trusted may be made up.
func clientAddress(r *http.Request, proxies []netip.Prefix) netip.Addr {
	at := readAddress(r.RemoteAddr)
	trusted := func(a netip.Addr) bool {
		for _, p := range proxies {
			if p.Contains(a.Unmap()) {
				return true
			}
		}
		return false
	}
	named := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(named) - 1; i >= 0 && trusted(at); i-- {
		next := readAddress(strings.TrimSpace(named[i]))
		if !next.IsValid() {
			break
		}
		at = next
	}
	return at
}

// readAddress reads an address with or without a port; the zero address where
// there is none.
func readAddress(text string) netip.Addr {
	if a, err := netip.ParseAddrPort(text); err == nil {
		return a.Addr().Unmap()
	}
	a, err := netip.ParseAddr(strings.Trim(text, "[]"))
	if err != nil {
		return netip.Addr{}
	}
	return a.Unmap()
}

// serveOrShed turns requests for a club's data away while as many as may wait for
// the database. It looks before anything is read, routed or logged: at several
// times the peak most requests end here, and what they cost is taken from those
// that are served. Whatever passes is held to the same bound again where it takes
// a connection, so that a slow client holds no place.
func (s *Server) serveOrShed(w http.ResponseWriter, r *http.Request) {
	if !s.db.Full() || !strings.HasPrefix(r.URL.Path, "/v1/clubs/") || r.Method == http.MethodOptions {
		s.echo.ServeHTTP(w, r)
		return
	}
	s.metrics.refused.WithLabelValues("overload").Inc()
	if now := time.Now().Unix(); s.shedAt.Swap(now) != now { // a line for each would be most of the work
		s.log.LogAttrs(r.Context(), slog.LevelWarn, "more is asked than can be served; the metric pinwright_refused_requests_total counts what is refused")
	}
	id := r.Header.Get("X-Request-Id")
	if !requestID.MatchString(id) {
		id = uuid.NewString()
	}
	h := w.Header()
	for name, value := range s.safe {
		h[name] = value
	}
	h.Set("X-Request-Id", id)
	h.Set("Content-Type", problemType)
	h.Set("Retry-After", "1")
	h.Set("Vary", "Origin")
	letRead(h, r)
	w.WriteHeader(http.StatusServiceUnavailable)
	if r.Method != http.MethodHead {
		_, _ = w.Write([]byte(overloaded + id + `"}`)) //nolint:gosec // JSON, and the id is one of requestID; the client is gone when this fails
	}
}

// overloaded is the problem document of a request that is shed, up to its
// instance.
var overloaded = func() string {
	p := postgres.Busy(nil)
	doc, err := json.Marshal(map[string]any{"type": "/problems/" + p.Kind.Code, "title": p.Kind.Title, "status": p.Kind.Status, "detail": p.Detail})
	if err != nil {
		panic("api: " + err.Error()) // texts and numbers always marshal
	}
	return strings.TrimSuffix(string(doc), "}") + `,"instance":"`
}()
