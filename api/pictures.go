package api

import (
	"crypto/sha256"
	"encoding/hex"
	"math"
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/wornsize"
	"pinwright/internal/plot"
	"pinwright/internal/postgres"
	"pinwright/internal/reading"
	"pinwright/internal/recommend"
)

const svgType = "image/svg+xml"

// drawingPolicy lets a drawing that is opened by itself use its own style, and
// nothing else: no script, whatever a browser takes it for.
var drawingPolicy = "default-src 'none'; style-src " + plot.StylePolicy + "; frame-ancestors 'none'; sandbox"

// drawn is the answer that shows svg.
func drawn(svg []byte) answer {
	return answer{status: http.StatusOK, body: svg, headers: map[string]string{
		"Content-Type":            svgType,
		"Content-Disposition":     "inline",
		"Content-Security-Policy": drawingPolicy,
	}}
}

// drawnInClub is drawn for data of a club: with an ETag made of the bytes, and
// apart for each token, since members may share a browser.
func drawnInClub(svg []byte) answer {
	sum := sha256.Sum256(svg)
	return drawn(svg).with("ETag", `"`+hex.EncodeToString(sum[:12])+`"`).with("Vary", "Origin, Authorization") // see cross
}

// schemeOf is the scheme asked for.
func schemeOf[T ~string](asked *T) plot.Scheme {
	if asked == nil {
		return plot.Auto
	}
	return plot.Scheme(*asked)
}

// inUnit converts micrometres into a unit for drawing, where texts are made of
// lengths themselves.
func inUnit(um float64, unit string) float64 {
	return um / length.Unit(unit).Length().Micrometres()
}

// GetFeaturePicture implements the contract.
func (s *Server) GetFeaturePicture(c echo.Context, _ InClub, feature InFeature, params GetFeaturePictureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		snapshot := recommend.QueueFeature(b, feature)
		return func() (answer, error) {
			var e recommend.FeatureEstimate
			err := s.timed(in.ctx, estimating, func() (w workload, err error) {
				w = workload{joints: len(snapshot.Joints.Items), features: len(snapshot.Features.Items), readings: len(snapshot.Readings.Items)}
				e, err = recommend.EstimateFeature(snapshot, feature, length.Unit(in.caller.Units))
				return w, err
			})
			if err != nil {
				return answer{}, err
			}
			return drawnInClub(featureDrawing(e, snapshot, in.caller.Units).SVG(schemeOf(params.Scheme))), nil
		}
	})
}

// featureDrawing is what the picture of a feature shows.
func featureDrawing(e recommend.FeatureEstimate, s *recommend.Snapshot, unit string) plot.Feature {
	f := plot.Feature{Unit: unit, Summary: e.Summary, Title: featureTitle(e.Feature, s)}
	size := func(name, note string, of recommend.Size, law wornsize.Law) {
		perUnit := length.Unit(unit).Length().Micrometres()
		f.Sizes = append(f.Sizes, plot.Size{Name: name, Note: note, Text: of.Text(length.Unit(unit)),
			Median: inUnit(of.Median, unit), Low: inUnit(of.Low, unit), High: inUnit(of.High, unit),
			CDF: func(x float64) float64 { return law.CDF(x*perUnit - e.Nominal.Micrometres()) }})
	}
	if e.Original != nil {
		size("Made to", "by its unworn ends", *e.Original, e.Posterior.Original)
		size("Thinnest place", "what wear has left", e.CleanUp, e.Posterior.CleanUp)
	} else {
		size("Passing size", "largest pin that passes", e.Passing, e.Posterior.Passing)
		size("Clean-up size", "what a reamer must reach", e.CleanUp, e.Posterior.CleanUp)
	}
	for _, r := range s.Readings.Items {
		at := slices.IndexFunc(e.Budgets, func(b recommend.Budget) bool { return b.ReadingID == r.ID })
		if at >= 0 && slices.Contains(e.Readings, r.ID) {
			f.Readings = append(f.Readings, readingDrawing(r, e.Budgets[at], e.Feature.Shape == "pin", unit))
		}
	}
	for _, row := range e.Steps {
		step := plot.Step{Name: strings.ReplaceAll(row.Code, "_", " "), Pin: inUnit(length.Length(row.PinNm).Micrometres(), unit), Reamer: math.NaN()}
		if row.ReamerNm != nil && e.Original == nil {
			step.Reamer = inUnit(length.Length(*row.ReamerNm).Micrometres(), unit)
		}
		f.Steps = append(f.Steps, step)
	}
	return f
}

// featureTitle says which feature of what.
func featureTitle(f recommend.FeatureRow, s *recommend.Snapshot) string {
	title := strings.ReplaceAll(f.Code, "_", " ")
	for _, j := range s.Joints.Items {
		if j.ID == f.JointID {
			title += ", " + j.Position + " of " + j.VehicleCode
		}
	}
	return strings.ToUpper(title[:1]) + title[1:]
}

// short spells a size without the digits that only its exact conversion has.
func short(l length.Length, unit string) string {
	u := length.Unit(unit)
	if exact := l.Text(u); len(exact) <= len("0.35728 in") {
		return exact
	}
	return l.Rounded(u, computedPlaces[u])
}

// expansion is how far the bar of a reading reaches, in standard uncertainties: about
// 95 % (JCGM 100, 6.3.3).
const expansion = 2

func readingDrawing(r reading.Observation, b recommend.Budget, pin bool, unit string) plot.Reading {
	out := plot.Reading{Value: inUnit(b.Size.Micrometres(), unit)}
	detail := func(words ...*string) {
		for _, w := range words {
			if w != nil {
				out.Text += ", " + strings.ReplaceAll(*w, "_", " ")
			}
		}
	}
	if r.Kind == "measured" {
		out.Kind, out.U = plot.Measured, inUnit(expansion*b.U, unit)
		out.Text = b.Size.TextWithUncertainty(length.Unit(unit), length.FromMicrometres(expansion*b.U))
		detail(r.Station, r.Method)
		return out
	}
	// A bore is at least as large as what goes into it; a pin at most as large as what
	// goes over it.
	out.Kind = map[string]plot.Kind{"go": plot.AtLeast, "no_go": plot.AtMost, "starts": plot.Starts}[r.Kind]
	if pin {
		out.Kind = map[string]plot.Kind{"go": plot.AtMost, "no_go": plot.AtLeast, "starts": plot.AtLeast}[r.Kind]
	}
	out.Text = strings.ReplaceAll(r.Kind, "_", " ") + " " + short(r.Size, unit)
	if r.EndTried != nil && *r.EndTried != "both" {
		out.Text += ", end " + *r.EndTried
	}
	if r.PartLength != nil && *r.PartLength {
		out.Text += ", part of the length"
	}
	return out
}
