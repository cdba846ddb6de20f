package api

import (
	"fmt"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/calc/controlchart"
	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/trend"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
	"pinwright/internal/vehicle"
	"pinwright/internal/wear"
)

// wearQuestion reads what is asked of a joint's trend.
func wearQuestion(params GetJointTrendParams, in *call) (wear.Question, error) {
	q := wear.Question{Over: wear.Time, Feature: refOf(params.Feature), Scale: trend.Scale(or(params.Scale, "")), Unit: length.Unit(in.caller.Units), Now: in.now}
	if or(params.Over, "") == "distance" {
		q.Over = wear.Going
	}
	q.SameRate = or(params.AfterRepair, "") == "same_rate"
	if params.Limit != nil {
		limit, err := length.Parse(*params.Limit)
		if err != nil {
			return q, problem.Invalid(faultOf("?limit", err))
		}
		q.Limit = pointerTo(limit.Length())
	}
	return q, nil
}

// GetJointTrend implements the contract.
func (s *Server) GetJointTrend(c echo.Context, _ InClub, joint InJoint, params GetJointTrendParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		joints := vehicle.FindJoint(b, postgres.ParseRef(joint))
		known := wear.Queue(b, postgres.ParseRef(joint))
		return func() (answer, error) {
			j, err := jointInPath(joints, joint)
			if err != nil {
				return answer{}, err
			}
			t, err := s.jointTrend(in, known, j, params)
			if err != nil {
				return answer{}, err
			}
			out := jointTrendOut(t, in.caller.Units)
			out.Trend.Explanation = explained(params.Explain, func() []derivation.Step { return t.Answer.Derivation(out.Trend.XUnit.code(), "um") })
			return ok(out), nil
		}
	})
}

// jointTrend works the trend out, timed as an estimate.
func (s *Server) jointTrend(in *call, known *wear.Known, j vehicle.Joint, params GetJointTrendParams) (t wear.Trend, err error) {
	q, err := wearQuestion(params, in)
	if err != nil {
		return t, err
	}
	err = s.timed(in.ctx, estimating, func() (w workload, err error) {
		features, readings := known.Size()
		t, err = known.Of(j.ID, q)
		return workload{joints: 1, features: features, readings: readings}, err
	})
	return t, err
}

func jointTrendOut(t wear.Trend, units string) JointTrend {
	unit := length.Unit(units)
	a := axis{unit: TrendXUnitDay, from: t.Origin}
	if t.Over == wear.Going {
		a = axis{unit: TrendXUnit(t.Unit)}
	}
	out := JointTrend{JointId: t.Joint.ID, FeatureId: t.Bore.ID, Feature: t.Bore.Code, Over: JointTrendOver(t.Over), LimitSource: JointTrendLimitSource(t.LimitSource),
		Sittings: []WearSitting{}, Events: each(t.Events, jointEventOut), Trend: showTrend(a, unit).trend(t.Answer), Warnings: remarksOut(t.Warnings), Assumed: remarksOut(t.Assumed)}
	um := func(v float64) *Length { return pointerTo(micrometresOut(v, units)) }
	for _, s := range t.Sittings {
		shown := WearSitting{At: s.At.UTC(), Repairs: s.Repairs, Bore: *um(s.Bore.Value), BoreU: *um(s.Bore.U), Readings: append([]Id{}, s.Readings...), Why: present(s.Why)}
		if s.Pin.Value > 0 {
			shown.Pin, shown.PinU, shown.Clearance, shown.ClearanceU = um(s.Pin.Value), um(s.Pin.U), um(s.Clearance.Value), um(s.Clearance.U)
			if s.PinOn != nil {
				shown.PinOn = &openapi_types.Date{Time: *s.PinOn}
			}
		}
		if s.Why == "" {
			shown.X = pointerTo(fine(s.X))
		}
		out.Sittings = append(out.Sittings, shown)
	}
	out.Summary = fmt.Sprintf("The clearance of %s: %s", t.Joint.Position, lowered(out.Trend.Summary))
	return out
}

// lowered begins a sentence as a part of another.
func lowered(s string) string {
	if s == "" || s[0] < 'A' || s[0] > 'Z' {
		return s
	}
	return string(s[0]+'a'-'A') + s[1:]
}

// GetToolChart implements the contract.
func (s *Server) GetToolChart(c echo.Context, _ InClub, name InTool, params GetToolChartParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		read := queueToolChart(b, name)
		return func() (answer, error) {
			_, chart, out, err := read(in.caller.Units)
			if err != nil {
				return answer{}, err
			}
			out.Chart.Explanation = explained(params.Explain, func() []derivation.Step { return chart.Derivation("um") })
			return ok(out), nil
		}
	})
}

// queueToolChart asks for a tool and its calibrations; read, once the batch was
// sent, charts them.
func queueToolChart(b *postgres.Batch, name string) (read func(units string) (tool.Tool, controlchart.Chart, ToolChart, error)) {
	ref := postgres.ParseRef(name)
	tools, found := tool.Find(b, ref), wear.Deviations(b, ref)
	return func(units string) (t tool.Tool, chart controlchart.Chart, out ToolChart, err error) {
		if t, err = tools.One(); err != nil {
			return t, chart, out, err
		}
		if chart, err = wear.Drift(found.Items); err != nil {
			return t, chart, out, err
		}
		return t, chart, toolChartOut(t, found.Items, chart, units), nil
	}
}

func toolChartOut(t tool.Tool, found []wear.Deviation, chart controlchart.Chart, units string) ToolChart {
	unit := length.Unit(units)
	out := ToolChart{ToolId: t.ID, Unit: Unit(units), Deviations: len(found), Chart: chartOut(chart, 1000/float64(unit.Length())), Warnings: []Text{}, Assumed: []Text{}}
	for i := range out.Chart.Points {
		out.Chart.Points[i].On = &openapi_types.Date{Time: found[i].CalibratedOn}
	}
	out.Warnings, out.Chart.Warnings = out.Chart.Warnings, []Text{}
	out.Summary = fmt.Sprintf("%s: %s", t.Number, lowered(out.Chart.Summary))
	if n := len(found); n > 0 {
		out.Latest = pointerTo(lengthOut(found[n-1].Deviation, units))
	}
	switch {
	case !t.Kind.Measures():
		out.Summary = fmt.Sprintf("%s does not measure, so it has no calibrations to chart.", t.Number)
	case len(found) < 2:
		out.Summary = fmt.Sprintf("%s has %d calibrations that tell a deviation: at least 2 are needed for a chart, and %d for limits that hold.", t.Number, len(found), controlchart.FewForLimits)
	default:
		out.Assumed = append(out.Assumed, Text{Code: "assumed_not_adjusted", Text: "The instrument was taken as not adjusted between its calibrations; where it was, what was found before tells nothing of it now."})
	}
	return out
}
