package api

import (
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/postgres"
	"pinwright/internal/search"
)

var matchNames = map[search.Match]SearchHitMatch{search.Exact: "exact", search.Prefix: "prefix", search.Alike: "alike"}

// listOf is where things of a kind stand.
func listOf(kind string) string {
	if kind == "pin_series" {
		return "pin-series"
	}
	return strings.ReplaceAll(kind, "_", "-") + "s"
}

// Search implements the contract.
func (s *Server) Search(c echo.Context, _ InClub, params SearchParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		kinds := search.Kinds()
		if params.Kind != nil {
			kinds = each(*params.Kind, func(k SearchKind) string { return string(k) })
		}
		found := search.Names(b, params.Q, kinds, or(params.Limit, 20))
		return func() (answer, error) {
			hits := each(found.Items(), func(h search.Hit) SearchHit {
				return SearchHit{Kind: SearchKind(h.Kind), Id: h.ID, Code: h.Code, Name: h.Name, Vehicle: h.Vehicle,
					Match: matchNames[h.Place], Likeness: significant(float64(h.Likeness)), Path: in.path(listOf(h.Kind), h.ID.String())}
			})
			return ok(SearchResult{Items: hits}), nil
		}
	})
}
