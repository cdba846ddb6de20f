package api

import (
	"encoding/hex"
	"fmt"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/recommend"
)

func factorOut(value float64, d recommend.FactorDetail) FormFactor {
	return FormFactor{Factor: value, Low: d.Low, High: d.High, Sections: d.Sections, Weight: d.Weight}
}

func formPriorOut(p recommend.FormPrior, unit string) FormPrior {
	out := FormPrior{Id: p.ID, TemplateId: p.TemplateID, TemplateCode: p.TemplateCode, Shape: Shape(p.Shape), Position: present(p.Position), Version: p.Version,
		CreatedAt: p.CreatedAt, MadeBy: p.MadeBy, Features: p.Features, Readings: p.Readings, Gains: p.Gains,
		BellMouth: factorOut(p.BellMouth, p.Detail.BellMouth), Ovality: factorOut(p.Ovality, p.Detail.Ovality), Surface: factorOut(p.Surface, p.Detail.Surface),
		WearMiddle: micrometresOut(p.Detail.Centre, unit), WearSpread: micrometresOut(p.Detail.Spread, unit), Engine: p.Engine, Digest: hex.EncodeToString(p.Digest)}
	if p.Features+p.Gains == 0 {
		out.Summary = "The club has read no feature of this kind yet, so the defaults stand as they are."
		return out
	}
	out.Summary = fmt.Sprintf("By %d features and %d readings, features of this kind have %.2f times the bell mouth and %.2f times the ovality of the default (the readings' share in these: %.0f %% and %.0f %%).",
		p.Features, p.Readings, p.BellMouth, p.Ovality, 100*p.Detail.BellMouth.Weight, 100*p.Detail.Ovality.Weight)
	return out
}

// CreateFormPrior implements the contract.
func (s *Server) CreateFormPrior(c echo.Context, _ InClub, _ CreateFormPriorParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[FormPriorIn](in)
		history := recommend.QueueHistory(b, body.Template, string(body.Shape), body.Position)
		return func(tx *postgres.Tx) (answer, error) {
			p, fresh, err := history.Learn(newID(), in.caller.MemberID, tx.Now)
			if err != nil {
				return answer{}, err
			}
			out := formPriorOut(p, in.caller.Units)
			if !fresh {
				return ok(out).versioned(1, in.caller.Units), nil
			}
			recommend.AddFormPrior(tx, p)
			return created(in.path("form-priors", p.ID.String()), out).versioned(1, in.caller.Units), nil
		}
	})
}

// ListFormPriors implements the contract.
func (s *Server) ListFormPriors(c echo.Context, _ InClub, params ListFormPriorsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := recommend.ListFormPriors(b, params.Template, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(x recommend.FormPrior) []string { return []string{x.ID.String()} })
			return in.listed(FormPriorPage{Items: each(items, func(x recommend.FormPrior) FormPrior { return formPriorOut(x, in.caller.Units) }), Next: next}, next), nil
		}
	})
}

// GetFormPrior implements the contract.
func (s *Server) GetFormPrior(c echo.Context, _ InClub, id InFormPrior, _ GetFormPriorParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := recommend.FindFormPriors(b, []uuid.UUID{id})
		return func() (answer, error) {
			p, err := row.One()
			if err != nil {
				return answer{}, err
			}
			return ok(formPriorOut(p, in.caller.Units)).versioned(1, in.caller.Units), nil
		}
	})
}

// namedPriors looks the versions up that a recommendation names.
func namedPriors(b *postgres.Batch, ids *[]Id) *postgres.Rows[recommend.FormPrior] {
	if ids == nil {
		return nil
	}
	return recommend.FindFormPriors(b, *ids)
}

// everyPriorThere holds the versions named against what was found and against
// the joints.
func everyPriorThere(ids *[]Id, s *recommend.Snapshot) error {
	var faults []problem.Fault
	for i, id := range or(ids, nil) {
		at := fmt.Sprintf("/form_priors/%d", i)
		found, fits := false, false
		for _, p := range s.Named.Items {
			if p.ID != id {
				continue
			}
			found = true
			for _, j := range s.Joints.Items {
				fits = fits || j.TemplateID == p.TemplateID && (p.Position == "" || p.Position == j.Position)
			}
		}
		switch {
		case !found:
			faults = append(faults, problem.Fault{Pointer: at, Detail: "there is no such version in this club; GET /form-priors lists them"})
		case !fits:
			faults = append(faults, problem.Fault{Pointer: at, Detail: "was learned of another kind than these joints are of; leave it out"})
		}
	}
	if len(faults) > 0 {
		return problem.Invalid(faults...)
	}
	return nil
}

func priorUsedOut(p recommend.PriorUsed, unit string) PriorUsed {
	out := PriorUsed{FeatureId: p.Feature.ID, Source: PriorUsedSource(p.Source), BellMouth: micrometresOut(p.BellMouth, unit), Ovality: micrometresOut(p.Ovality, unit),
		Surface: micrometresOut(p.Surface, unit), Text: p.Text(length.Unit(unit))}
	if l := p.Learned; l != nil {
		out.FormPriorId, out.Version, out.Digest = &l.ID, &l.Version, pointerTo(hex.EncodeToString(l.Digest))
		out.Features, out.Readings = l.Features, l.Readings
	}
	return out
}

func outlierOut(x recommend.Outlier, unit string) OutlierReading {
	return OutlierReading{ReadingId: x.Reading, FeatureId: x.Feature.ID, Partner: x.Partner, Probability: x.Probability, Threshold: x.Threshold,
		MovesPassingSize: micrometresOut(x.Passing, unit), MovesCleanUpSize: micrometresOut(x.CleanUp, unit), MovesCleanUpHigh: micrometresOut(x.CleanUpHigh, unit), Text: x.Text(length.Unit(unit))}
}

func outliersOut(list []recommend.Outlier, unit string) *[]OutlierReading {
	if list == nil {
		return nil
	}
	return pointerTo(each(list, func(x recommend.Outlier) OutlierReading { return outlierOut(x, unit) }))
}

func disputesOut(list []recommend.Dispute, unit string) []ContradictoryReadings {
	return each(list, func(d recommend.Dispute) ContradictoryReadings {
		settle := SettlingReading{Kind: SettlingReadingKindGauge, Power: d.Settle.Power, Text: d.Settle.Text(length.Unit(unit))}
		if d.Settle.Again != nil {
			settle.Kind, settle.Again, settle.Direction, settle.With = SettlingReadingKindMeasure, d.Settle.Again, d.Settle.Direction, present(d.Settle.With)
			if d.Settle.Station != "" {
				settle.Station = pointerTo(Station(d.Settle.Station))
			}
		} else {
			settle.Gauge, settle.End = pointerTo(micrometresOut(d.Settle.Gauge, unit)), pointerTo(SettlingReadingEnd(d.Settle.End))
		}
		return ContradictoryReadings{FeatureId: d.Feature.ID, First: d.First, Second: d.Second, Text: d.Text(length.Unit(unit)), Settle: settle,
			PassingWithoutFirst: micrometresOut(d.WithoutFirst, unit), PassingWithoutSecond: micrometresOut(d.WithoutSecond, unit)}
	})
}
