package api

import (
	"errors"
	"fmt"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/severity"
	"pinwright/internal/cutting"
	"pinwright/internal/plot"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// GetWearByCutting implements the contract.
func (s *Server) GetWearByCutting(c echo.Context, _ InClub) error {
	return s.read(c, func(b *postgres.Batch, _ *call) func() (answer, error) {
		known := cutting.QueueAll(b)
		return func() (answer, error) {
			out, err := wearByCutting(known)
			return ok(out), err
		}
	})
}

// GetWearByCuttingPicture implements the contract.
func (s *Server) GetWearByCuttingPicture(c echo.Context, _ InClub, params GetWearByCuttingPictureParams) error {
	return s.read(c, func(b *postgres.Batch, _ *call) func() (answer, error) {
		known := cutting.QueueAll(b)
		return func() (answer, error) {
			out, err := wearByCutting(known)
			if err != nil {
				return answer{}, err
			}
			drawing := plot.Ratios{Title: "Wear by cutting", Summary: out.Summary, Coverage: cutting.Coverage}
			group := func(what string, reference *string, list []CuttingRatio) {
				if len(list) == 0 {
					return
				}
				g := plot.RatioGroup{Name: what + ", against " + spelt(*reference)}
				for _, r := range list {
					g.Rows = append(g.Rows, plot.RatioRow{Name: spelt(r.Level), Ratio: r.Ratio, Low: r.Low, High: r.High, Told: r.Told})
				}
				drawing.Groups = append(drawing.Groups, g)
			}
			group("Lubricants", out.LubricantReference, out.Lubricants)
			group("Materials", out.MaterialReference, out.Materials)
			return drawnInClub(drawing.SVG(schemeOf(params.Scheme))), nil
		}
	})
}

func spelt(level string) string { return strings.ReplaceAll(level, "_", " ") }

func metreWith(lubricant string) string {
	if lubricant == "dry" {
		return "cut dry"
	}
	return "cut with " + spelt(lubricant)
}

func metreIn(material string) string { return "cut in " + spelt(material) }

func wearByCutting(known *cutting.Known) (WearByCutting, error) {
	w, err := known.WearByCutting()
	if errors.Is(err, severity.ErrLevels) {
		return WearByCutting{}, problem.New(problem.NotAllowedNow, "There are more than %d lubricants and materials on record beside the usual ones, which is too many to tell apart.", severity.MostLevels)
	}
	if err != nil {
		return WearByCutting{}, err
	}
	lubricants, materials := map[string]float64{}, map[string]float64{}
	for way, metres := range w.Metres {
		lubricants[way.Lubricant] += metres
		materials[way.Material] += metres
	}
	var told []string
	list := func(ratios []severity.Ratio, reference string, cut func(string) string, metres map[string]float64) []CuttingRatio {
		return each(ratios, func(r severity.Ratio) CuttingRatio {
			if r.Told {
				told = append(told, fmt.Sprintf("a metre %s took %.2g times as much as one %s (%.2g to %.2g)", cut(r.Level), r.Ratio, cut(reference), r.Low, r.High))
			}
			return CuttingRatio{Level: r.Level, Ratio: fine(r.Ratio), Low: fine(r.Low), High: fine(r.High), Told: r.Told, Metres: fine(metres[r.Level])}
		})
	}
	out := WearByCutting{LubricantReference: present(w.LubricantReference), MaterialReference: present(w.MaterialReference), Reamers: w.Reamers, HolesSeen: w.Holes, MixedLives: w.Lives,
		Lubricants: list(w.Lubricants, w.LubricantReference, metreWith, lubricants), Materials: list(w.Materials, w.MaterialReference, metreIn, materials), Warnings: []Text{}, Assumed: []Text{}}
	switch {
	case len(told) > 0:
		out.Summary = strings.ToUpper(told[0][:1]) + strings.Join(told, "; ")[1:] + "."
	case len(out.Lubricants)+len(out.Materials) == 0:
		out.Summary = "No two ways of cutting are on record to compare."
	default:
		out.Summary = fmt.Sprintf("Nothing can be told apart yet from %s of %s.", plural(w.Holes, "size"), plural(w.Reamers, "reamer"))
	}
	if lubricants[""]+materials[""] > 0 {
		out.Warnings = append(out.Warnings, Text{Code: "cutting_not_noted", Text: "Of some holes no lubricant or no material is on record; they were taken as cut with the reference."})
	}
	if len(out.Lubricants)+len(out.Materials) > 0 {
		out.Assumed = append(out.Assumed, Text{Code: "assumed_ratio_prior", Text: "Before anything was seen a way of cutting was taken to wear as much as the reference, within a factor of four either way with 95 % (common practice, no published source). How fast each reamer wears by itself was left open."},
			Text{Code: "assumed_ratios_multiply", Text: "Lubricant and material were taken to multiply."})
	}
	return out, nil
}
