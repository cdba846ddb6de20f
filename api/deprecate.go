package api

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/labstack/echo/v4"
)

// deprecation is what x-deprecated says of an operation or a parameter.
type deprecation struct {
	since   time.Time
	sunset  time.Time // zero while it is not known
	instead string
}

func readDeprecation(extension any) (deprecation, error) {
	var d deprecation
	x, ok := extension.(map[string]any)
	if !ok {
		return d, fmt.Errorf("x-deprecated is no object")
	}
	var err error
	if d.since, err = time.Parse(time.DateOnly, fmt.Sprint(x["since"])); err != nil {
		return d, fmt.Errorf("x-deprecated: since: %w", err)
	}
	if x["sunset"] != nil {
		if d.sunset, err = time.Parse(time.DateOnly, fmt.Sprint(x["sunset"])); err != nil {
			return d, fmt.Errorf("x-deprecated: sunset: %w", err)
		}
	}
	d.instead, _ = x["instead"].(string)
	return d, nil
}

// readDeprecations reads what of op goes.
func (op *operation) readDeprecations() error {
	read := func(name string, extensions map[string]any) error {
		if extensions["x-deprecated"] == nil {
			return nil
		}
		d, err := readDeprecation(extensions["x-deprecated"])
		if err != nil {
			return err
		}
		if op.deprecated == nil {
			op.deprecated = map[string]deprecation{}
		}
		op.deprecated[name] = d
		return nil
	}
	if err := read("", op.spec.Extensions); err != nil {
		return err
	}
	for _, p := range op.params {
		if err := read(p.Value.Name, p.Value.Extensions); err != nil {
			return fmt.Errorf("%s: %w", p.Value.Name, err)
		}
	}
	return nil
}

// announce tells whoever asks for what is deprecated: since when (RFC 9745), until
// when (RFC 8594), and where to read what to use instead, and counts it. Of several
// things the earliest times are told.
func (s *Server) announce(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		op := s.contract.byRoute[c.Request().Method+" "+c.Path()]
		if op == nil || op.deprecated == nil {
			return next(c)
		}
		var since, sunset time.Time
		earlier := func(t *time.Time, other time.Time) {
			if !other.IsZero() && (t.IsZero() || other.Before(*t)) {
				*t = other
			}
		}
		links := []string{"</reference#op-" + op.ID + `>; rel="deprecation"; type="text/html"`}
		used := false
		for _, name := range slices.Sorted(maps.Keys(op.deprecated)) {
			d := op.deprecated[name]
			if name != "" && !op.sent(c.Request(), name) {
				continue
			}
			used = true
			s.metrics.leaving.WithLabelValues(op.ID, name).Inc()
			earlier(&since, d.since)
			earlier(&sunset, d.sunset)
			if to := fillIn(d.instead, c); strings.HasPrefix(to, "/") && !strings.ContainsAny(to, "{}") {
				links = append(links, "<"+to+`>; rel="successor-version"`)
			}
		}
		if !used {
			return next(c)
		}
		h := c.Response().Header()
		h.Set("Deprecation", fmt.Sprintf("@%d", since.Unix()))
		if !sunset.IsZero() {
			h.Set("Sunset", sunset.Format(http.TimeFormat))
		}
		c.Response().Before(func() { // behind what the handler says of pages
			for _, link := range links {
				h.Add("Link", link)
			}
		})
		return next(c)
	}
}

// sent reports whether a request carries the query parameter or header.
func (op *operation) sent(r *http.Request, name string) bool {
	for _, p := range op.params {
		if p.Value.Name != name {
			continue
		}
		switch p.Value.In {
		case openapi3.ParameterInQuery:
			return r.URL.Query().Has(name)
		case openapi3.ParameterInHeader:
			return r.Header.Get(name) != ""
		}
	}
	return false
}

// fillIn puts the values of this request's path parameters into another path.
func fillIn(path string, c echo.Context) string {
	for i, name := range c.ParamNames() {
		path = strings.ReplaceAll(path, "{"+name+"}", url.PathEscape(c.ParamValues()[i]))
	}
	return path
}
