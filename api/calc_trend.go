package api

import (
	"errors"
	"fmt"
	"time"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/trend"
	"pinwright/internal/problem"
)

// CalcTrend implements the contract.
func (s *Server) CalcTrend(c echo.Context, params CalcTrendParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[TrendIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		out, err := trendOf(ask, params.Units, params.Explain)
		return ok(out), err
	})
}

// trendOf answers a question of the calculator.
func trendOf(ask TrendIn, units *Units, explain *Explain) (Trend, error) {
	asked := &trendAsked{axis: axis{unit: TrendXUnitAny}}
	asked.read(ask)
	if len(asked.faults) > 0 {
		return Trend{}, problem.Invalid(asked.faults...)
	}
	found, err := trend.Solve(asked.question)
	if err != nil {
		at := "/points"
		if errors.Is(err, trend.ErrScale) {
			at = "/scale"
		}
		return Trend{}, problem.Invalid(faultOf(at, err))
	}
	unit := length.Micrometre
	switch {
	case units != nil:
		unit = length.Unit(*units)
	case len(ask.Points) > 0:
		unit = ask.Points[0].Value.Unit()
	}
	out := showTrend(asked.axis, unit).trend(found)
	out.Explanation = explained(explain, func() []derivation.Step { return found.Derivation(out.XUnit.code(), "um") })
	if ask.Scale == nil {
		text := Text{Code: "assumed_scale", Text: "The points have no uncertainties, so the scale was taken from their scatter."}
		if found.HasUncertain {
			text.Text = "The uncertainties were taken as true unless the scatter contradicts them."
		}
		out.Assumed = append(out.Assumed, text)
	}
	if found.HasUncertain && found.SharedU == 0 {
		out.Assumed = append(out.Assumed, Text{Code: "assumed_nothing_shared", Text: "The points' errors were taken as independent. Give what one instrument adds to all of them as shared_u: it moves the line, not its rate."})
	}
	return out, nil
}

// trendAsked is a question on its way to package trend, y in micrometres.
type trendAsked struct {
	axis
	question trend.Question
	faults   []problem.Fault
}

func (t *trendAsked) fault(pointer, detail string) {
	t.faults = append(t.faults, problem.Fault{Pointer: pointer, Detail: detail})
}

func (t *trendAsked) read(ask TrendIn) {
	if len(ask.Points) > 0 && ask.Points[0].On != nil {
		t.unit, t.from = TrendXUnitDay, ask.Points[0].On.Time
		for _, p := range ask.Points {
			if p.On != nil && p.On.Before(t.from) {
				t.from = p.On.Time
			}
		}
	}
	for i, p := range ask.Points {
		at := fmt.Sprintf("/points/%d", i)
		point := trend.Point{X: t.place(at, p.On, p.X), Y: p.Value.Length().Micrometres()}
		if p.U != nil {
			point.U = t.positive(at+"/u", *p.U)
		}
		if (p.U != nil) != (ask.Points[0].U != nil) {
			t.fault(at+"/u", "is a standard uncertainty: give it for all points or for none")
		}
		t.question.Points = append(t.question.Points, point)
	}
	for i, c := range or(ask.Changes, nil) {
		t.question.Breaks = append(t.question.Breaks, trend.Break{X: t.place(fmt.Sprintf("/changes/%d", i), c.On, c.X), Change: trend.Change(c.Change)})
	}
	if ask.Limit != nil {
		t.question.Limit = pointerTo(ask.Limit.Length().Micrometres())
	}
	if ask.SharedU != nil {
		t.question.SharedU = t.positive("/shared_u", *ask.SharedU)
	}
	if ask.ReadingU != nil {
		t.question.NewU = t.positive("/reading_u", *ask.ReadingU)
	}
	t.question.Scale, t.question.Coverage = trend.Scale(or(ask.Scale, "")), or(ask.Coverage, trend.DefaultCoverage)
	switch {
	case ask.Now != nil && ask.NowX != nil:
		t.fault("/now_x", "give now, a day, or now_x, a number, not both")
	case ask.Now != nil && len(ask.Points) > 0:
		t.question.Now = pointerTo(t.place("/now", ask.Now, nil))
	case ask.NowX != nil && len(ask.Points) > 0:
		t.question.Now = pointerTo(t.place("/now_x", nil, ask.NowX))
	}
}

// place is the x of a day or of a number, whichever the points have.
func (t *trendAsked) place(at string, on *openapi_types.Date, x *float64) float64 {
	switch dated := t.unit == TrendXUnitDay; {
	case (on == nil) == (x == nil):
		t.fault(at, "needs on, a day, or x, a number: one of the two")
	case dated && on == nil:
		t.fault(at, "the first point has a day as on, so a day is needed here too")
	case !dated && x == nil:
		t.fault(at, "the first point has a number as x, so a number is needed here too")
	case dated:
		return on.Sub(t.from).Hours() / float64(24*time.Hour/time.Hour)
	default:
		return *x
	}
	return 0
}

func (t *trendAsked) positive(at string, u LengthIn) float64 {
	if u.Length() <= 0 {
		t.fault(at, "must be over 0: no measurement is exact")
		return 1
	}
	return u.Length().Micrometres()
}

// code is the unit's UCUM code.
func (u TrendXUnit) code() string {
	switch u {
	case TrendXUnitDay:
		return "d"
	case "km":
		return "km"
	case "mi":
		return "[mi_i]"
	}
	return "1"
}
