package cutting

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/trend"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

// GaugeRow is a calibration of a gauge; without one, On is nil.
type GaugeRow struct {
	ToolID      uuid.UUID
	Number      string
	On          *time.Time
	DeviationNm *int64
	U           *float64 // standard uncertainty, nm
}

// QueueGauges asks for what the calibrations of a model's tools in service found, oldest first. Served by tool_of_model and
// calibration_of_tool.
func QueueGauges(b *postgres.Batch, model postgres.Ref) *postgres.Rows[GaugeRow] {
	return postgres.Query[GaugeRow](b, `
		select t.id as tool_id, t.number, c.calibrated_on as on, c.deviation_nm, c.expanded_nm / c.coverage_factor as u
		from tool t left join lateral (select c.* from calibration c where c.club_id = t.club_id and c.tool_id = t.id and c.deviation_nm is not null order by c.calibrated_on desc, c.id desc limit 100) c on true
		where t.club_id = $1 and t.state = 'in_service' and t.model_id = (select n.id from tool_model n where n.club_id = $1 and (n.id = $2 or n.code = $3))
		order by t.number, t.id, c.calibrated_on, c.id`, b.Club, model.ID, model.Name)
}

// Gauge is how one gauge wears.
type Gauge struct {
	ToolID uuid.UUID
	Number string
	Found  int       // calibrations that state a deviation
	From   time.Time // day 0 of Trend, the first of them
	Limit  length.Length
	Trend  *trend.Answer // nil with fewer than two
}

// ClassLimit is the deviation, what a gauge shows too much, at which one of m leaves its class as it wears: a gauge of
// plus class is made from its marked size up, so that it leaves where it becomes smaller than that; one of minus class when it is smaller by the
// tolerance. Source of the tolerances: ASME B89.1.5. assumed says that class or sense was not known; ok that there is a limit.
func ClassLimit(m tool.Model) (limit length.Length, assumed, ok bool) {
	if !m.Kind.IsGauge() || m.Size == nil {
		return 0, false, false
	}
	class, sense := "ZZ", "minus"
	if m.GaugeClass != nil {
		class = *m.GaugeClass
	}
	if m.GaugeSense != nil {
		sense = *m.GaugeSense
	}
	assumed = m.GaugeClass == nil || m.GaugeSense == nil
	if sense == "plus" {
		return 0, assumed, true
	}
	t, err := uncertainty.ClassTolerance(uncertainty.GaugeClass(class), *m.Size)
	return t, assumed, err == nil
}

// Gauges tells how each gauge wears, and when it reaches the limit.
func Gauges(rows []GaugeRow, limit length.Length, now time.Time) ([]Gauge, error) {
	var out []Gauge
	var points []trend.Point
	finish := func() error {
		if len(points) < 2 {
			return nil
		}
		g := &out[len(out)-1]
		at, today := limit.Micrometres(), now.Sub(g.From).Hours()/24
		a, err := trend.Solve(trend.Question{Points: points, Limit: &at, Now: &today})
		if err != nil {
			return fmt.Errorf("cutting: %w", err)
		}
		g.Trend = &a
		return nil
	}
	for _, r := range rows {
		if len(out) == 0 || out[len(out)-1].ToolID != r.ToolID {
			if err := finish(); err != nil {
				return nil, err
			}
			out, points = append(out, Gauge{ToolID: r.ToolID, Number: r.Number, Limit: limit}), nil
		}
		if r.On == nil {
			continue
		}
		g := &out[len(out)-1]
		if g.Found++; g.Found == 1 {
			g.From = *r.On
		}
		points = append(points, trend.Point{X: r.On.Sub(g.From).Hours() / 24, Y: length.Length(*r.DeviationNm).Micrometres(), U: *r.U / 1000})
	}
	return out, finish()
}
