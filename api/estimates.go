package api

import (
	"crypto/sha256"
	"encoding/hex"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/recommend"
)

func remarkOut(r recommend.Remark) Text {
	t := Text{Code: r.Code, Text: r.Text}
	if len(r.Params) > 0 {
		t.Params = &r.Params
	}
	return t
}

func remarksOut(list []recommend.Remark) []Text { return each(list, remarkOut) }

func sizeOut(s recommend.Size, unit string) EstimatedSize {
	out := EstimatedSize{Median: micrometresOut(s.Median, unit), Low: micrometresOut(s.Low, unit), High: micrometresOut(s.High, unit),
		Probability: recommend.Coverage, Text: s.Text(length.Unit(unit))}
	if len(s.Quantiles) > 0 {
		list := each(s.Quantiles, func(q recommend.Quantile) SizeQuantile {
			return SizeQuantile{P: q.P, Size: micrometresOut(q.Size, unit)}
		})
		out.Quantiles = &list
	}
	return out
}

func estimateOut(e recommend.FeatureEstimate, unit string) Estimate {
	out := Estimate{FeatureId: e.Feature.ID, Readings: append([]Id{}, e.Readings...), PassingSize: sizeOut(e.Passing, unit), CleanUpSize: sizeOut(e.CleanUp, unit),
		Engine: recommend.Engine, Summary: e.Summary, DoNext: remarksOut(e.DoNext), Warnings: remarksOut(e.Warnings), Assumed: remarksOut(e.Assumed),
		Prior: priorUsedOut(e.Prior, unit), Outliers: outliersOut(e.Outliers, unit), Contradictions: disputesOut(e.Disputes, unit)}
	if e.Original != nil {
		original := sizeOut(*e.Original, unit)
		out.OriginalSize = &original
	}
	if e.PinStep != nil {
		out.PinStep = &PinStepGuess{Step: e.PinStep.Code, Probability: e.PinStep.Probability, Text: e.Summary}
	}
	if len(e.Budgets) > 0 {
		budgets := each(e.Budgets, func(x recommend.Budget) ReadingBudget {
			return ReadingBudget{ReadingId: x.ReadingID, U: micrometresOut(x.U, unit), Lines: each(x.Lines, func(l recommend.BudgetLine) BudgetLine {
				return BudgetLine{Source: l.Source, U: micrometresOut(l.U, unit), Shared: l.Shared}
			})}
		})
		out.Budgets = &budgets
	}
	return out
}

// GetEstimate implements the contract.
func (s *Server) GetEstimate(c echo.Context, _ InClub, feature InFeature, params GetEstimateParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		snapshot := recommend.QueueFeature(b, feature)
		return func() (answer, error) {
			unit := in.caller.Units
			var e recommend.FeatureEstimate
			err := s.timed(in.ctx, estimating, func() (w workload, err error) {
				w = workload{joints: len(snapshot.Joints.Items), features: len(snapshot.Features.Items), readings: len(snapshot.Readings.Items)}
				snapshot.Stop = in.abandoned
				e, err = recommend.EstimateFeature(snapshot, feature, length.Unit(unit))
				return w, err
			})
			if err != nil {
				return answer{}, err
			}
			out := estimateOut(e, unit)
			out.Explanation = explained(params.Explain, e.Derivation)
			return ok(out).tagged(out, unit)
		}
	})
}

// tagged adds an ETag made from the answer itself: it has no version, but equal
// bytes are equal.
func (a answer) tagged(body any, units string) (answer, error) {
	text, err := render(body)
	if err != nil {
		return a, err
	}
	sum := sha256.Sum256(text)
	return a.with("ETag", `"`+hex.EncodeToString(sum[:12])+"."+units+`"`), nil
}
