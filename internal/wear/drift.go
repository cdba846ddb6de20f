package wear

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/controlchart"
	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
)

// Deviation is what a calibration found a tool to show too much.
type Deviation struct {
	ID           uuid.UUID
	CalibratedOn time.Time
	Deviation    length.Length `db:"deviation_nm"`
}

// Deviations asks for what the newest calibrations of a tool found, oldest
// first. Served by calibration_of_tool.
func Deviations(b *postgres.Batch, tool postgres.Ref) *postgres.Rows[Deviation] {
	return postgres.Query[Deviation](b, `select * from (select c.id, c.calibrated_on, c.deviation_nm from calibration c
		where c.club_id = $1 and c.tool_id = (select id from tool where club_id = $1 and (id = $2 or number = $3)) and c.deviation_nm is not null
		order by c.calibrated_on desc, c.id desc limit $4) c order by c.calibrated_on, c.id`, b.Club, tool.ID, tool.Name, controlchart.MostValues)
}

// Drift is the control chart of a tool's deviations, in micrometres.
func Drift(found []Deviation) (controlchart.Chart, error) {
	q := controlchart.Question{Rules: append(append([]controlchart.Rule{}, controlchart.Nelson...), controlchart.MovingRange)}
	for _, d := range found {
		q.Values = append(q.Values, d.Deviation.Micrometres())
	}
	return controlchart.Judge(q)
}
